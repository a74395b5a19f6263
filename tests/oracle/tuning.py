"""Reference implementation of the tuning numbers, for the tests: rows of pulses.csv to tuning.json.

Written from the project's method page (§6, §7, §12) and the words of `simmer tune` alone, with NumPy and
SciPy, without a look at the Rust code, so that the two can disagree. λ is a row's `*_contrast_db`, the
deviation D its level over the mean of the quiet pulses at the same target, channel and drive. δ is the
quantity's repeatability. Drives in MPa, levels in dB.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import optimize, special, stats

from judge import ORDER
from method import QUANTITIES, budget_alpha

CONFIDENCE = 0.95
# Fewer quiet pulses at a drive give no limit there (§6).
LEAST_PULSES = 10
# Below this the shape of the tail is not taken for normal.
TAIL_P = 0.01
MOST_ROC_POINTS = 401
MOST_LOOKS = 16


# --- limits --------------------------------------------------------------------------------------


def share_per_pulse(alpha, m, looks):
    """p with P(Bin(looks, p) ≥ m) = α, by the incomplete beta function's inverse."""
    return float(special.betaincinv(m, looks - m + 1, alpha))


def tolerance_factor(n, dof, share, confidence=CONFIDENCE):
    """k with P(a share of at most `share` lies above mean + k·s) = confidence: mean of n, s with dof."""
    return float(stats.nct.ppf(confidence, dof, stats.norm.isf(share) * np.sqrt(n)) / np.sqrt(n))


def clopper_pearson(k, n, confidence=CONFIDENCE):
    """Two-sided interval of a share (Clopper & Pearson 1934)."""
    tail = (1 - confidence) / 2
    low = stats.beta.ppf(tail, k, n - k + 1) if k > 0 else 0.0
    high = stats.beta.isf(tail, k + 1, n - k) if k < n else 1.0
    return float(low), float(high)


def share_upper(k, n, confidence=CONFIDENCE):
    """One-sided upper bound of a share; at k = 0 it is 1 − (1 − confidence)^(1/n), about 3/n."""
    return float(stats.beta.ppf(confidence, k + 1, n - k)) if k < n else 1.0


def bartlett_p(groups):
    """Whether the spreads of several series could be one (Bartlett 1937); None for a single series."""
    if len(groups) < 2:
        return None
    dof = np.array([len(g) - 1 for g in groups])
    variance = np.array([np.var(g, ddof=1) for g in groups])
    pooled = np.sum(dof * variance) / np.sum(dof)
    above = np.sum(dof) * np.log(pooled) - np.sum(dof * np.log(variance))
    below = 1 + (np.sum(1 / dof) - 1 / np.sum(dof)) / (3 * (len(groups) - 1))
    return float(stats.chi2.sf(above / below, len(groups) - 1))


def anderson_darling_p(x):
    """Normality with mean and spread estimated: A² by Stephens' correction, p by D'Agostino & Stephens 1986."""
    x, n = np.sort(np.asarray(x, float)), len(x)
    z = (x - np.mean(x)) / np.std(x, ddof=1)
    i = np.arange(1, n + 1)
    a2 = -n - np.mean((2 * i - 1) * (special.log_ndtr(z) + special.log_ndtr(-z[::-1])))
    a = a2 * (1 + 0.75 / n + 2.25 / n**2)
    if a < 0.2:
        p = 1 - np.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    elif a < 0.34:
        p = 1 - np.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    elif a < 0.6:
        p = np.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    else:
        # The parabola turns up again far out, where p has long been nothing.
        p = np.exp(1.2937 - 5.709 * a + 0.0186 * a**2) if a < 13 else 0.0
    return float(p)


def grubbs_p(g, n):
    """Chance of so high a largest of n, in standard deviations over the mean (Grubbs 1950, one-sided)."""
    below = (n - 1) ** 2 - n * g * g
    if below <= 0:
        return 0.0
    return float(min(1.0, n * stats.t.sf(g * np.sqrt(n * (n - 2) / below), n - 2)))


