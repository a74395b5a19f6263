"""Reference implementation of the verdict, for the tests: readings to the rows of pulses.csv.

Takes the pulses of a session in order, each with one method.Reading per used channel, builds the
baseline from those of stage `baseline`, and judges those of stage `exposure` (§5–§11 of the method
page; many pulses together in exposure.py). Written from that page alone.
"""

from collections import defaultdict, deque
from dataclasses import dataclass, field, replace

import numpy as np

from exposure import Exposure
from method import (
    QUANTITIES,
    WITHOUT_NUMBERS,
    Plan,
    budget_alpha,
    f_limit,
    hear_db,
    pooled,
    rule_limit_db,
    spread_of,
)

# The order in which §10 lists what forbids `not_detected`.
ORDER = (
    *WITHOUT_NUMBERS,
    "dead channel",
    "clipped",
    "no baseline",
    "drive outside baseline",
    "fundamental low",
    "noise moved",
    "drive cut short",
    "drive frequency",
    "too few channels",
)
# A baseline pulse with one of these stays out of the baseline (§6).
LEAST_PULSES = 10
# Where serial correlation leaves few degrees of freedom, a limit hangs on the last digits of λ. This is
# a bound of what single-precision transforms move λ by in the tests' recordings.
LAM_ERROR_DB = 1e-5


@dataclass
class Pulse:
    """One pulse: what its annotation says, and a reading per used channel, ascending."""

    number: int
    stage: str
    drive_mpa: float
    readings: list
    target: str = ""


@dataclass
class Level:
    """What a baseline says at one drive about one channel (or about `all`)."""

    spread: dict
    level_db: dict = field(default_factory=dict)
    # What an excess is counted from: net for ultraharmonic and subharmonic.
    mean_v2: dict = field(default_factory=dict)
    # Mean band power P̄, the lines of a quantity together.
    band_v2: dict = field(default_factory=dict)
    noise_v2_per_hz: float = None


@dataclass
class Row:
    """One row of pulses.csv; numbers are None where the file has an empty cell."""

    pulse: int
    channel: object
    stage: str
    power_v2: dict = field(default_factory=dict)
    broadband_v2_per_hz: float = None
    over_db: dict = field(default_factory=dict)
    dose_v2s: dict = field(default_factory=dict)
    clipped_share: float = None
    lam_db: dict = field(default_factory=dict)
    detect_db: dict = field(default_factory=dict)
    limit_db: dict = field(default_factory=dict)
    # What a change of λ by LAM_ERROR_DB in the baseline may do to the limit.
    limit_slack_db: dict = field(default_factory=dict)
    hear_db: dict = field(default_factory=dict)
    hear_cumulative_db: dict = field(default_factory=dict)
    hear_v2: dict = field(default_factory=dict)
    hear_cumulative_v2: dict = field(default_factory=dict)
    cumulative: str = ""
    # What it was judged against (a Level), None without one; for `all` the channels it is the mean of.
    level: object = None
    healthy: tuple = ()
    # What a change of λ by LAM_ERROR_DB in the baseline may do to the cumulative detection limit.
    together_slack_db: dict = field(default_factory=dict)
    # How far ln E was from the threshold of a quantity not yet established before this pulse.
    evidence_slack: list = field(default_factory=list)
    verdict: str = ""
    conditions: list = field(default_factory=list)
    passed: dict = field(default_factory=dict)
    margin_db: dict = field(default_factory=dict)
    # How far each condition was from its threshold, in dB: too near, and the verdict is luck.
    condition_slack_db: list = field(default_factory=list)
    # What the dose's powers add up to, for the tolerance of their difference.
    dose_scale_v2s: dict = field(default_factory=dict)


def dose_power(reading, quantity):
    """The power whose excess makes the dose: net for ultraharmonic and subharmonic (§5)."""
    net = quantity in ("ultraharmonic", "subharmonic")
    return (reading.net_v2 if net else reading.power_v2)[quantity]


