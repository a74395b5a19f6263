"""Reference implementation of the method, for the tests: samples to band powers, and the limits.

Written from the project's method page alone, in float64 with NumPy and SciPy, without a look at the
Rust code, so that the two can disagree. Section numbers (§) are those of the method page. Clarity
before speed: a pulse costs milliseconds here.

Units: volts, hertz, seconds, V²/Hz for spectra, V² for band powers, dB where a name ends in _db.
"""

import functools
from dataclasses import dataclass, field

import numpy as np
from scipy import optimize, signal, special, stats

QUANTITIES = ("harmonic", "ultraharmonic", "subharmonic", "broadband")
LINES = ("harmonic", "ultraharmonic", "subharmonic")
SCIPY_WINDOW = {"hann": "hann", "blackman-harris": "blackmanharris", "rectangular": "boxcar"}
# §4: edges are compared in bins with this slack.
SLACK_BINS = 1e-6
# §10: what leaves a pulse without numbers, whatever they say.
WITHOUT_NUMBERS = ("samples lost", "not finite", "gate incomplete")


class Fault(ValueError):
    """The configuration cannot be carried out."""


def half_even(value):
    """r(·) of the method page: the product first rounded to 1e-6, then half to even (§2)."""
    return int(np.rint(np.rint(value * 1e6) / 1e6))


def seven_smooth(n):
    """Whether all prime factors of n are at most 7."""
    for p in (2, 3, 5, 7):
        while n % p == 0:
            n //= p
    return n == 1


# --- §2, §3: gate and segments -------------------------------------------------------------------


def is_locked(n, fs_hz, f0_hz):
    """Whether f0/2 and its multiples fall on bins of an N-point transform (§3)."""
    half_order = n * f0_hz / (2 * fs_hz)
    return abs(half_order - np.rint(half_order)) < 1e-9


def segment_samples(fs_hz, f0_hz, resolution_hz):
    """N and whether it is bin-locked (§3). Raises Fault when no candidate exists."""
    lowest = int(np.floor(fs_hz / (1.25 * resolution_hz))) - 2
    highest = int(np.ceil(fs_hz / (0.75 * resolution_hz))) + 2
    candidates = [
        n
        for n in range(max(lowest, 2), highest + 1)
        if n % 2 == 0 and seven_smooth(n) and 0.75 <= (fs_hz / n) / resolution_hz <= 1.25
    ]
    locked = [n for n in candidates if is_locked(n, fs_hz, f0_hz)]
    pool = locked or candidates
    if not pool:
        raise Fault(f"no segment length for a resolution of {resolution_hz} Hz")
    return min(pool, key=lambda n: (abs(fs_hz / n - resolution_hz), n)), bool(locked)


def overlap_samples(n, overlap):
    """Samples shared by neighbouring segments, so that the hop is H = N − r(N·overlap) (§3)."""
    return half_even(n * overlap)


def segments(samples, n, overlap):
    """M, the number of segments in a stretch (§3)."""
    hop = n - overlap_samples(n, overlap)
    return 0 if samples < n else 1 + (samples - n) // hop


def noise_segment_samples(samples, n, overlap):
    """N' of the noise gate (§5): N if two segments fit, else the longest even 7-smooth that fits."""
    for candidate in [n, *range(n - n % 2, 1, -2)]:
        hop = candidate - overlap_samples(candidate, overlap)
        if candidate + hop <= samples and (candidate == n or seven_smooth(candidate)):
            return candidate
    return None


def welch(x_volts, fs_hz, n, window, overlap):
    """One-sided power spectral density in V²/Hz (§3; Welch 1967)."""
    return signal.welch(
        x_volts, fs_hz, SCIPY_WINDOW[window], n, overlap_samples(n, overlap), detrend=False
    )[1]


def tone_power(x_volts, f_hz, fs_hz):
    """P of §2: a tone's power in a stretch, by a periodic Hann window over the whole of it."""
    w = signal.get_window("hann", len(x_volts))
    turn = np.exp(-2j * np.pi * f_hz / fs_hz * np.arange(len(x_volts)))
    return 2 * abs(np.sum(w * x_volts * turn)) ** 2 / np.sum(w) ** 2