def proposed_rule(rate, alpha):
    """Smallest n, then smallest m, with P(Bin(n, rate) ≥ m) ≤ α; None up to 16 looks."""
    for looks in range(1, MOST_LOOKS + 1):
        for m in range(1, looks + 1):
            if stats.binom.sf(m - 1, looks, rate) <= alpha:
                return f"{m} of {looks}"
    return None


@dataclass
class Limit:
    """An operating limit over the mean of the quiet pulses, and what it stands on."""

    limit_db: float
    origin: str
    share: float
    k: float
    sd_db: float
    dof: float
    pooled: bool
    bartlett_p: float
    normality_p: float
    largest_p: float
    over: int
    of: int
    share_upper: float
    # Whether the share of single pulses that is wanted lies below what the pulses themselves can show.
    extrapolated: bool
    rule: str
    drives: list  # (key, pulses, mean, sd, limit), ascending


def limit_of(groups, alpha, m, looks):
    """Limit from quiet λ, {(target, drive): series}; None when no drive has enough pulses."""
    kept = {key: np.asarray(g, float) for key, g in sorted(groups.items()) if len(g) >= LEAST_PULSES}
    if not kept:
        return None
    share, series = share_per_pulse(alpha, m, looks), list(kept.values())
    equal_p = bartlett_p(series)
    pooled = equal_p is None or equal_p >= 0.05
    n, total = np.array([len(g) for g in series]), sum(map(len, series))
    mean, sd = np.array([np.mean(g) for g in series]), np.array([np.std(g, ddof=1) for g in series])
    dof = np.full(len(n), total - len(n)) if pooled else n - 1
    if pooled:
        s = np.full(len(n), np.sqrt(np.sum((n - 1) * sd**2) / (total - len(n))))
    else:
        s = sd
    k = np.array([tolerance_factor(a, b, share) for a, b in zip(n, dof)])
    deviation = np.concatenate([g - at for g, at in zip(series, mean)])
    standard = np.concatenate([(g - at) / width for g, at, width in zip(series, mean, s)])
    # Grubbs' test is of the standardised residuals as one series, over their own mean and spread.
    highest = (np.max(standard) - np.mean(standard)) / np.std(standard, ddof=1)
    normality_p, largest_p = anderson_darling_p(standard), grubbs_p(highest, total)
    each = k * s
    worst = int(np.argmax(each))
    limit_db, origin, factor = float(each[worst]), "tolerance", float(k[worst])
    if min(normality_p, largest_p) < TAIL_P:
        # It stands on no factor and on no tail then.
        limit_db, origin, factor = float(np.max(deviation)), "largest quiet pulse", None
        if not pooled:
            # Pulses of quieter drives say nothing of the drive that has the largest.
            own = [g - at for g, at in zip(series, mean)]
            deviation = max(own, key=np.max)
            total = len(deviation)
    over = int(np.sum(deviation > limit_db))
    upper = share_upper(over, total)
    drives = [(key, len(g), at, width, lim) for (key, g), at, width, lim in zip(kept.items(), mean, sd, each)]
    return Limit(
        limit_db, origin, share, factor, float(s[worst]), float(dof[worst]), pooled, equal_p, normality_p,
        largest_p, over, total, upper, bool(factor is not None and share < upper), None, drives,
    )  # fmt: skip


# --- ROC -----------------------------------------------------------------------------------------


@dataclass
class Area:
    """Area under the ROC with its intervals."""

    auc: float
    lo: float
    hi: float
    hanley_mcneil: tuple
    delong_se: float
    hanley_mcneil_se: float