class Baseline:
    """No-bubble pulses of one target by drive (§6)."""

    def __init__(self, plan, pulses):
        self.plan = plan
        self.tolerance = plan.config["drive"]["drive_tolerance"]
        self.drives, self.series, self.levels = [], [], {}
        for pulse in pulses:
            index = self.near(pulse.drive_mpa)
            if index is None:
                self.drives.append(pulse.drive_mpa)
                self.series.append([pulse])
            else:
                self.series[index].append(pulse)
        # An unknown drive stands last.
        order = sorted(range(len(self.drives)), key=lambda i: (self.drives[i] is None, self.drives[i] or 0.0))
        self.drives = [self.drives[i] for i in order]
        self.series = [self.series[i] for i in order]

    def _single(self, index, channels):
        """Level at one drive over a set of channels, from pulses that are sound on all of them."""
        sound = [
            [p.readings[c] for c in channels]
            for p in self.series[index]
            if not any(p.readings[c].conditions for c in channels)
        ]
        if len(sound) < LEAST_PULSES:
            return None
        quantities = [q for q in QUANTITIES if q in sound[0][0].lam_db]
        level = Level({q: spread_of([np.mean([r.lam_db[q] for r in rs]) for rs in sound]) for q in quantities})
        if len(channels) > 1:
            return level
        readings = [rs[0] for rs in sound]
        for q in (*quantities, "fundamental"):
            level.level_db[q] = np.mean([10 * np.log10(r.power_v2[q]) for r in readings])
        for q in quantities:
            level.mean_v2[q] = np.mean([dose_power(r, q) for r in readings])
            level.band_v2[q] = np.mean([r.power_v2[q] for r in readings])
        if readings[0].noise_v2_per_hz:
            level.level_db["noise"] = np.mean([10 * np.log10(r.noise_v2_per_hz) for r in readings])
            level.noise_v2_per_hz = np.mean([r.noise_v2_per_hz for r in readings])
        return level

    def near(self, drive_mpa):
        """Index of the drive within drive_tolerance, the nearest, at a tie the lower; None without one.

        A drive of 0 and an unknown drive match only themselves.
        """
        if not drive_mpa:
            return self.drives.index(drive_mpa) if drive_mpa in self.drives else None
        close = [
            (abs(drive_mpa - d), d, i)
            for i, d in enumerate(self.drives)
            if d and abs(drive_mpa - d) <= self.tolerance * d
        ]
        return min(close)[2] if close else None

    def at(self, drive_mpa, channels):
        """The level at a drive, interpolated where needed (§6), or the name of what is missing."""
        key = (drive_mpa, tuple(channels))
        if key not in self.levels:
            self.levels[key] = self._level(drive_mpa, channels)
        return self.levels[key]

    def _level(self, drive_mpa, channels):
        if not drive_mpa:
            # Drive 0 and drive unknown are never interpolated.
            known = drive_mpa in self.drives
            return (known and self._single(self.drives.index(drive_mpa), channels)) or "no baseline"
        ranked = [d for d in self.drives if d]
        if not ranked:
            return "no baseline"
        for i, d in enumerate(self.drives):
            if d and abs(drive_mpa - d) <= 1e-6 * d:
                return self._single(i, channels) or "no baseline"
        low, high = ranked[0], ranked[-1]
        for edge, outside in ((low, drive_mpa < low), (high, drive_mpa > high)):
            if outside:
                if abs(drive_mpa - edge) <= self.tolerance * edge:
                    return self._single(self.drives.index(edge), channels) or "no baseline"
                return "drive outside baseline"
        above = next(i for i, d in enumerate(self.drives) if d and d > drive_mpa)
        a, b = self._single(above - 1, channels), self._single(above, channels)
        if a is None or b is None:
            return "no baseline"
        d1, d2 = self.drives[above - 1], self.drives[above]
        return self._between(a, b, np.log(drive_mpa / d1) / np.log(d2 / d1))

    @staticmethod
    def _between(a, b, u):
        level = Level({q: pooled(a.spread[q], b.spread[q], u) for q in a.spread})
        level.level_db = {q: (1 - u) * a.level_db[q] + u * b.level_db[q] for q in a.level_db}
        level.band_v2 = {q: a.band_v2[q] ** (1 - u) * b.band_v2[q] ** u for q in a.band_v2}
        for q in a.mean_v2:
            x, y = a.mean_v2[q], b.mean_v2[q]
            # A net power can be negative, so it alone goes linearly.
            linear = q in ("ultraharmonic", "subharmonic")
            level.mean_v2[q] = (1 - u) * x + u * y if linear else x ** (1 - u) * y**u
        if a.noise_v2_per_hz:
            level.noise_v2_per_hz = a.noise_v2_per_hz ** (1 - u) * b.noise_v2_per_hz**u
        return level


