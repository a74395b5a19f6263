"""The mathematics of many pulses together: the oracle's closed forms against SciPy by other roads, and
what they promise against simulated series without and with bubbles."""

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from method import spread_of
from together import (
    G,
    Series,
    e_value_by_quadrature,
    hear_ever_db,
    hear_together_db,
    interval_t,
    log_e_from,
    log_e_value,
    log_mixture,
    log_student_cdf,
    noncentral_t_density,
    onset_weights,
)

# COMPUTED with SciPy: scipy.integrate.quad of scipy.stats.nct.pdf over scipy.stats.t.pdf; method page §8.
E_VALUES = [
    (10, 1, 2.5, 0.5, 2.873658255),
    (30, 120, 4.1, 0.5, 877.7090189),
    (30, 120, -1.3, 0.25, 0.1789899533),
    (100, 600, 3.3, 0.1, 81.80119923),
    (30, 5, 6.0, 1.0, 9997.501975),
]


@pytest.mark.parametrize(("n", "p", "t", "g", "wanted"), E_VALUES)
def test_the_e_value_is_the_half_normal_mean_of_noncentral_t_ratios(n, p, t, g, wanted):
    # 10 digits are printed.
    assert e_value_by_quadrature(n, p, t, g=g) == pytest.approx(wanted, rel=1e-9, abs=0.0)
    assert np.exp(log_e_value(n, p, t, g=g)) == pytest.approx(wanted, rel=1e-9, abs=0.0)


def test_the_noncentral_density_is_scipys_where_that_holds():
    # COMPUTED with SciPy: scipy.stats.nct.pdf(t, ν, nc).
    for t, nu, nc in ((2.5, 9, 0.8), (4.1, 148, 4.0), (-1.3, 148, 0.5), (6.0, 33, 5.0), (0.0, 29, 1.0)):
        want = stats.nct.pdf(t, nu, nc)
        assert noncentral_t_density(t, nu, nc) == pytest.approx(want, rel=1e-10, abs=0.0)


@pytest.mark.parametrize("f", [1.0, 0.6, 0.05])
@pytest.mark.parametrize(("n", "p"), [(30, 1), (30, 2), (31, 45), (400, 600)])
def test_closed_form_and_quadrature_agree_also_under_serial_correlation(n, p, f):
    for t in (-3.0, 0.0, 0.7, 2.9, 5.5):
        want = e_value_by_quadrature(n, p, t, f, density=noncentral_t_density)
        assert np.exp(log_e_value(n, p, t, f)) == pytest.approx(want, rel=1e-8, abs=0.0)


@pytest.mark.parametrize(("n", "p"), [(30, 1), (30, 60), (100, 600)])
def test_without_change_an_e_value_is_one_on_average(n, p):
    # ∫ e(t)·t.pdf(t) dt = 1: a ratio of densities, weighed by the one below.
    value = lambda t: np.exp(log_e_value(n, p, t) + stats.t.logpdf(t, n + p - 2))
    pieces = ((-60, -2), (-2, 2), (2, 9), (9, 300))
    parts = [integrate.quad(value, a, b, epsabs=0.0, epsrel=1e-10)[0] for a, b in pieces]
    assert sum(parts) == pytest.approx(1.0, rel=2e-7, abs=0.0)


def test_far_down_the_tail_the_logarithm_goes_on():
    # COMPUTED with SciPy: scipy.stats.t.cdf where it is not yet 0.
    for nu, x in ((30, -5.1), (30, -40.0), (149, -12.0), (461, -60.0)):
        assert log_student_cdf(nu, x) == pytest.approx(np.log(stats.t.cdf(x, nu)), rel=1e-12)
    # 40 digits of mpmath: log(betainc(ν/2, 1/2, 0, ν/(ν + x²), regularized=True)/2).
    assert stats.t.cdf(-140.0, 461) == 0.0
    want = -873.6821936251899833
    assert log_student_cdf(461, -140.0) == pytest.approx(want, rel=1e-12)


