"""Reference implementation of tables over frequency, for the tests: volts to pascals, loss corrected.

A table's weight is laid over the bins, bands are summed anew, and the judge of judge.py forms baselines,
interpolated drives, detection limits and doses of these sums as it does of volts (§1, §5, §6, §9 of the
method page). Written from that page, in float64.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from judge import Judge, dose_power
from method import LINES, QUANTITIES, SCIPY_WINDOW, Plan, overlap_samples

# What single precision may move a band's power P by: a share of it, and a share of √(P·ΣS·Δf) for what strong
# lines leave beside them. §3 allows 1e-4 and 2e-7; the tests hold the binary to a tenth of it.
SHARE, LEAK = 1e-5, 2e-8
# What it may move 10^(hear_db/10) by, as a share: λ, and with it the baseline's scatter.
HEAR_SHARE = 1e-5

WEIGHTINGS = ("pascal", "corrected", "corrected_pascal")
PULSE_COLUMNS = (
    *(f"{q}_pa2" for q in QUANTITIES),
    "fundamental_pa2",
    "broadband_pa2_per_hz",
    *(f"{q}_excess_pa2" for q in QUANTITIES),
    *(f"{q}_corrected_excess_v2" for q in QUANTITIES),
    *(f"{q}_corrected_excess_pa2" for q in QUANTITIES),
    *(f"{q}_hear_pa2" for q in QUANTITIES),
)
EXCESS = {"pascal": "excess_{}pa2", "corrected": "corrected_excess_{}v2", "corrected_pascal": "corrected_excess_{}pa2"}
DOSE_COLUMNS = tuple(f"{q}_{EXCESS[w].format('dose_')}s" for w in WEIGHTINGS for q in QUANTITIES)


def excess_column(quantity, weighting):
    """The column of an excess."""
    return f"{quantity}_{EXCESS[weighting].format('')}"


def dose_column(quantity, weighting):
    """The column of its dose."""
    return f"{quantity}_{EXCESS[weighting].format('dose_')}s"


@dataclass
class Receiver:
    """What is known of a channel's receiver: points (Hz, V/Pa) with gain_db on top, and points (Hz, dB)."""

    sensitivity: tuple = ()
    gain_db: float = 0.0
    loss: tuple = ()

    def weight(self, f_hz, weighting):
        """What a density in V²/Hz is multiplied by at these frequencies; NaN where no table says it."""
        out = np.ones(len(f_hz))
        if "pascal" in weighting:
            db = 20 * np.log10([v for _, v in self.sensitivity]) if self.sensitivity else ()
            out = out / 10 ** ((between(self.sensitivity, db, f_hz) + self.gain_db) / 10)
        if "corrected" in weighting:
            out = out * 10 ** (between(self.loss, [v for _, v in self.loss], f_hz) / 10)
        return out


def between(points, db, f_hz):
    """Decibels over the logarithm of frequency, straight between points; NaN beyond them and without any."""
    if not points:
        return np.full(len(f_hz), np.nan)
    # Bin 0 has no logarithm; it lies beyond any table.
    log_f = np.log(np.maximum(f_hz, 1e-300))
    return np.interp(log_f, np.log([f for f, _ in points]), db, left=np.nan, right=np.nan)