class Judge:
    """Judges the pulses of one session in order."""

    def __init__(self, config, channels, names=None):
        """`names` are the numbers of the used channels, where they do not count from 0."""
        self.plan, self.channels = Plan(config), channels
        self.names = list(range(channels)) if names is None else names
        detect = config["detect"]
        self.detect = detect
        self.delta_db = detect["repeatability_db"]
        self.rules = {q: tuple(int(part) for part in text.split(" of ")) for q, text in detect["rule"].items()}
        pairs = (channels + (channels > 1)) * (1 + len(detect["stable_from"]))
        self.pairs = pairs
        self.alpha = budget_alpha(detect["false_alarms_per_exposure"], detect["expected_pulses"], pairs)
        self.exposures, self.marks = [], ()
        self.noise = [deque(maxlen=10) for _ in range(channels)]
        self.looks = defaultdict(list)
        self.dose = [dict.fromkeys(QUANTITIES, 0.0) for _ in range(channels)]
        self.scale = [dict.fromkeys(QUANTITIES, 0.0) for _ in range(channels)]
        self.setting = None
        self._limits = {}

    def run(self, pulses, baseline_pulses=None, marks=()):
        """Rows of all pulses, `all` last in each where there are several channels.

        `marks` are the numbers of the first pulses that injection marks hold for.
        """
        self.marks = marks
        own = [p for p in pulses if p.stage == "baseline"]
        targets = {p.target for p in pulses}
        source = own if baseline_pulses is None else baseline_pulses
        self.baselines = {t: Baseline(self.plan, [p for p in source if p.target == t]) for t in targets}
        return [row for pulse in pulses for row in self._pulse(pulse)]

    def _pulse(self, pulse):
        for c, reading in enumerate(pulse.readings):
            if reading.noise_v2_per_hz:
                self.noise[c].append(reading.noise_v2_per_hz)
        # A new stage, target or drive clears the looks; drives match within drive_tolerance (§7).
        stage, target, drive_mpa = self.setting or ("", "", 0.0)
        tolerance = self.plan.config["drive"]["drive_tolerance"]
        if drive_mpa is None or pulse.drive_mpa is None:
            moved = drive_mpa != pulse.drive_mpa
        else:
            moved = abs(pulse.drive_mpa - drive_mpa) > tolerance * drive_mpa
        # An injection clears the looks as well.
        moved = moved or pulse.number in self.marks
        if (pulse.stage, pulse.target) != (stage, target) or moved:
            self.looks.clear()
            if (pulse.stage, pulse.target) != (stage, target):
                # A change of stage or target begins the next exposure, with doses from zero (§5).
                self.dose = [dict.fromkeys(QUANTITIES, 0.0) for _ in range(self.channels)]
                self.scale = [dict.fromkeys(QUANTITIES, 0.0) for _ in range(self.channels)]
                if pulse.stage == "exposure":
                    self.exposures.append(Exposure(self, self.baselines[pulse.target]))
            self.setting = (pulse.stage, pulse.target, pulse.drive_mpa)
        rows = [self._channel(pulse, c) for c in range(self.channels)]
        if self.channels > 1:
            rows.append(self._all(pulse, rows))
        if pulse.stage == "exposure":
            self.exposures[-1].take(pulse, rows)
        return rows

    def _channel(self, pulse, c):
        reading = pulse.readings[c]
        row = Row(pulse.number, c, pulse.stage, conditions=list(reading.conditions))
        row.clipped_share = reading.clipped_share
        row.power_v2, row.lam_db = dict(reading.power_v2), dict(reading.lam_db)
        row.broadband_v2_per_hz = reading.broadband_v2_per_hz
        if pulse.stage != "exposure":
            return row
        level = self.baselines[pulse.target].at(pulse.drive_mpa, [c])
        if not reading.heard:
            # Without numbers there is nothing further to say, and no detection limit either.
            self._miss((c,))
        elif isinstance(level, str):
            row.conditions.append(level)
            self._without_baseline(row, reading)
        else:
            self._over(row, reading, level)
            row.conditions += self._conditions(c, row, level)
            self._tests(row, (c,), level)
            for q in level.mean_v2:
                self.dose[c][q] += (dose_power(reading, q) - level.mean_v2[q]) * self.plan.gate_s
                self.scale[c][q] += reading.power_v2[q] * self.plan.gate_s
        row.dose_v2s = dict(self.dose[c])
        row.dose_scale_v2s = {q: 1e-5 * scale for q, scale in self.scale[c].items()}
        self._conclude(row)
        return row

    def _over(self, row, reading, level):
        """Levels over baseline (§5)."""
        for q, mean_db in level.level_db.items():
            now = reading.noise_v2_per_hz if q == "noise" else reading.power_v2[q]
            row.over_db[q] = 10 * np.log10(now) - mean_db

    def _conditions(self, c, row, level):
        """Those conditions of §10 that need a baseline."""
        found = []
        drop_db = self.detect["fundamental_drop_db"]
        sign = {"fundamental": "fundamental", "noise": "noise"}.get(self.detect["sign_of_life"])
        if sign:
            row.condition_slack_db.append(row.over_db[sign] + drop_db)
            if row.over_db[sign] < -drop_db:
                found.append("fundamental low")
        if level.noise_v2_per_hz and len(self.noise[c]) >= 3:
            moved_db = 10 * np.log10(np.mean(self.noise[c]) / level.noise_v2_per_hz)
            row.condition_slack_db.append(abs(moved_db) - self.detect["noise_drift_db"])
            if abs(moved_db) > self.detect["noise_drift_db"]:
                found.append("noise moved")
        return found

    def _tests(self, row, key, level):
        """Limits, detection limits and m-of-n looks against a baseline (§7, §9)."""
        row.level = level
        for q, spread in level.spread.items():
            m, n = self.rules[q]
            delta_db = self.delta_db[q]
            limit_db, row.limit_slack_db[q] = self._limit(spread, m, n)
            row.limit_db[q] = limit_db
            row.hear_db[q] = hear_db(spread, limit_db, delta_db)
            # V² of a mean over channels has no meaning, also where only one is left of them.
            if row.channel != "all":
                row.hear_v2[q] = level.band_v2[q] * (10 ** (row.hear_db[q] / 10) - 1)
            row.detect_db[q] = row.lam_db[q] - spread.mean
            looks = self.looks[(key, q)]
            looks.append(row.detect_db[q] - delta_db - limit_db)
            # The rule passes by its m-th largest margin of the last n.
            best = sorted((x for x in looks[-n:] if not np.isnan(x)), reverse=True)
            row.margin_db[q] = best[m - 1] if len(best) >= m else -np.inf
            row.passed[q] = row.margin_db[q] > 0

    def _miss(self, key):
        """A pulse without numbers takes a place among the looks and does not pass (§7)."""
        for q in QUANTITIES:
            self.looks[(key, q)].append(-np.inf)

    def _limit(self, spread, m, n):
        key = (spread.n, spread.mean, spread.s, spread.r1, tuple(spread.weight), m, n)
        if key not in self._limits:
            limit_db, slack_db = rule_limit_db(spread, self.alpha, m, n), 0.0
            if spread.nu < 8:
                nudged = replace(spread, r1=spread.r1 + 2 * LAM_ERROR_DB / spread.s)
                slack_db = abs(rule_limit_db(nudged, self.alpha, m, n) - limit_db)
            self._limits[key] = limit_db, slack_db
        return self._limits[key]

    def _without_baseline(self, row, reading):
        """Contrast F-test of ultraharmonic and subharmonic (§7)."""
        if self.plan.window == "rectangular":
            return
        for q in ("ultraharmonic", "subharmonic"):
            if q in reading.contrast_ratio:
                # Exposure values enter every test lowered by δ, this one too.
                lowered = reading.contrast_ratio[q] / 10 ** (self.delta_db[q] / 10)
                row.passed[q] = lowered > f_limit(self.plan, q, self.alpha)

    def _conclude(self, row):
        row.conditions.sort(key=ORDER.index)
        passed = lambda q: row.passed.get(q, False)
        if any(c in WITHOUT_NUMBERS for c in row.conditions):
            row.verdict = "indeterminate"
        elif passed("broadband"):
            row.verdict = "inertial"
        elif any(passed(q) for q in self.detect["stable_from"]):
            row.verdict = "stable"
        elif row.conditions:
            row.verdict = "indeterminate"
        else:
            row.verdict = "not_detected"

    def _all(self, pulse, rows):
        """Channel `all`: mean over the healthy channels against the same mean of the baseline (§6)."""
        row = Row(pulse.number, "all", pulse.stage)
        healthy = [r.channel for r in rows if not r.conditions]
        enough = len(healthy) >= max(self.detect["channels_needed"], 1)
        if enough:
            names = [q for q in QUANTITIES if q in rows[healthy[0]].lam_db]
            row.lam_db = {q: np.mean([rows[c].lam_db[q] for c in healthy]) for q in names}
        if pulse.stage != "exposure":
            if not enough:
                row.conditions.append("too few channels")
            return row
        row.dose_v2s = {q: np.mean([r.dose_v2s[q] for r in rows]) for q in QUANTITIES}
        row.dose_scale_v2s = {q: np.mean([r.dose_scale_v2s[q] for r in rows]) for q in QUANTITIES}
        level = self.baselines[pulse.target].at(pulse.drive_mpa, healthy) if enough else None
        row.healthy = tuple(healthy)
        if isinstance(level, Level):
            for q in rows[healthy[0]].over_db:
                row.over_db[q] = np.mean([rows[c].over_db[q] for c in healthy])
            self._tests(row, ("all",), level)
        else:
            self._miss(("all",))
        if not enough:
            row.conditions.append("too few channels")
        self._conclude(row)
        verdicts = {row.verdict, *(r.verdict for r in rows)}
        row.verdict = next((v for v in ("inertial", "stable") if v in verdicts), row.verdict)
        return row