def test_the_statistic_is_students_of_two_samples():
    rng = np.random.default_rng(71)
    y, z = rng.standard_normal(35), rng.standard_normal(20) + 0.5
    for onset in (0, 1, 7, 19):
        # COMPUTED with SciPy: scipy.stats.ttest_ind(exposure, baseline), pooled variance.
        t = stats.ttest_ind(z[onset:], np.concatenate((y, z[:onset]))).statistic
        want = log_e_value(35 + onset, 20 - onset, t)
        got = log_e_from(35, np.std(y, ddof=1), 1.0, z - np.mean(y), onset)
        assert got == pytest.approx(want, rel=1e-10, abs=1e-12)
    assert log_e_from(35, np.std(y, ddof=1), 1.0, z - np.mean(y), 20) == 0.0


def test_weights_are_one_together_and_onsets_are_rounded_half_to_even():
    for known in (True, False):
        for referenced in (True, False):
            onsets, kept = onset_weights(60, known, referenced)
            assert sum(w for _, w in onsets) + kept == pytest.approx(1.0, rel=1e-14)
    # k · 60/8 = 7.5, 15, 22.5, 30, 37.5, 45, 52.5.
    assert [s for s, _ in onset_weights(60, False)[0]] == [0, 8, 15, 22, 30, 38, 45, 52]


def first_passage(n, pulses, threshold, known, mark_at, trials, rng):
    """Share of bubble-free exposures in which E ever reaches the threshold; λ independent and normal."""
    y = rng.standard_normal((trials, n))
    z = rng.standard_normal((trials, pulses)) - np.mean(y, axis=1, keepdims=True)
    s = np.std(y, axis=1, ddof=1)
    (onsets, kept), ever = onset_weights(pulses, known), np.zeros(trials, bool)
    for p in range(1, pulses + 1):
        if p - 1 == mark_at and kept:
            onsets, kept = [*onsets, (mark_at, kept)], 0.0
        ever |= log_mixture(n, s, 1.0, z[:, :p], onsets, kept) >= np.log(threshold)
    return int(np.sum(ever))


# Clopper–Pearson, from SciPy's own documentation of binomtest: 7 of 50 at 95 %.
def test_the_interval_of_counts_is_clopper_and_pearsons():
    low, high = stats.binomtest(7, 50).proportion_ci(0.95, method="exact")
    assert (low, high) == pytest.approx((0.05819170033997342, 0.26739600249700846), abs=1e-12)


@pytest.mark.parametrize(("known", "mark_at"), [(False, None), (False, 25), (True, None)])
@pytest.mark.parametrize("a", [0.02, 0.2])
def test_bubble_free_series_rarely_reach_the_threshold_however_often_one_looks(a, known, mark_at):
    # Ville's inequality: P(ever E ≥ 1/a) ≤ a.
    trials = 3000
    hits = first_passage(30, 80, 1 / a, known, mark_at, trials, np.random.default_rng(72))
    assert stats.binomtest(hits, trials).proportion_ci(0.9999, method="exact").low <= a
    # And the promise is not empty: the mixture reaches low thresholds now and then.
    assert hits > 0


@pytest.mark.parametrize(("n", "p"), [(30, 10), (30, 120), (100, 120), (100, 600)])
def test_nine_in_ten_exposures_at_the_detection_limit_are_established(n, p):
    """§9: a steady emission at L_p, found with the serial correction of a white series' own φ."""
    trials, rng, threshold, weight, found = 0, np.random.default_rng(73), 600.0, 0.5, 0
    while trials < 1500:
        spread, z = spread_of(rng.standard_normal(n)), rng.standard_normal(p)
        limit_db = Series(spread, [(0, weight)], 0.0, list(z - spread.mean)).hear_db(0.0, threshold)
        if not np.isfinite(limit_db):
            # Few pulses after a baseline that looks correlated have no limit.
            continue
        trials += 1
        count = np.arange(1, p + 1)
        heard = z + limit_db - spread.mean
        mean = np.cumsum(heard) / count
        squares = (n - 1) * spread.s**2 + np.cumsum(heard**2) - count * mean**2
        t = mean * np.sqrt(spread.f * n * count / (n + count)) / np.sqrt(squares / (n + count - 2))
        found += np.max(log_e_value(n, count, t, spread.f)) >= np.log(threshold / weight)
    # The page's own range is 0.9 for steady emission, 0.92–0.96 for tones.
    low, high = stats.binomtest(int(found), trials).proportion_ci(0.9999, method="exact")
    assert low < 0.96 and high > 0.9, f"{found} of {trials}"