def auc_of(quiet, bubbles):
    """Mann–Whitney U/(n₁n₂), ties half; DeLong 1988 and Hanley & McNeil 1982, normal, clipped to 0 … 1."""
    quiet, bubbles = np.asarray(quiet, float), np.asarray(bubbles, float)
    n, m = len(quiet), len(bubbles)
    wins = np.sign(bubbles[:, None] - quiet[None, :]) / 2 + 0.5
    auc = float(np.mean(wins))
    spread = lambda x: np.var(x, ddof=1) / len(x) if len(x) > 1 else np.nan
    delong = np.sqrt(spread(np.mean(wins, axis=1)) + spread(np.mean(wins, axis=0)))
    q1, q2 = exponential_q(auc)
    hanley = np.sqrt((auc * (1 - auc) + (m - 1) * (q1 - auc**2) + (n - 1) * (q2 - auc**2)) / (m * n))
    z = float(stats.norm.ppf(0.5 + CONFIDENCE / 2))
    clipped = lambda se: (max(auc - z * se, 0.0), min(auc + z * se, 1.0))
    if auc == 1.0:
        # All pairs concordant: neither formula has a spread, so the bound is that of independent pairs.
        low = 0.025 ** (1 / min(n, m))
        return Area(auc, low, 1.0, (low, 1.0), 0.0, 0.0)
    return Area(auc, *clipped(float(delong)), clipped(float(hanley)), float(delong), float(hanley))


def exponential_q(auc):
    """Q₁ and Q₂ by the exponential law: that two bubbles pulses beat one quiet one, and one beats two quiet ones.

    Hanley & McNeil advise it where there are measurements and no table of ratings.
    """
    return auc / (2 - auc), 2 * auc**2 / (1 + auc)


def rating_q(wins):
    """Q₁ and Q₂ counted, as in Hanley & McNeil's worked table of ratings, where ties count by thirds.

    A win scores 1, a tie ½; two ties score ⅓, a tie and a win ½.
    """
    def pairs(axis):
        won, tied = (np.sum(wins == x, axis=axis) for x in (1.0, 0.5))
        count = wins.shape[axis]
        return float(np.mean(won**2 + won * tied + tied**2 / 3) / count**2)

    return pairs(0), pairs(1)


def roc_points(quiet, bubbles):
    """Every point of the ROC, (false share, found share), from (0, 0) to (1, 1)."""
    marks = np.unique(np.concatenate([quiet, bubbles]))[::-1]
    share = lambda x: np.concatenate([[0.0], np.mean(np.asarray(x)[None, :] >= marks[:, None], axis=1)])
    return list(zip(share(quiet).tolist(), share(bubbles).tolist()))


def predictive_values(sensitivity, specificity, prevalence):
    """Positive and negative predictive value."""
    found, false = sensitivity * prevalence, (1 - specificity) * (1 - prevalence)
    missed, free = (1 - sensitivity) * prevalence, specificity * (1 - prevalence)
    return found / (found + false), free / (free + missed)


# --- onset ---------------------------------------------------------------------------------------


@dataclass
class Onset:
    """Detection share over drive: the counts, the fit on ln(drive), and what it says."""

    drives: list  # (drive, pulses, over), ascending
    fit: str = "none"
    why: str = ""
    b: tuple = (None, None)
    covariance: np.ndarray = None  # inverse information, not scaled
    deviance: float = None
    pearson: float = None
    dof: int = None
    scale: float = None
    separated: bool = False
    bracket_mpa: tuple = None
    at: dict = field(default_factory=dict)  # 0.5, 0.9 → (drive, profile lo, hi, delta lo, hi)