# --- §4: bands -----------------------------------------------------------------------------------


@dataclass
class Line:
    """One line of the drive: its multiple, its bins and the bins of its flanks."""

    multiple: float
    bins: np.ndarray
    flanks: np.ndarray


@dataclass
class Plan:
    """A configuration (the parsed TOML) with everything that follows from it before any sample."""

    config: dict
    fs_hz: float = 0.0
    f0_hz: float = 0.0
    n: int = 0
    locked: bool = False
    window: str = "hann"
    overlap: float = 0.5
    df_hz: float = 0.0
    lines: dict = field(default_factory=dict)
    broadband: np.ndarray = None
    noise_n: int | None = None
    noise_bins: np.ndarray = None

    def __post_init__(self):
        c = self.config
        receive, spectrum, bands = c["receive"], c["spectrum"], c["bands"]
        self.fs_hz, self.f0_hz = receive["sample_rate_hz"], c["drive"]["frequency_hz"]
        self.window, self.overlap = spectrum["window"], spectrum["overlap"]
        self.n, self.locked = segment_samples(self.fs_hz, self.f0_hz, spectrum["resolution_hz"])
        self.df_hz = self.fs_hz / self.n
        self.gate = self._gate("gate_start_s", "gate_end_s")
        self.noise_gate = self._gate("noise_gate_start_s", "noise_gate_end_s")
        self.gate_samples = self.gate[1] - self.gate[0]
        self.gate_s = self.gate_samples / self.fs_hz
        self.segments = segments(self.gate_samples, self.n, self.overlap)
        if self.segments < 2:
            raise Fault(f"the gate holds {self.segments} segments of {self.n} samples")
        multiples = {
            "fundamental": [1.0],
            "harmonic": bands["harmonics"],
            "ultraharmonic": bands["ultraharmonics"],
            "subharmonic": [0.5] if bands["subharmonic"] else [],
        }
        self.lines = {q: [self._line(h) for h in hs] for q, hs in multiples.items()}
        self.broadband = self._broadband()
        silence = self.noise_gate[1] - self.noise_gate[0]
        self.noise_n = noise_segment_samples(silence, self.n, self.overlap)
        if self.noise_n:
            self.noise_bins = self._noise_bins()

    def _gate(self, start, end):
        r = self.config["receive"]
        return tuple(half_even((r["pretrigger_s"] + r[key]) * r["sample_rate_hz"]) for key in (start, end))

    def _all_bins(self):
        return np.arange(self.n // 2 + 1)

    def _open(self, k, df_hz, guard=True):
        """Bins outside every notch and, with guard, away from every multiple of f0/2."""
        bands = self.config["bands"]
        keep = np.ones(len(k), bool)
        for low, high in bands.get("notches_hz", []):
            keep &= (k < low / df_hz - SLACK_BINS) | (k > high / df_hz + SLACK_BINS)
        if guard:
            half = self.f0_hz / 2 / df_hz
            nearest = np.maximum(np.rint(k / half), 1)
            # The multiple next to the nearest one is farther off by construction, except below the first.
            keep &= np.abs(k - nearest * half) >= bands["guard_half_width_hz"] / df_hz - SLACK_BINS
        return keep

    def _line(self, multiple):
        bands, k = self.config["bands"], self._all_bins()
        away = np.abs(k - multiple * self.f0_hz / self.df_hz)
        near = away <= bands["line_half_width_hz"] / self.df_hz + SLACK_BINS
        flank = away <= bands["flank_half_width_hz"] / self.df_hz + SLACK_BINS
        flanks = k[flank & self._open(k, self.df_hz)]
        centre = multiple * self.f0_hz / self.df_hz
        if min(np.sum(flanks < centre), np.sum(flanks > centre)) < 8:
            flanks = flanks[:0]
        return Line(multiple, k[near], flanks)

    def _inside(self, k, df_hz, pairs):
        inside = np.zeros(len(k), bool)
        for low, high in pairs:
            inside |= (k >= low / df_hz - SLACK_BINS) & (k <= high / df_hz + SLACK_BINS)
        return inside

    def _broadband(self):
        k = self._all_bins()
        pairs = self.config["bands"]["broadband_hz"]
        return k[self._inside(k, self.df_hz, pairs) & self._open(k, self.df_hz)]

    def _noise_bins(self):
        k, df_hz = np.arange(self.noise_n // 2 + 1), self.fs_hz / self.noise_n
        default = [0.02 * self.fs_hz / 2, 0.95 * self.fs_hz / 2]
        pair = self.config["bands"].get("noise_band_hz", default)
        return k[self._inside(k, df_hz, [pair]) & self._open(k, df_hz, guard=False)]

    def highest_multiple(self):
        """h_max of §10."""
        return max(line.multiple for q in ("fundamental", *LINES) for line in self.lines[q])


def degrees_of_freedom_k(n, hop, m_segments, bins, window):
    """K of §4 for a set of bins under a white floor, so that a band's power has 2K degrees."""
    w = signal.get_window(SCIPY_WINDOW[window], n)
    bins = np.asarray(bins)
    apart = bins[:, None] - bins[None, :]
    total = 0.0
    for m in range(m_segments):
        if m * hop >= n:
            break
        product = np.zeros(n)
        product[: n - m * hop] = w[: n - m * hop] * w[m * hop :]
        c2 = np.abs(np.fft.fft(product) / np.sum(w * w)) ** 2
        # m and −m weigh alike.
        total += (1 if m == 0 else 2) * (1 - m / m_segments) * np.sum(c2[apart % n])
    return len(bins) ** 2 * m_segments / total


# --- §3–§5, §10: one pulse on one channel ---------------------------------------------------------


@dataclass
class Reading:
    """What one channel heard in one pulse. Without numbers, `conditions` says why."""

    conditions: list
    clipped_share: float = None
    spectrum: np.ndarray = None
    power_v2: dict = field(default_factory=dict)
    net_v2: dict = field(default_factory=dict)
    lam_db: dict = field(default_factory=dict)
    broadband_v2_per_hz: float = None
    noise_v2_per_hz: float = None
    drive_contrast_db: float = None
    drive_hz: float = None
    contrast_ratio: dict = field(default_factory=dict)

    @property
    def heard(self):
        return bool(self.power_v2)


def longest_run(flags):
    """Length of the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(int), [0]))))
    return int(np.max(edges[1::2] - edges[::2])) if len(edges) else 0


def line_powers(plan, s):
    """Powers, net powers, λ of the line quantities and the contrasts per line (§4, §5)."""
    power, net, lam, ratio = {}, {}, {}, {}
    for quantity, lines in plan.lines.items():
        if not lines:
            continue
        per_line = [np.sum(s[line.bins]) * plan.df_hz for line in lines]
        floor = [
            len(line.bins) * plan.df_hz * np.mean(s[line.flanks]) if len(line.flanks) else np.nan
            for line in lines
        ]
        power[quantity] = sum(per_line)
        net[quantity] = sum(p - f for p, f in zip(per_line, floor))
        lam[quantity] = np.mean([10 * np.log10(p / f) for p, f in zip(per_line, floor)])
        ratio[quantity] = sum(per_line) / sum(floor)
    return power, net, lam, ratio


def drive_estimate(plan, s):
    """f̂: the largest bin within ±10 % of f0, refined by the three-point Hann formula (§4; checks E)."""
    k = np.arange(len(s))
    near = k[np.abs(k * plan.df_hz - plan.f0_hz) <= 0.1 * plan.f0_hz]
    top = near[np.argmax(s[near])]
    a, b, c = np.sqrt(s[top - 1 : top + 2])
    return (top + 2 * (c - a) / (a + 2 * b + c)) * plan.df_hz


def measure(plan, counts, volts_per_count, *, float_format=False, trigger=None, lost=False):
    """Reading of one pulse on one channel; `counts` begins at the pulse's first sample."""
    receive = plan.config["receive"]
    shift = 0 if trigger is None else trigger - half_even(receive["pretrigger_s"] * plan.fs_hz)
    start, end = plan.gate[0] + shift, plan.gate[1] + shift
    if lost:
        return Reading(["samples lost"])
    if start < 0 or end > len(counts):
        return Reading(["gate incomplete"])
    in_gate = np.asarray(counts[start:end], float)
    if not np.all(np.isfinite(in_gate)):
        return Reading(["not finite"])
    x = in_gate * volts_per_count
    s = welch(x, plan.fs_hz, plan.n, plan.window, plan.overlap)
    power, net, lam, ratio = line_powers(plan, s)
    density = np.mean(s[plan.broadband])
    power["broadband"] = np.sum(s[plan.broadband]) * plan.df_hz
    net["broadband"] = power["broadband"]
    noise = noise_density(plan, counts, volts_per_count, shift)
    lam["broadband"] = 10 * np.log10(density / noise if noise else power["broadband"])
    low, high = receive["full_scale_counts"]
    at_stop = (in_gate <= low) | (in_gate >= high)
    reading = Reading([], np.mean(at_stop), s, power, net, lam, density, noise)
    reading.contrast_ratio = ratio
    reading.drive_contrast_db = lam["fundamental"]
    reading.drive_hz = drive_estimate(plan, s)
    reading.conditions = own_conditions(plan, x, at_stop, volts_per_count, float_format, reading)
    return reading


def noise_density(plan, counts, volts_per_count, shift=0):
    """Mean density of the noise gate over the noise band in V²/Hz (§5); None without one."""
    if plan.noise_n is None:
        return None
    silence = np.asarray(counts[plan.noise_gate[0] + shift : plan.noise_gate[1] + shift], float)
    s = welch(silence * volts_per_count, plan.fs_hz, plan.noise_n, plan.window, plan.overlap)
    return np.mean(s[plan.noise_bins])


def own_conditions(plan, x, at_stop, volts_per_count, float_format, reading):
    """Those conditions of §10 that need no baseline, in its order."""
    found = []
    dead = np.var(x) == 0 if float_format else np.var(x) < volts_per_count**2 / 12
    if dead:
        found.append("dead channel")
    if longest_run(at_stop) >= 3 or np.mean(at_stop) > 1e-4:
        found.append("clipped")
    if reading.drive_contrast_db >= 10:
        third = len(x) // 3
        first, last = (tone_power(part, plan.f0_hz, plan.fs_hz) for part in (x[:third], x[-third:]))
        if 10 * np.log10(last / first) <= -1.5:
            found.append("drive cut short")
        off_hz = plan.highest_multiple() * abs(reading.drive_hz - plan.f0_hz)
        if off_hz > plan.config["bands"]["line_half_width_hz"] / 2:
            found.append("drive frequency")
    return found


# --- §7: limits ----------------------------------------------------------------------------------


def budget_alpha(false_alarms, expected_pulses, pairs):
    """α of §7 for one pulse and one pair."""
    return -np.expm1(np.log1p(-false_alarms / 2) / (expected_pulses * pairs))


@dataclass
class Spread:
    """Serial correlation and spread of a baseline series, single or pooled from two (§6, §7)."""

    n: int
    mean: float
    s: float
    r1: float
    weight: list  # (share, n_i) of the mean: [(1, n)] or [(1 − u, n₁), (u, n₂)]

    @property
    def groups(self):
        return len(self.weight)

    @property
    def phi(self):
        n, r1 = self.n, self.r1
        return min(max(r1 + (1 + 3 * r1) / n + np.sqrt((1 - r1**2) / n), 0.0), 0.95)

    @property
    def f(self):
        return (1 - self.phi) / (1 + self.phi)

    @property
    def nu(self):
        """ν_s; one degree more is lost where two series are pooled."""
        return max(self.n * (1 - self.phi**2) / (1 + self.phi**2), 3) - self.groups

    @property
    def c(self):
        n, g = self.n, self.groups
        return np.sqrt((n - g) / max(n - g / self.f, (n - g) / 4))

    def mean_variance(self, f):
        """Variance of the mean in units of s²: 1/(n·f), interpolated Σ share²/(n_i·f)."""
        return sum(share**2 / (n_i * f) for share, n_i in self.weight)


def lag1(y):
    """Lag-1 autocorrelation of a series about its mean."""
    d = np.asarray(y) - np.mean(y)
    below = np.sum(d * d)
    return float(np.sum(d[1:] * d[:-1]) / below) if below > 0 else 0.0


def spread_of(y):
    """Spread of one series of λ in order of arrival."""
    return Spread(len(y), np.mean(y), np.std(y, ddof=1), lag1(y), [(1.0, len(y))])


def pooled(a, b, u):
    """Spread between two neighbouring drives, u of the way in log drive (§6)."""
    n = a.n + b.n
    s = np.sqrt(((a.n - 1) * a.s**2 + (b.n - 1) * b.s**2) / (n - 2))
    r1 = (a.n * a.r1 + b.n * b.r1) / n
    return Spread(n, (1 - u) * a.mean + u * b.mean, s, r1, [(1 - u, a.n), (u, b.n)])


def single_limit_db(spread, alpha):
    """Limit over the baseline mean for one pulse: t_{1−α,ν}·c·s·√(1 + 1/(n·f)) (§7)."""
    t = stats.t.isf(alpha, spread.nu)
    return t * spread.c * spread.s * np.sqrt(1 + spread.mean_variance(spread.f))


@functools.cache
def gauss_legendre():
    """Nodes and weights of 240 points on −1 … 1."""
    return np.polynomial.legendre.leggauss(240)


def k_m_of_n(m, n_looks, alpha, mean_variance, nu, c=1.0):
    """k of the m-of-n limit m + k·s (§7), by own quadrature over the baseline's mean and spread.

    σ̂ is the observed s in units of the true σ. Serial correlation makes it small by the factor c, so
    ν·c²·σ̂² is χ² with ν degrees, in keeping with the pulse test: 1 of 1 gives t·c·√(1 + 1/(n·f)).
    """
    node, weight = gauss_legendre()
    z = 9 * node
    z_weight = 9 * weight * stats.norm.pdf(z)
    low, high = np.log(stats.chi2.ppf(1e-16, nu)), np.log(stats.chi2.isf(1e-16, nu))
    v = 0.5 * (high - low) * node + 0.5 * (high + low)
    chi2 = np.exp(v)
    v_weight = 0.5 * (high - low) * weight * stats.chi2.pdf(chi2, nu) * chi2
    spread = np.sqrt(chi2 / nu) / c

    def false_alarm(k):
        p = stats.norm.sf(np.sqrt(mean_variance) * z[:, None] + k * spread[None, :])
        return z_weight @ special.bdtrc(m - 1, n_looks, p) @ v_weight

    # The tiny addend keeps the logarithm finite far out, where few degrees of freedom put k.
    log_ratio = lambda k: np.log((false_alarm(k) + 1e-300) / alpha)
    high = 8.0
    while log_ratio(high) > 0:
        high *= 4
    return optimize.brentq(log_ratio, -20.0, high, xtol=1e-11, rtol=1e-12)


def rule_limit_db(spread, alpha, m, n_looks):
    """Limit over the baseline mean for an m-of-n rule (§7)."""
    if (m, n_looks) == (1, 1):
        return single_limit_db(spread, alpha)
    return spread.s * k_m_of_n(m, n_looks, alpha, spread.mean_variance(spread.f), spread.nu, spread.c)


def f_limit(plan, quantity, alpha):
    """Limit of the contrast ratio R without a baseline, with the floor allowance (§7)."""
    hop = plan.n - overlap_samples(plan.n, plan.overlap)
    k_line, k_flank = (
        sum(
            degrees_of_freedom_k(plan.n, hop, plan.segments, bins, plan.window)
            for bins in ([getattr(line, part) for line in plan.lines[quantity]])
        )
        for part in ("bins", "flanks")
    )
    allowance = 10 ** (plan.config["detect"]["floor_allowance_db"] / 10)
    return stats.f.isf(alpha, 2 * k_line, 2 * k_flank) * allowance


def hear_db(spread, limit_db, delta_db):
    """Detection limit of one pulse, in dB over the baseline (§9, first formula)."""
    df = spread.n - spread.groups
    return limit_db + delta_db + stats.t.ppf(0.9, df) * spread.s * np.sqrt(1 + spread.mean_variance(1.0))
