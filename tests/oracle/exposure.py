"""Reference implementation of one exposure's series, for the tests: rows in, what many pulses say out.

Fills the cells `cumulative`, `*_hear_cumulative_db` and `*_hear_cumulative_v2` of the rows that judge.py
made, and keeps what `events.ndjson` and `exposures.csv` say of established quantities (§8, §9).
"""

from dataclasses import dataclass, replace

import numpy as np

from method import QUANTITIES
from together import Series, onset_weights

LEAST_PULSES = 30
# A bound of what single-precision transforms move λ by in the tests' recordings.
LAM_ERROR_DB = 1e-5
# Parts of `cumulative` stand in this order.
ORDER = ("broadband", "ultraharmonic", "subharmonic", "harmonic")


@dataclass
class Established:
    """First establishment of a quantity at a baseline drive, or at any: by which channel and when."""

    pulse: int
    channel: object
    quantity: str
    drive_mpa: float
    series: Series
    excess_db: float
    within_db: float


class Exposure:
    """All series of one exposure. They end with it."""

    def __init__(self, judge, baseline):
        self.judge, self.baseline = judge, baseline
        detect = judge.detect
        budget = detect["false_alarms_per_exposure"]
        # §8: A = 2·B·L/q, L the number of the baseline's drives.
        self.threshold = 2 * judge.pairs * max(len(baseline.drives), 1) / budget
        self.series = {}  # (drive index, channel, quantity)
        self.sets = {}  # drive index → channels whose mean `all` is there
        self.by_channel = {}  # (channel, quantity) → Established, the first at any drive
        self.by_drive = {}  # (drive index, quantity) → Established, the earliest channel
        self.first = {}  # quantity → Established, the earliest of all
        self.marked = False

    def take(self, pulse, rows):
        """One pulse's rows; fills their cells."""
        if not self.marked and any(mark <= pulse.number for mark in self.judge.marks):
            # Series that run already take it as the onset; those that begin now know of it before.
            self.marked = True
            for series in self.series.values():
                series.mark()
        index = self.baseline.near(pulse.drive_mpa)
        # At the same pulse `all` goes before channels, lower channels before higher.
        for row in sorted(rows, key=lambda row: row.channel != "all"):
            if index is not None:
                self._row(pulse, row, index)
        for row in rows:
            row.cumulative = self._said(row.channel, len(rows) > 1)

    def _row(self, pulse, row, index):
        if row.verdict == "indeterminate" or row.level is None:
            return
        channels = [row.channel] if row.channel != "all" else list(row.healthy)
        own = self.baseline.at(self.baseline.drives[index], channels)
        if isinstance(own, str):
            return
        for q in QUANTITIES:
            spread = own.spread.get(q)
            if spread is None or not np.isfinite(row.lam_db.get(q, np.nan)):
                continue
            if spread.n < LEAST_PULSES or not spread.s > 0:
                continue
            if row.channel == "all" and self.sets.setdefault(index, row.healthy) != row.healthy:
                continue
            self._quantity(pulse, row, index, q, spread)

    def _quantity(self, pulse, row, index, q, spread):
        key = (index, row.channel, q)
        if key not in self.series:
            referenced = q != "broadband" or self.judge.plan.noise_n is not None
            expected = self.judge.detect["expected_pulses"]
            self.series[key] = Series(spread, *onset_weights(expected, self.marked, referenced))
        series, delta_db = self.series[key], self.judge.delta_db[q]
        log_e = series.take(row.lam_db[q] - row.level.spread[q].mean - delta_db)
        hear_db = series.hear_db(delta_db, self.threshold)
        row.hear_cumulative_db[q] = hear_db
        near = replace(spread, s=spread.s + LAM_ERROR_DB, r1=spread.r1 + 2 * LAM_ERROR_DB / spread.s)
        nudged_db = replace(series, spread=near).hear_db(delta_db, self.threshold)
        both = np.isfinite(hear_db) and np.isfinite(nudged_db)
        row.together_slack_db[q] = abs(nudged_db - hear_db) if both else 0.0
        if np.isfinite(hear_db) != np.isfinite(nudged_db):
            # Whether there is a limit at all is a matter of luck here.
            row.evidence_slack.append(0.0)
        if row.channel != "all":
            row.hear_cumulative_v2[q] = row.level.band_v2[q] * (10 ** (hear_db / 10) - 1)
        over = log_e - np.log(self.threshold)
        if (row.channel, q) not in self.by_channel or (index, q) not in self.by_drive:
            row.evidence_slack.append(over)
        if over >= 0:
            channel = row.channel if row.channel == "all" else self.judge.names[row.channel]
            drive_mpa = self.baseline.drives[index]
            found = Established(
                pulse.number, channel, q, drive_mpa, series, series.excess_db(), series.within_db()
            )
            self.by_channel.setdefault((row.channel, q), found)
            self.by_drive.setdefault((index, q), found)
            self.first.setdefault(q, found)

    def _said(self, channel, several):
        parts = []
        for q in ORDER:
            found = self.first.get(q) if channel == "all" else self.by_channel.get((channel, q))
            if found:
                where = f" on channel {found.channel}" if channel == "all" and found.channel != "all" else ""
                parts.append(f"{q} since {found.pulse}{where}")
        return "; ".join(parts)