class Logistic:
    """Grouped binomial data and their (penalised) log likelihood in intercept and slope."""

    def __init__(self, x, n, r, penalised=False):
        self.x, self.n, self.r = (np.asarray(v, float) for v in (x, n, r))
        self.penalised = penalised
        # About the mean, so that the two parameters hardly depend on each other.
        self.centre = np.sum(self.n * self.x) / np.sum(self.n)

    def log_likelihood(self, a, slope):
        """With η = a + slope·(x − centre), without the binomial coefficients; for arrays of lines as well."""
        eta = np.asarray(a)[..., None] + np.asarray(slope)[..., None] * (self.x - self.centre)
        value = np.sum(self.r * eta - self.n * np.logaddexp(0, eta), axis=-1)
        if self.penalised:
            value = value + 0.5 * np.log(np.linalg.det(self.information(a, slope)))
        return value

    def information(self, a, slope):
        """Fisher's information of the two parameters."""
        eta = np.asarray(a)[..., None] + np.asarray(slope)[..., None] * (self.x - self.centre)
        w, d = self.n * special.expit(eta) * special.expit(-eta), self.x - self.centre
        v00, v01, v11 = (np.sum(w * d**k, axis=-1) for k in (0, 1, 2))
        return np.stack([np.stack([v00, v01], -1), np.stack([v01, v11], -1)], -2)

    def fit(self):
        """Maximum: Newton on the score, Firth's added to it when penalised, with halved steps."""
        at = np.array([special.logit((np.sum(self.r) + 0.5) / (np.sum(self.n) + 1)), 0.0])
        d = self.x - self.centre
        design = np.stack([np.ones_like(d), d])
        for _ in range(200):
            p = special.expit(at @ design)
            information = self.information(*at)
            residual = self.r - self.n * p
            if self.penalised:
                w = self.n * p * (1 - p)
                leverage = w * np.einsum("ij,ik,kj->j", design, np.linalg.inv(information), design)
                # Firth 1993: h·(½ − p) for each group, h its share of the two parameters.
                residual = residual + leverage * (0.5 - p)
            step = np.linalg.solve(information, design @ residual)
            before = self.log_likelihood(*at)
            while self.log_likelihood(*(at + step)) < before - 1e-12 and np.max(np.abs(step)) > 1e-13:
                step = step / 2
            at = at + step
            if np.max(np.abs(step)) < 1e-12 * (1 + np.max(np.abs(at))):
                break
        return at

    def best_through(self, x, eta):
        """Largest log likelihood of the lines with the given η at x, over their slope."""
        loss = lambda slope: -self.log_likelihood(eta - slope * (x - self.centre), slope)
        reach = 40 / max(np.max(np.abs(self.x - x)), 1e-9)
        # Log likelihoods of lines through a point have one top in the slope; find its valley by steps first.
        while True:
            grid = np.linspace(-reach, reach, 161)
            with np.errstate(divide="ignore"):
                low = int(np.argmin(loss(grid)))
            if 0 < low < len(grid) - 1:
                break
            reach *= 4
        found = optimize.minimize_scalar(
            loss, bounds=(grid[low - 1], grid[low + 1]), method="bounded", options={"xatol": 1e-10 * reach}
        )
        return -found.fun


def is_separated(n, r):
    """Whether a step at some drive explains all groups, one at the step mixed: no finite slope is best then."""
    share = np.asarray(r) / np.asarray(n)
    return any(
        np.all(share[:cut] == first) and np.all(share[cut + mixed :] == 1 - first)
        for first in (0.0, 1.0)
        for cut in range(len(share) + 1)
        for mixed in (0, 1)
    )


def onset_of(drives):
    """Fits the share over the limit, drives as (drive, pulses, over)."""
    drives = sorted(drives)
    onset = Onset(drives)
    x = np.log([d for d, _, _ in drives])
    n, r = np.array([d[1] for d in drives]), np.array([d[2] for d in drives])
    if len(drives) < 3:
        onset.why = "fewer than 3 drives"
    elif np.sum(r) == 0:
        onset.why = "none over"
    elif np.sum(r) == np.sum(n):
        onset.why = "all over"
    if onset.why:
        return onset
    separated = is_separated(n, r)
    model = Logistic(x, n, r, penalised=separated)
    a, slope = model.fit()
    # Equal shares at all drives have a slope of 0, found to the last digits.
    if slope <= 1e-9:
        onset.why = "slope not positive"
        return onset
    onset.separated = separated
    onset.fit = "firth" if separated else "maximum likelihood"
    if separated:
        none, every = np.flatnonzero(r == 0), np.flatnonzero(r == n)
        onset.bracket_mpa = (
            drives[none[-1]][0] if len(none) else drives[0][0],
            drives[every[0]][0] if len(every) else drives[-1][0],
        )
    onset.b = (a - slope * model.centre, slope)
    turn = np.array([[1.0, -model.centre], [0.0, 1.0]])
    onset.covariance = turn @ np.linalg.inv(model.information(a, slope)) @ turn.T
    p = special.expit(onset.b[0] + slope * x)
    onset.deviance = 2 * float(np.sum(special.xlogy(r, r / (n * p)) + special.xlogy(n - r, (n - r) / (n * (1 - p)))))
    onset.pearson = float(np.sum((r - n * p) ** 2 / (n * p * (1 - p))))
    onset.dof = len(drives) - 2
    onset.scale = max(1.0, onset.pearson / onset.dof)
    for share in (0.5, 0.9):
        at, low, high, *delta = drive_at(onset, model, model.log_likelihood(a, slope), share)
        # A drive ten times beyond those recorded is not known; in the gap of separated pulses nothing was looked at.
        known = lambda mpa: mpa is not None and drives[0][0] / 10 <= mpa <= drives[-1][0] * 10
        low, high = (mpa if known(mpa) else None for mpa in (low, high))
        if separated:
            low = low if low is None else min(low, onset.bracket_mpa[0])
            high = high if high is None else max(high, onset.bracket_mpa[1])
        if known(at):
            onset.at[share] = (at, low, high, *delta)
    return onset


