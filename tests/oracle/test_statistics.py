"""The numbers behind the limits: the oracle's against published values, the binary's against the oracle."""

import re

import numpy as np
import pytest
from scipy import signal, stats

from make import configuration, write_config
from method import (
    Plan,
    Spread,
    budget_alpha,
    degrees_of_freedom_k,
    k_m_of_n,
    segment_samples,
    single_limit_db,
    welch,
)

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
    powers = np.array(
        [
            [np.mean(s[line.bins]), np.mean(s[line.flanks])]
            for s in (welch(rng.standard_normal(10 * N), 1.0, N, window, 0.5) for _ in range(trials))
        ]
    )
    for got, bins in zip(np.var(powers, axis=0, ddof=1) / np.mean(powers, axis=0) ** 2, (line.bins, line.flanks)):
        want = 1 / degrees_of_freedom_k(N, HOP, 19, bins, window)
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


def test_one_of_one_is_the_pulse_test_also_under_serial_correlation():
    rng = np.random.default_rng(62)
    y = signal.lfilter([1], [1, -0.5], rng.standard_normal(40))
    spread = Spread(40, np.mean(y), np.std(y, ddof=1), 0.5, [(1.0, 40)])
    k = k_m_of_n(1, 1, 1e-5, spread.mean_variance(spread.f), spread.nu, spread.c)
    assert k * spread.s == pytest.approx(single_limit_db(spread, 1e-5), rel=1e-8, abs=0.0)


def test_the_budget_is_the_method_pages():
    # Method page §7: one channel and two of stable_from have B = 3.
    assert budget_alpha(0.01, 600, 3) == pytest.approx(2.785e-6, abs=5e-10)


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
