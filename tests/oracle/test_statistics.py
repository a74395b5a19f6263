"""The numbers behind the limits: the oracle's against published values, the binary's against the oracle."""

import re

import numpy as np
import pytest
from scipy import integrate, optimize, signal, special, stats

from make import Emission, Scene, configuration, record, write_config
from method import (
    QUANTITIES,
    Plan,
    Spread,
    budget_alpha,
    degrees_of_freedom_k,
    gauss_legendre,
    k_m_of_n,
    segment_samples,
    single_limit_db,
    spread_of,
    welch,
)
from replayed import small

# The example of the method page: N = 4000, H = 2000, M = 36.
N, HOP, M = 4000, 2000, 36


def example():
    """The bench configuration that the method page's numbers belong to: 20 MS/s, 4 ms bursts."""
    return configuration(
        drive__pulse_s=4e-3,
        receive__sample_rate_hz=20e6,
        receive__pretrigger_s=2e-3,
        receive__gate_end_s=3.9e-3,
        receive__noise_gate_start_s=-1.95e-3,
        bands__broadband_hz=[[1.1e6, 6.0e6]],
    )


# COMPUTED, method page §4: K of one line of 7 bins, of three lines, of 38 flank bins each of three lines.
@pytest.mark.parametrize(
    ("window", "line", "lines", "flanks"),
    [("hann", 129.7, 389.0, 668.5), ("blackman-harris", 102.8, 308.5, 515.4)],
)
def test_degrees_of_freedom_are_the_method_pages(window, line, lines, flanks):
    plan = Plan(example() | {"spectrum": {"resolution_hz": 5e3, "window": window, "overlap": 0.5}})
    assert (plan.n, plan.segments) == (N, M)
    kinds = plan.lines["ultraharmonic"]
    k_line = [degrees_of_freedom_k(N, HOP, M, one.bins, window) for one in kinds]
    k_flank = degrees_of_freedom_k(N, HOP, M, kinds[0].flanks, window)
    assert len(kinds[0].bins) == 7 and len(kinds[0].flanks) == 38
    assert k_line[0] == pytest.approx(line, abs=0.05)
    assert sum(k_line) == pytest.approx(lines, abs=0.1)
    assert k_flank == pytest.approx(flanks, abs=0.05)


@pytest.mark.parametrize("window", ["hann", "blackman-harris", "rectangular"])
def test_degrees_of_freedom_agree_with_white_noise(window):
    rng, trials = np.random.default_rng(61), 1000
    plan = Plan(example())
    line = plan.lines["ultraharmonic"][0]
    lines = [one.bins for one in plan.lines["ultraharmonic"]]
    bands = [[line.bins], [line.flanks], lines, [plan.broadband]]
    powers = np.array(
        [
            [sum(np.mean(s[bins]) for bins in band) for band in bands]
            for s in (welch(rng.standard_normal(10 * N), 1.0, N, window, 0.5) for _ in range(trials))
        ]
    )
    for got, band in zip(np.var(powers, axis=0, ddof=1) / np.mean(powers, axis=0) ** 2, bands):
        # Lines of a quantity lie far apart: their degrees of freedom add up.
        want = 1 / sum(degrees_of_freedom_k(N, HOP, 19, bins, window) for bins in band)
        # Band powers are close to normal here, so their variance has a χ² spread; 99.99 % of it.
        low, high = stats.chi2.ppf([5e-5, 1 - 5e-5], trials - 1) / (trials - 1)
        assert low < got / want < high


# COMPUTED with SciPy: scipy.stats.t.isf(a, n - 1) * sqrt(1 + 1/n), one-sided prediction factors.
PREDICTION = {
    5: (2.335321, 4.104575, 7.857827, 14.277672, 45.546257),
    10: (1.922585, 2.959149, 4.506528, 6.303480, 11.243399),
    30: (1.727214, 2.502719, 3.452380, 4.324211, 6.014916),
    100: (1.668672, 2.376399, 3.190437, 3.882357, 5.077171),
}


@pytest.mark.parametrize("n", PREDICTION)
def test_the_limit_without_serial_correlation_is_the_prediction_factor(n):
    class Uncorrelated(Spread):
        phi = 0.0

    spread = Uncorrelated(n, 0.0, 1.0, 0.0, [(1.0, n)])
    if n == 5:
        # The least number of degrees of freedom, 3 − 1, holds only below four pulses; five keep theirs.
        assert spread.nu == 4
    for alpha, want in zip((0.05, 0.01, 1e-3, 1e-4, 1e-6), PREDICTION[n]):
        assert single_limit_db(spread, alpha) == pytest.approx(want, abs=1e-5 * max(1.0, want / 10))