def drive_at(onset, model, top, share):
    """The drive with that share, its profile and its delta interval; None for an end that is not there."""
    eta = special.logit(share)
    x = (eta - onset.b[0]) / onset.b[1]
    gradient = np.array([1.0, x])
    se = np.sqrt(onset.scale * gradient @ onset.covariance @ gradient) / onset.b[1]
    z = stats.norm.ppf(0.5 + CONFIDENCE / 2)
    allowed = onset.scale * stats.chi2.ppf(CONFIDENCE, 1)
    excess = lambda at: 2 * (top - model.best_through(at, eta)) - allowed

    def end(sign):
        """The first drive on this side that the data speak against: beyond the data they may fall silent again."""
        step = min(0.2 * se, 0.05)
        near, far = x, x + sign * step
        while excess(far) < 0:
            step *= 1.2
            near, far = far, far + sign * step
            if abs(far - x) > 300:
                return None
        return float(np.exp(optimize.brentq(excess, near, far, xtol=1e-11)))

    return float(np.exp(x)), end(-1), end(1), float(np.exp(x - z * se)), float(np.exp(x + z * se))


# --- from rows to numbers ------------------------------------------------------------------------


def drive_groups(drives_mpa, tolerance, opened=()):
    """The group of each drive in order of arrival: the nearest within the tolerance, at a tie the lower (§6).

    A group's value is the drive of the pulse that opened it; some may be open already.
    """
    opened, out = list(opened), []
    for d in drives_mpa:
        near = [(abs(d - g), g) for g in opened if g and abs(d - g) <= tolerance * g] if d else []
        if near:
            out.append(min(near)[1])
        else:
            if d not in opened:
                opened.append(d)
            out.append(d)
    return out


@dataclass
class Tuned:
    """Everything of one channel and quantity."""

    channel: object
    name: str
    rule: str
    delta_db: float
    n_quiet: int
    n_bubbles: int
    area: Area
    area_over: Area
    roc: list
    limit: Limit
    onset: Onset
    # The bubbles rows that count and their deviations, in order.
    rows: list
    bubbles_d: np.ndarray


def is_quiet(row):
    """Whether a row is one of the baseline: what was excluded names why in its reason."""
    return row["stage"] == "baseline" and row["reason"] == "stage baseline"


# §10: what makes an exposure pulse's silence mean nothing. A loud pulse may clip; whether there is a baseline
# is for the quiet pulses of the tuning to say.
NOT_HEARING = set(ORDER) - {"clipped", "no baseline", "drive outside baseline"}


def is_bubbles(row):
    """Whether a row is one of an exposure in which a miss means something."""
    return row["stage"] == "exposure" and not NOT_HEARING & set(row["reason"].split("; "))