@dataclass
class Weights:
    """A plan's bins with a weight each, NaN where it is unknown."""

    plan: Plan
    weight: np.ndarray

    @classmethod
    def of(cls, plan, receiver, weighting):
        f_hz = np.arange(plan.n // 2 + 1) * plan.df_hz
        return cls(plan, receiver.weight(f_hz, weighting))

    def covered(self, quantity):
        """Lines of a quantity whose every bin has a weight."""
        return [x for x in self.plan.lines[quantity] if np.all(np.isfinite(self.weight[x.bins]))]

    @property
    def broadband(self):
        """Bins of the broadband that have a weight."""
        bins = self.plan.broadband
        return bins[np.isfinite(self.weight[bins])]

    def heard(self, reading):
        """The reading with its powers weighted; NaN where nothing is covered. λ stays what it was."""
        if not reading.heard:
            return reading
        s, df_hz = reading.spectrum, self.plan.df_hz
        power, net = dict.fromkeys(reading.power_v2, np.nan), dict.fromkeys(reading.net_v2, np.nan)
        for q in ("fundamental", *LINES):
            if lines := self.covered(q):
                power[q] = sum(np.sum(self.weight[x.bins] * s[x.bins]) * df_hz for x in lines)
                floor = sum(np.mean(s[x.flanks]) * np.sum(self.weight[x.bins]) * df_hz for x in lines)
                net[q] = power[q] - floor
        bins, density = self.broadband, None
        if len(bins):
            density = np.mean(self.weight[bins] * s[bins])
            power["broadband"] = net["broadband"] = density * len(bins) * df_hz
        return replace(reading, power_v2=power, net_v2=net, broadband_v2_per_hz=density)

    def standard_error(self, bins, density):
        """Standard deviation of Σ weight·S·Δf of one pulse, S scattering about `density` (V²/Hz, a bin each).

        The variance behind K of §4, with a weight and a density of its own for each bin; neighbouring bins and
        segments are correlated.
        """
        plan, hop = self.plan, self.plan.n - overlap_samples(self.plan.n, self.plan.overlap)
        w, a = signal.get_window(SCIPY_WINDOW[plan.window], plan.n), self.weight[bins] * density * plan.df_hz
        apart = (bins[:, None] - bins[None, :]) % plan.n
        total = 0.0
        for m in range(min(plan.segments, -(-plan.n // hop))):
            product = np.zeros(plan.n)
            product[: plan.n - m * hop] = w[: plan.n - m * hop] * w[m * hop :]
            c2 = np.abs(np.fft.fft(product) / np.sum(w * w)) ** 2
            total += (1 if m == 0 else 2) * (1 - m / plan.segments) * (a @ c2[apart] @ a)
        return np.sqrt(total / plan.segments)


@dataclass
class Cell:
    """A number the file should have (NaN: an empty cell), and what it may be off."""

    value: float
    within: float

    @property
    def empty(self):
        return not np.isfinite(self.value)


EMPTY = Cell(np.nan, 0.0)


def uncertainty(plan, reading, quantity):
    """What a band's power in V² may be off, as a share of it; weights change it little."""
    power = reading.power_v2.get(quantity, np.nan)
    return SHARE + LEAK * np.sqrt(np.sum(reading.spectrum) * plan.df_hz / power) if reading.heard else 0.0


def expected(config, pulses, receivers, names):
    """Cells of pulses.csv as {(pulse, channel): {column: Cell}}, and of each exposure as {column: Cell}."""
    plan = Plan(config)
    rows = {(p.number, str(n)): {} for p in pulses for n in names}
    exposures = stretches(pulses)
    tables = [{} for _ in exposures]
    for weighting in WEIGHTINGS:
        weights = [Weights.of(plan, receiver, weighting) for receiver in receivers]
        heard = [replace(p, readings=[w.heard(r) for w, r in zip(weights, p.readings, strict=True)]) for p in pulses]
        # λ is in these readings as in those in volts, so limits and detection limits are the same.
        judged = {(row.pulse, row.channel): row for row in Judge(config, len(names), names).run(heard)}
        for pulse, plain in zip(heard, pulses):
            for c, name in enumerate(names):
                shares = {q: uncertainty(plan, plain.readings[c], q) for q in ("fundamental", *QUANTITIES)}
                row, cells = judged[pulse.number, c], rows[pulse.number, str(name)]
                fill(cells, weighting, row, pulse.readings[c], shares)
        for table, numbers in zip(tables, exposures):
            for q in QUANTITIES:
                column = excess_column(q, weighting)
                cells = [[rows[k, str(name)][column] for k in numbers] for name in names]
                table[dose_column(q, weighting)] = mean_dose(cells, plan.gate_s)
    return rows, tables


def stretches(pulses):
    """Numbers of the pulses of each exposure, in order."""
    found, before = [], None
    for pulse in pulses:
        if pulse.stage == "exposure":
            if (pulse.stage, pulse.target) != before:
                found.append([])
            found[-1].append(pulse.number)
        before = pulse.stage, pulse.target
    return found


def mean_dose(channels, gate_s):
    """Mean of Σ excess·T over the channels that have one; a pulse without an excess adds nothing."""
    known = [[cell for cell in cells if not cell.empty] for cells in channels]
    doses = [(sum(c.value for c in cells) * gate_s, sum(c.within for c in cells) * gate_s) for cells in known if cells]
    return Cell(*np.mean(doses, axis=0)) if doses else EMPTY


def fill(cells, weighting, row, reading, shares):
    """Puts the cells of one channel of one pulse under one weighting."""
    for q in QUANTITIES:
        power, excess, hear = reading.power_v2.get(q, np.nan), EMPTY, EMPTY
        if row.level is not None:
            now, mean, band = dose_power(reading, q), row.level.mean_v2[q], row.level.band_v2[q]
            excess = Cell(now - mean, shares[q] * (power + band))
            limit_share = HEAR_SHARE + np.log(10) / 10 * row.limit_slack_db[q]
            hear = Cell(row.hear_v2[q], shares[q] * row.hear_v2[q] + limit_share * (row.hear_v2[q] + band))
        cells[excess_column(q, weighting)] = excess
        if weighting == "pascal":
            cells[f"{q}_pa2"], cells[f"{q}_hear_pa2"] = Cell(power, shares[q] * power), hear
    if weighting == "pascal":
        fundamental = reading.power_v2.get("fundamental", np.nan)
        cells["fundamental_pa2"] = Cell(fundamental, shares["fundamental"] * fundamental)
        density = reading.broadband_v2_per_hz if reading.heard else None
        cells["broadband_pa2_per_hz"] = EMPTY if density is None else Cell(density, shares["broadband"] * density)


def faults(row, cells):
    """What in a row of a table is not what is expected: the number within its bound, or nothing at all."""
    found = []
    for column, want in cells.items():
        text = row[column]
        fits = text == "" if want.empty else text != "" and abs(float(text) - want.value) <= want.within
        if not fits:
            found.append(f"{column} is {text!r}, the oracle has {want.value} within {want.within}")
    return found