# COMPUTED, method page §7: k of 2 of 3 and 3 of 5 for baselines of 10, 30, 60 and 100 pulses.
@pytest.mark.parametrize(
    ("m", "looks", "wanted"), [(2, 3, (6.719, 3.796, 3.382, 3.237)), (3, 5, (5.635, 3.091, 2.730, 2.604))]
)
def test_m_of_n_has_its_own_k(m, looks, wanted):
    alpha = 1 - 0.99 ** (1 / 2400)
    for n, want in zip((10, 30, 60, 100), wanted):
        assert k_m_of_n(m, looks, alpha, 1 / n, n - 1) == pytest.approx(want, abs=5e-4)


@pytest.mark.parametrize(("m", "looks", "n"), [(2, 3, 10), (2, 3, 30), (3, 5, 30), (3, 5, 100)])
def test_k_of_m_of_n_leaves_alpha_by_an_adaptive_quadrature_too(m, looks, n):
    alpha = 1 - 0.99 ** (1 / 2400)
    k = k_m_of_n(m, looks, alpha, 1 / n, n - 1)
    passes = {(2, 3): lambda p: p * p * (3 - 2 * p), (3, 5): lambda p: p**3 * (10 - 15 * p + 6 * p * p)}[m, looks]

    def given_spread(log_chi2):
        """False alarms at one σ̂, over the baseline's mean, weighed by that σ̂'s density."""
        chi2 = np.exp(log_chi2)
        limit = k * np.sqrt(chi2 / (n - 1))
        over = lambda z: np.exp(-z * z / 2) / np.sqrt(2 * np.pi) * passes(special.ndtr(-z / np.sqrt(n) - limit))
        # COMPUTED with SciPy: scipy.integrate.quad over the binomial written out.
        inner = sum(integrate.quad(over, a, b, epsabs=0.0, epsrel=1e-8)[0] for a, b in ((-9, -4), (-4, 0), (0, 9)))
        return inner * stats.chi2.pdf(chi2, n - 1) * chi2

    low, high = np.log(stats.chi2.ppf(1e-15, n - 1)), np.log(stats.chi2.isf(1e-15, n - 1))
    got = integrate.quad(given_spread, low, high, epsabs=0.0, epsrel=1e-7, points=[np.log(n / 4), np.log(n)])[0]
    assert got == pytest.approx(alpha, rel=1e-6, abs=0.0)


# COMPUTED with SciPy: scipy.stats.binom.sf(m - 1, n, p).
@pytest.mark.parametrize(
    ("m", "looks", "p", "alarm"),
    [(2, 3, 0.01, 2.98e-4), (3, 5, 0.01, 9.8506e-6), (2, 4, 1e-3, 5.992003e-6), (3, 4, 0.01, 3.97e-6),
     (5, 10, 0.05, 6.36898314453e-5), (3, 5, 0.004652416362, 1e-6)],
)  # fmt: skip
def test_with_a_baseline_without_end_m_of_n_is_the_binomial(m, looks, p, alarm):
    # Mean and spread are then known, and k is the normal quantile of the one p.
    assert k_m_of_n(m, looks, alarm, 1e-14, 1e7) == pytest.approx(stats.norm.isf(p), abs=5e-6)


def test_one_of_one_is_the_pulse_test_also_under_serial_correlation():
    rng = np.random.default_rng(62)
    y = signal.lfilter([1], [1, -0.5], rng.standard_normal(40))
    spread = Spread(40, np.mean(y), np.std(y, ddof=1), 0.5, [(1.0, 40)])
    k = k_m_of_n(1, 1, 1e-5, spread.mean_variance(spread.f), spread.nu, spread.c)
    assert k * spread.s == pytest.approx(single_limit_db(spread, 1e-5), rel=1e-8, abs=0.0)


def test_the_budget_is_the_method_pages():
    # Method page §7: one channel and two of stable_from have B = 3.
    assert budget_alpha(0.01, 600, 3) == pytest.approx(2.785e-6, abs=5e-10)
    # COMPUTED: Šidák's 1 − (1 − a)^(1/m) at a = 0.01 for m = 4, 5, 10 tests.
    for m, want in ((4, 0.002509430066), (5, 0.002008048339), (10, 0.001004528708)):
        assert budget_alpha(2 * 0.01, m, 1) == pytest.approx(want, abs=5e-13)