def mean_at(groups, target, drive, tolerance):
    """Mean of the quiet pulses at a drive, between two drives linear in ln(drive) (§6); None without one."""
    known = sorted(d for t, d in groups if t == target)
    enough = lambda d: float(np.mean(groups[target, d])) if len(groups[target, d]) >= LEAST_PULSES else None
    for d in known:
        if abs(drive - d) <= 1e-6 * d:
            return enough(d)
    below, above = [d for d in known if d < drive], [d for d in known if d > drive]
    if below and above:
        low, high = enough(below[-1]), enough(above[0])
        u = np.log(drive / below[-1]) / np.log(above[0] / below[-1])
        return None if low is None or high is None else float((1 - u) * low + u * high)
    end = (below or above or [np.inf])[-1 if below else 0]
    return enough(end) if abs(drive - end) <= tolerance * end else None


def tune(config, quiet_rows, bubbles_rows):
    """α and the numbers of every channel and quantity: channels ascending, `all` last."""
    channels = sorted({r["channel"] for r in quiet_rows}, key=lambda c: (c == "all", c))
    detect = config["detect"]
    pairs = len(channels) * (1 + len(detect["stable_from"]))
    alpha = budget_alpha(detect["false_alarms_per_exposure"], detect["expected_pulses"], pairs)
    out = []
    for channel in channels:
        own = [[r for r in rows if r["channel"] == channel] for rows in (quiet_rows, bubbles_rows)]
        out += [tune_one(config, *own, q, alpha) for q in QUANTITIES]
    return alpha, [one for one in out if one]


def quiet_groups(rows, column, tolerance):
    """λ of the quiet pulses, {(target, drive): series}."""
    groups = {}
    for target in {r["target"] for r in rows}:
        own = [r for r in rows if r["target"] == target]
        for r, drive in zip(own, drive_groups([float(r["drive_mpa"]) for r in own], tolerance)):
            groups.setdefault((target, drive), []).append(float(r[column]))
    return groups


def tune_one(config, quiet_rows, bubbles_rows, q, alpha):
    """Numbers of one channel and quantity; None where it was never measured."""
    detect, tolerance, column = config["detect"], config["drive"]["drive_tolerance"], f"{q}_contrast_db"
    quiet = [r for r in quiet_rows if is_quiet(r) and r[column]]
    groups = quiet_groups(quiet, column, tolerance)
    mean = lambda r: mean_at(groups, r["target"], float(r["drive_mpa"]), tolerance)
    bubbles = [r for r in bubbles_rows if is_bubbles(r) and r[column] and mean(r) is not None]
    if not quiet or not bubbles:
        return None
    lam = lambda some: np.array([float(r[column]) for r in some])
    bubbles_d = lam(bubbles) - [mean(r) for r in bubbles]
    quiet_d = np.concatenate([np.asarray(g) - np.mean(g) for g in groups.values()])
    m, looks = (int(part) for part in detect["rule"][q].split(" of "))
    limit, onset = limit_of(groups, alpha, m, looks), None
    delta_db = detect["repeatability_db"][q]
    if limit:
        if limit.origin != "tolerance":
            limit.rule = proposed_rule(1 - 0.05 ** (1 / limit.of), alpha)
        counts = {}
        # Pulses at a drive of the quiet ones belong to it.
        known = dict.fromkeys(drive for _, drive in sorted(groups))
        drives = drive_groups([float(r["drive_mpa"]) for r in bubbles], tolerance, known)
        for drive, hit in zip(drives, bubbles_d - delta_db > limit.limit_db):
            n, k = counts.get(drive, (0, 0))
            counts[drive] = n + 1, k + int(hit)
        onset = onset_of([(drive, n, k) for drive, (n, k) in counts.items()])
    return Tuned(
        quiet[0]["channel"], q, detect["rule"][q], delta_db, len(quiet), len(bubbles),
        auc_of(lam(quiet), lam(bubbles)), auc_of(quiet_d, bubbles_d), roc_points(quiet_d, bubbles_d),
        limit, onset, bubbles, bubbles_d,
    )  # fmt: skip
