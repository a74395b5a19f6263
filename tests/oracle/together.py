"""Reference implementation of cumulative detection, for the tests: what many pulses say together.

§8 and the cumulative part of §9 of the method page, from that page alone, in float64 with NumPy and
SciPy. A series is one exposure × baseline drive × channel × quantity; its values are deviations of the
detection level λ from the baseline's mean, lowered by δ, in dB.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import integrate, special, stats

from method import gauss_legendre, half_even

# §8: variance of the half-normal prior on the effect, in squared standard deviations.
G = 0.5
# §9: what takes the place of the normal 1.28 of nine in ten, because every earlier look counts too.
LOOKS = 0.9
ONSETS = 7


def log_student_cdf(nu, x):
    """ln T_ν(x), also far down where T itself is 0 in double precision.

    There by the incomplete beta function as a series: T(−x) = I_y(ν/2, ½)/2, y = ν/(ν + x²), and
    I_y(a, b) = y^a/(a·B(a, b)) · ₂F₁(a, 1 − b; a + 1; y).
    """
    nu, x = np.broadcast_arrays(nu, x)
    a, far = nu / 2, np.minimum(x, -5.0)
    y = nu / (nu + far * far)
    series = a * np.log(y) - np.log(2 * a) - special.betaln(a, 0.5) + np.log(special.hyp2f1(a, 0.5, a + 1, y))
    return np.where(x < -5, series, np.log(special.stdtr(nu, np.maximum(x, -5.0))))


def log_e_value(n, p, t, f=1.0, g=G):
    """ln e of §8 by its closed form; n, p numbers of pulses, t the statistic with N = f·n·p/(n + p)."""
    nu, ng = n + p - 2, f * n * p / (n + p) * g
    x = t * np.sqrt(ng / (1 + ng)) * np.sqrt((nu + 1) / (nu + t * t / (1 + ng)))
    shrunk = np.log1p(t * t / nu) - np.log1p(t * t / (nu * (1 + ng)))
    return np.log(2) + log_student_cdf(nu + 1, x) - 0.5 * np.log1p(ng) + 0.5 * (nu + 1) * shrunk


def log_e_from(n, s, f, z, onset):
    """ln e_s of §8 for values z (last axis: pulses so far) with the first `onset` in the baseline.

    The baseline is n values with mean 0 and standard deviation s. It is 0 until there is a pulse after
    the onset.
    """
    before, after = z[..., :onset], z[..., onset:]
    if after.shape[-1] == 0:
        return np.zeros(z.shape[:-1])
    n_before, p = n + before.shape[-1], after.shape[-1]
    mean_before = np.sum(before, axis=-1) / n_before
    # Sum of squares about the common mean of n values with mean 0 and of the first exposure pulses.
    squares = (n - 1) * s**2 + np.sum(before**2, axis=-1) - n_before * mean_before**2
    mean_after = np.mean(after, axis=-1)
    squares = squares + np.sum((after - mean_after[..., None]) ** 2, axis=-1)
    pooled = np.sqrt(squares / (n_before + p - 2))
    t = (mean_after - mean_before) * np.sqrt(f * n_before * p / (n_before + p)) / pooled
    return log_e_value(n_before, p, t, f)


def onset_weights(expected_pulses, known, referenced=True):
    """Onsets with their weights, and the weight kept for an injection mark (§8).

    `known`: an injection was known before the first pulse, so that its share goes to s = 0.
    """
    if not referenced:
        return ([(0, 1.0)], 0.0) if known else ([(0, 0.5)], 0.5)
    first, kept = (0.5, 0.0) if known else (0.25, 0.25)
    eighths = [half_even(k * expected_pulses / (ONSETS + 1)) for k in range(1, ONSETS + 1)]
    return [(0, first)] + [(s, 0.5 / ONSETS) for s in eighths], kept


def log_mixture(n, s, f, z, onsets, kept=0.0):
    """ln E of §8; `kept` is weight that counts as 1."""
    terms = [log_e_from(n, s, f, z, onset) for onset, _ in onsets]
    terms.append(np.zeros(z.shape[:-1]))
    weights = np.array([weight for _, weight in onsets] + [kept])
    return special.logsumexp(np.stack(terms, axis=-1), axis=-1, b=weights)


def interval_t(n, p, f, a=0.05, g=G):
    """t_a of §8: the half width of the always-valid interval in units of s_p/√N."""
    nu, one = n + p - 2, 1 + f * n * p / (n + p) * g
    w = (np.sqrt(one) / a) ** (2 / (nu + 1))
    return np.sqrt(nu * (w - 1) / (1 - w / one)) if w < one else np.inf


def hear_together_db(n, p, f, s, delta_db, threshold, g=G):
    """L_p of §9 in dB; s the pooled standard deviation, threshold A = 2·B·L/(q·w₀)."""
    nu, big_n = n + p - 2, f * n * p / (n + p)
    one = 1 + big_n * g
    w = (0.5 * threshold * np.sqrt(one)) ** (2 / (nu + 1))
    if w >= one:
        return np.inf
    t = np.sqrt(nu * (w - 1) / (1 - w / one))
    return delta_db + s * (t + LOOKS * np.sqrt(1 + t * t / (2 * nu))) / np.sqrt(big_n)


def hear_ever_db(n, f, s, delta_db, threshold, g=G):
    """L_∞ of §9: N = f·n and without end many degrees of freedom."""
    one = 1 + f * n * g
    t = np.sqrt(2 * np.log(0.5 * threshold * np.sqrt(one)) / (1 - 1 / one))
    return delta_db + s * (t + LOOKS) / np.sqrt(f * n)


@dataclass
class Series:
    """One channel and quantity at one baseline drive, over one exposure."""

    spread: object  # method.Spread of the drive's own baseline
    onsets: list
    kept: float
    z: list = field(default_factory=list)
    log_e: list = field(default_factory=list)  # after each of its pulses

    @property
    def first_weight(self):
        """w₀ of §9."""
        return self.onsets[0][1]

    def mark(self):
        """The first injection mark takes hold with the next pulse; no later one counts."""
        if self.kept:
            self.onsets, self.kept = [*self.onsets, (len(self.z), self.kept)], 0.0

    def take(self, value):
        """Takes a pulse; ln E from then on."""
        self.z.append(value)
        s = self.spread
        now = log_mixture(s.n, s.s, s.f, np.array(self.z), self.onsets, self.kept)
        self.log_e.append(float(now))
        return self.log_e[-1]

    @property
    def pooled_s(self):
        """s_p."""
        z, s = np.array(self.z), self.spread
        squares = (s.n - 1) * s.s**2 + np.sum((z - np.mean(z)) ** 2)
        return np.sqrt(squares / (s.n + len(z) - 2))

    def excess_db(self):
        """z̄ − ȳ, lowered by δ."""
        return float(np.mean(self.z))

    def within_db(self, a=0.05):
        """Half width of its always-valid interval; infinite while there is none."""
        n, p, f = self.spread.n, len(self.z), self.spread.f
        return float(interval_t(n, p, f, a) * self.pooled_s / np.sqrt(f * n * p / (n + p)))

    def hear_db(self, delta_db, threshold):
        """L_p after the pulses so far."""
        s = self.spread
        return hear_together_db(s.n, len(self.z), s.f, self.pooled_s, delta_db, threshold / self.first_weight)


# --- the same by another road ---------------------------------------------------------------------


def noncentral_t_density(t, nu, nc):
    """Density of the noncentral t from its definition: a normal over an independent χ/√ν, by quadrature.

    SciPy's own (scipy.stats.nct.pdf) loses digits or fails where t and nc are far apart and ν is large.
    """
    node, weight = gauss_legendre()
    reach = 13 / np.sqrt(2 * nu)
    low, high = max(1 - reach, 0.0), 1 + reach
    u = 0.5 * (high - low) * node + 0.5 * (high + low)
    spread = stats.chi.pdf(u * np.sqrt(nu), nu) * np.sqrt(nu) * 0.5 * (high - low) * weight
    return float(np.sum(u * stats.norm.pdf(t * u - nc) * spread))


def e_value_by_quadrature(n, p, t, f=1.0, g=G, density=stats.nct.pdf):
    """e of §8 from its definition: noncentral-t densities under a half-normal prior, over the central t.

    The integrand is split where noncentral density and prior have their weight, and ends 12 standard
    deviations from the statistic, or 12 of the prior.
    """
    nu, big_n = n + p - 2, f * n * p / (n + p)
    prior = lambda d: 2 * stats.norm.pdf(d, scale=np.sqrt(g))
    ratio = lambda d: prior(d) * density(t, nu, d * np.sqrt(big_n)) / stats.t.pdf(t, nu)
    centre, width, last = max(t, 0.0) / np.sqrt(big_n), 1 / np.sqrt(big_n), 12 * np.sqrt(g)
    edges = sorted({float(np.clip(centre + k * width, 0.0, last)) for k in (-12, -6, -3, 0, 3, 6, 12)})
    parts = [integrate.quad(ratio, a, b, epsabs=0.0, epsrel=1e-10)[0] for a, b in zip(edges, edges[1:])]
    return sum(parts)