# --- quantiles the oracle rests on ---------------------------------------------------------------


def test_quantiles_are_the_published_ones():
    # READ: χ² table (exampapers.nust.na): 3.84146, 5.99146, 18.30704, 23.20925, 3.94030.
    table = {(0.95, 1): 3.84146, (0.95, 2): 5.99146, (0.95, 10): 18.30704, (0.99, 10): 23.20925, (0.05, 10): 3.94030}
    for (p, df), want in table.items():
        assert stats.chi2.ppf(p, df) == pytest.approx(want, abs=5.1e-6)
    # COMPUTED with SciPy: scipy.stats.t.ppf and scipy.stats.f.ppf.
    for p, df, want in ((0.95, 9, 1.833113), (0.975, 10, 2.228139), (0.99, 29, 2.462021)):
        assert stats.t.isf(1 - p, df) == pytest.approx(want, abs=5e-7)
    for p, a, b, want in ((0.95, 5, 10, 3.325835), (0.99, 10, 100, 2.503311), (0.999, 20, 200, 2.42428588)):
        assert stats.f.isf(1 - p, a, b) == pytest.approx(want, abs=5e-7)


def tolerance_factor(n, content, confidence):
    """k₁ with P(m + k₁·s covers the content) = confidence, by own quadrature over s."""
    node, weight = gauss_legendre()
    reach = 13 / np.sqrt(2 * (n - 1))
    low, high = max(1 - reach, 0.0), 1 + reach
    s = 0.5 * (high - low) * node + 0.5 * (high + low)
    density = stats.chi.pdf(s * np.sqrt(n - 1), n - 1) * np.sqrt(n - 1) * 0.5 * (high - low) * weight
    covered = lambda k: np.sum(stats.norm.cdf(np.sqrt(n) * (k * s - stats.norm.ppf(content))) * density)
    return optimize.brentq(lambda k: covered(k) - confidence, 0.1, 60.0, xtol=1e-12)


# COMPUTED with SciPy: nct.ppf(0.95, n - 1, z_p·sqrt(n))/sqrt(n) for contents 0.90, 0.95, 0.99, 0.999.
@pytest.mark.parametrize(
    ("n", "wanted"),
    [
        (5, (3.406633, 4.202681, 5.741085, 7.501893)),
        (10, (2.354640, 2.910963, 3.981118, 5.203300)),
        (30, (1.777329, 2.219838, 3.063901, 4.022198)),
        (100, (1.526749, 1.926539, 2.683958, 3.539484)),
    ],
)
def test_tolerance_factors_are_the_noncentral_ts(n, wanted):
    for content, want in zip((0.9, 0.95, 0.99, 0.999), wanted):
        exact = stats.nct.ppf(0.95, n - 1, stats.norm.ppf(content) * np.sqrt(n)) / np.sqrt(n)
        assert exact == pytest.approx(want, abs=1e-5)
        assert tolerance_factor(n, content, 0.95) == pytest.approx(want, abs=1e-5)