def test_the_interval_is_where_the_two_sided_evidence_reaches_its_threshold():
    """t_a of §8 inverts the ratio of a normal prior on both sides: e(t_a) = 1/a there."""
    for n, p, f, a in ((30, 60, 1.0, 0.05), (40, 11, 0.7, 0.05), (100, 600, 0.9, 0.01)):
        nu, big_n = n + p - 2, f * n * p / (n + p)

        def two_sided(t):
            prior = lambda d: (
                stats.norm.pdf(d, scale=np.sqrt(G)) * noncentral_t_density(t, nu, d * np.sqrt(big_n))
            )
            edges = np.array(sorted([-9, -4, 0, t - 2, t, t + 2, t + 5, t + 12])) / np.sqrt(big_n)
            return sum(integrate.quad(prior, u, v, epsabs=0.0, epsrel=1e-10)[0] for u, v in zip(edges, edges[1:]))

        over = lambda t: np.log(two_sided(t) / stats.t.pdf(t, nu)) + np.log(a)
        # A slope of about 3 in ln e for a step of 1 in t.
        assert over(interval_t(n, p, f, a)) == pytest.approx(0.0, abs=1e-7)


def test_the_interval_holds_the_true_excess_at_all_times():
    trials, rng, outside = 2000, np.random.default_rng(74), 0
    for _ in range(trials):
        y, z = rng.standard_normal(30), rng.standard_normal(60) + 0.4
        count = np.arange(1, 61)
        mean = np.cumsum(z) / count - np.mean(y)
        squares = 29 * np.var(y, ddof=1) + np.cumsum(z**2) - count * (np.cumsum(z) / count) ** 2
        within = np.array([interval_t(30, p, 1.0) for p in count])
        within *= np.sqrt(squares / (28 + count)) / np.sqrt(30 * count / (30 + count))
        outside += np.any(np.abs(mean - 0.4) > within)
    assert outside > 0
    assert stats.binomtest(int(outside), trials).proportion_ci(0.9999, method="exact").low <= 0.05


def test_the_limit_is_where_the_evidence_would_reach_its_threshold():
    """t* of §9: with T near 1 the one-sided e-value there is A."""
    for n, p, f, a in ((30, 60, 0.7, 600.0), (100, 600, 0.9, 1e4), (30, 600, 0.5, 7200.0)):
        nu, big_n = n + p - 2, f * n * p / (n + p)
        t = optimize.brentq(lambda t: log_e_value(n, p, t, f) - np.log(a), 1.0, 60.0)
        want = 0.3 + 0.1 * (t + 0.9 * np.sqrt(1 + t * t / (2 * nu))) / np.sqrt(big_n)
        # T(x) is 1 − 1e-4 and less here.
        assert hear_together_db(n, p, f, 0.1, 0.3, a) == pytest.approx(want, rel=1e-4)


def test_listening_longer_hears_down_to_the_limit_of_the_baseline():
    heard = [hear_together_db(40, p, 0.8, 0.2, 0.1, 1e3) for p in (10, 100, 1000, 10**5, 10**8)]
    assert all(a > b for a, b in zip(heard, heard[1:]))
    assert heard[-1] == pytest.approx(hear_ever_db(40, 0.8, 0.2, 0.1, 1e3), rel=1e-5)
    # Too few pulses can say nothing at all: the evidence is bounded.
    assert hear_together_db(30, 1, 0.3, 0.2, 0.1, 1e6) == np.inf