def test_the_handbooks_tolerance_example():
    # NIST/SEMATECH e-Handbook 7.2.6.3: N = 43, content 0.90, confidence 0.99. READ: the approximation with
    # a = 0.9355727, b = 1.5165164 gives 1.8751896; from memory: the exact factor is 1.8740.
    z_p, z_g, n = stats.norm.ppf(0.9), stats.norm.ppf(0.99), 43
    a, b = 1 - z_g**2 / (2 * (n - 1)), z_p**2 - z_g**2 / n
    assert (a, b) == pytest.approx((0.9355727, 1.5165164), abs=5e-8)
    assert (z_p + np.sqrt(z_p**2 - a * b)) / a == pytest.approx(1.8751896, abs=5e-8)
    assert tolerance_factor(43, 0.9, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert tolerance_factor(43, 0.9, 0.99) == pytest.approx(1.873954, abs=5e-7)


# --- what the binary's limits are ----------------------------------------------------------------

# COMPUTED with SciPy: scipy.stats.t.isf(a, n - 1) * sqrt(1 + 1/n), a = 0.05, 0.01, 0.001, 1e-4, 1e-6.
FACTORS = {
    10: (1.922585, 2.959149, 4.506528, 6.303480, 11.243399),
    20: (1.771834, 2.602196, 3.667794, 4.703212, 6.889429),
    30: (1.727214, 2.502719, 3.452380, 4.324211, 6.014916),
    50: (1.693233, 2.428822, 3.297568, 4.060496, 5.444440),
    100: (1.668672, 2.376399, 3.190437, 3.882357, 5.077171),
}


def test_limits_in_pulses_csv_are_the_prediction_factors(simmer):
    """A harmonic that alternates has no φ, so that limit/s is Student's factor and nothing else."""
    drives = dict(zip(FACTORS, (0.2, 0.25, 0.3, 0.35, 0.4)))
    emissions = []
    for n, drive in drives.items():
        for i in range(n):
            swing = 0.05 if i % 2 else -0.05
            lines = {h: swing * v * drive**h for h, v in Scene().harmonics_v.items()}
            emissions.append(Emission(drive_mpa=drive, stage="baseline", lines_v=lines))
    emissions += [Emission(drive_mpa=drive) for drive in drives.values()]
    rules = {q: "1 of 1" for q in ("harmonic", "ultraharmonic", "subharmonic", "broadband")}

    def factors(q, expected):
        config = small(
            detect__stable_from=[], detect__rule=rules,
            detect__false_alarms_per_exposure=q, detect__expected_pulses=expected,
        )  # fmt: skip
        path = write_config(config, simmer.folder / "config.toml")
        meta = record(config, emissions, 221, Scene(jitter_db=0.0)).write(simmer.folder / "alternating")
        session = simmer.replay(path, meta)
        found, first = {}, 0
        for i, n in enumerate(drives):
            lam = [float(session.row(p)["harmonic_contrast_db"]) for p in range(first, first + n)]
            assert spread_of(lam).phi == 0.0
            found[n] = float(session.row(sum(drives) + i)["harmonic_limit_db"]) / np.std(lam, ddof=1)
            first += n
        return found

    # One expected pulse and one pair: α = q/2.
    for column, alpha in enumerate((0.05, 0.01, 1e-3, 1e-4, 1e-6)):
        got = factors(2 * alpha, 1)
        assert got == pytest.approx({n: row[column] for n, row in FACTORS.items()}, abs=1e-5)
    # COMPUTED: Šidák at 0.01 over four pulses is 0.002509430066.
    want = {n: stats.t.isf(0.002509430066, n - 1) * np.sqrt(1 + 1 / n) for n in FACTORS}
    assert factors(0.02, 4) == pytest.approx(want, abs=1e-5)


@pytest.mark.parametrize("window", ["hann", "blackman-harris"])
def test_without_a_baseline_the_floor_test_turns_at_fishers_quantile(simmer, window):
    """The allowance for a sloping floor can put the limit a hair below and above a pulse's contrast."""

    def heard(allowance_db):
        config = small(
            spectrum__window=window, bands__ultraharmonics=[1.5], bands__subharmonic=False,
            detect__stable_from=["ultraharmonic"], detect__floor_allowance_db=allowance_db,
            detect__false_alarms_per_exposure=2e-3, detect__expected_pulses=1,
            detect__repeatability_db=dict.fromkeys(QUANTITIES, 0.25),
        )  # fmt: skip
        path = write_config(config, simmer.folder / "config.toml")
        meta = record(config, [Emission(lines_v={1.5: 6e-4})], 222).write(simmer.folder / "alone")
        return simmer.replay(path, meta).row(0), Plan(config)

    row, plan = heard(0.0)
    line = plan.lines["ultraharmonic"][0]
    freedom = lambda bins: degrees_of_freedom_k(plan.n, plan.n // 2, plan.segments, bins, window)
    k_line, k_flank = freedom(line.bins), freedom(line.flanks)
    # Method §7: two pairs, broadband and ultraharmonic, and one pulse.
    quantile = stats.f.isf(budget_alpha(2e-3, 1, 2), 2 * k_line, 2 * k_flank)
    # Every test is of values lowered by δ.
    margin_db = float(row["ultraharmonic_contrast_db"]) - 0.25 - 10 * np.log10(quantile)
    assert margin_db > 0.1
    assert heard(margin_db - 1e-6)[0]["verdict"] == "stable"
    assert heard(margin_db + 1e-6)[0]["verdict"] == "indeterminate"


# Required signal-to-noise ratio per sample for detection 0.9 and false alarm 1e-6, non-fluctuating.
# READ: 13.183490056794499 dB for 1 sample (mhostetter.github.io/sdr, square law); COMPUTED with SciPy:
# chi2.isf and ncx2.sf: 5.267487 dB for 10 samples, threshold 65.42068104 of χ² with 20 degrees.
def test_a_tone_over_noise_is_found_as_often_as_the_radar_tables_say(simmer):
    assert stats.chi2.isf(1e-6, 20) == pytest.approx(65.42068104, abs=1e-6)
    assert stats.ncx2.sf(stats.chi2.isf(1e-6, 2), 2, 2 * 10**1.3183490056794499) == pytest.approx(0.9, abs=1e-9)
    # Ten segments without overlap and window, a line of one bin: |X|² over its noise mean is χ²/20.
    samples, sigma_v, trials = 160, 1e-3, 600
    config = small(
        receive__gate_end_s=0.5e-3, drive__pulse_s=0.6e-3,
        spectrum__resolution_hz=25e3, spectrum__window="rectangular", spectrum__overlap=0.0,
        bands__ultraharmonics=[2.5], bands__subharmonic=False, bands__line_half_width_hz=1e3,
        bands__flank_half_width_hz=600e3,
        detect__stable_from=["ultraharmonic"],
    )  # fmt: skip
    plan = Plan(config)
    assert (plan.n, plan.segments, len(plan.lines["ultraharmonic"][0].bins)) == (samples, 10, 1)
    snr = 10**0.5267487
    amplitude_v = 2 * sigma_v * np.sqrt(snr / samples)
    emissions = [Emission(stage="baseline", lines_v={2.5: amplitude_v}) for _ in range(trials)]
    path = write_config(config, simmer.folder / "config.toml")
    scene = Scene(noise_v=sigma_v, jitter_db=0.0)
    session = simmer.replay(path, record(config, emissions, 223, scene).write(simmer.folder / "tone"))
    power_v2 = np.array([float(row["ultraharmonic_v2"]) for row in session.rows])
    # One bin of white noise, with the converter's q²/12.
    noise_v2 = 2 * (sigma_v**2 + (0.5 / 8192) ** 2 / 12) / samples
    statistic = 20 * power_v2 / noise_v2
    found = int(np.sum(statistic > 65.42068104))
    interval = stats.binomtest(found, trials).proportion_ci(0.9999, method="exact")
    assert interval.low < 0.9 < interval.high
    # Its whole distribution is the noncentral χ².
    assert stats.kstest(statistic, stats.ncx2(20, 20 * snr).cdf).pvalue > 1e-4


# --- what the binary prints ----------------------------------------------------------------------


def printed(text, label):
    """The numbers on every line that has the label."""
    lines = [line for line in text.splitlines() if re.search(label, line, re.IGNORECASE)]
    assert lines, f"no line with {label} in\n{text}"
    return [[float(x) for x in re.findall(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?", line)] for line in lines]


def has(rows, want, rel):
    """Whether any printed number is the wanted one, to the digits printed."""
    return any(x == pytest.approx(want, rel=rel, abs=0.0) for row in rows for x in row)


@pytest.mark.parametrize("window", ["hann", "blackman-harris"])
def test_check_prints_segments_bins_and_degrees_of_freedom(simmer, window):
    config = example()
    config["spectrum"]["window"] = window
    plan = Plan(config)
    text = simmer.run("check", "-c", write_config(config, simmer.folder / "config.toml")).stdout
    assert (plan.n, plan.locked) == segment_samples(20e6, 0.7e6, 5e3) == (N, True)
    assert has(printed(text, "segment"), N, 0) and has(printed(text, "segment"), M, 0)
    # Published ENBW (window catalogue of Heinzel, Rüdiger, Schilling 2002): Hann 1.5, 4-term 2.0044 bins.
    assert has(printed(text, "enbw|noise bandwidth"), {"hann": 1.5, "blackman-harris": 2.0044}[window], 1e-3)
    for quantity in ("harmonic", "ultraharmonic", "subharmonic"):
        k = sum(degrees_of_freedom_k(N, HOP, M, line.bins, window) for line in plan.lines[quantity])
        assert has(printed(text, rf"\b{quantity}"), 2 * k, 2e-3), f"2K = {2 * k} of {quantity} in\n{text}"
    k = degrees_of_freedom_k(N, HOP, M, plan.broadband, window)
    assert has(printed(text, "broadband"), 2 * k, 2e-3), f"2K = {2 * k} of broadband in\n{text}"
    assert has(printed(text, "broadband"), len(plan.broadband), 0)
