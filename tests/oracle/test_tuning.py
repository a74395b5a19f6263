"""`simmer tune`: the oracle's tuning numbers against published ones, the program's against the oracle's.

Where a law of λ must be known exactly, a session folder's pulses.csv is written by hand: the same columns as
a replay leaves, with numbers of ours.
"""

import csv
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import tomllib
import warnings
import zlib

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.stats.diagnostic import normal_ad

import tuning
from conftest import COLUMNS, REPO, Session, Simmer, binary
from make import Emission, baseline_emissions, record, write_config
from method import QUANTITIES
from replayed import small
from test_bad_input import check_message

# Closed forms agree to the last digits; quantiles that are found by iteration, and profiles, to these.
CLOSED_FORM, ITERATED = 1e-9, 1e-6

# --- the oracle against published values ---------------------------------------------------------

# Bliss 1935, beetles: log dose, beetles, killed. The dose of 1.8610 killed 61, not the 60 of some copies.
BLISS = (
    (1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839),
    (59, 60, 62, 56, 63, 59, 62, 60),
    (6, 13, 18, 28, 52, 53, 61, 60),
)
# Male budworms at log2 dose 0 … 5 (Collett; counts from memory).
BUDWORM = (tuple(range(6)), (20,) * 6, (1, 4, 9, 13, 18, 20))


def onset_on(x, n, r):
    """The onset fit with x in place of ln(drive)."""
    return tuning.onset_of(list(zip(np.exp(x), n, r)))


def test_beetles_are_the_published_fit():
    fit = onset_on(*BLISS)
    # READ: sci.usq.edu.au glmlab after Dobson: −60.717455, 34.270326, deviance 11.232231 on 6 degrees.
    assert fit.b == pytest.approx((-60.717455, 34.270326), abs=1e-6)
    assert fit.deviance == pytest.approx(11.232231, abs=5e-7) and fit.dof == 6
    # COMPUTED with statsmodels: GLM(…, Binomial()).fit(tol=1e-14): standard errors, covariance, Pearson's χ².
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx((5.180711, 2.912140), rel=1e-6)
    assert fit.covariance[0, 1] == pytest.approx(-15.082151, rel=1e-6)
    assert fit.pearson == pytest.approx(10.026818, abs=5e-7)
    # ED50 1.77172096 with standard error .00385806 before scaling (delta method).
    drive, _, _, low, high = fit.at[0.5]
    half = 1.959963984540054 * 0.00385806 * np.sqrt(10.026818 / 6)
    assert np.log(drive) == pytest.approx(1.77172096, abs=5e-9)
    assert (np.log(low), np.log(high)) == pytest.approx((1.77172096 - half, 1.77172096 + half), abs=5e-8)


def test_budworms_are_the_published_fit():
    fit = onset_on(*BUDWORM)
    # COMPUTED with statsmodels as above: intercept, slope, their errors, deviance, ED50.
    assert fit.b == pytest.approx((-2.81855497, 1.25894942), abs=5e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx((0.547987, 0.212065), abs=5e-7)
    assert fit.deviance == pytest.approx(1.880970, abs=5e-7) and fit.scale == 1.0
    assert np.log(fit.at[0.5][0]) == pytest.approx(2.23881509, abs=5e-9)
    se = np.log(fit.at[0.5][4] / fit.at[0.5][3]) / 2 / 1.959963984540054
    assert se == pytest.approx(0.20398708, abs=1e-8)


@pytest.mark.parametrize("data", [BLISS, BUDWORM])
def test_the_fit_and_its_profile_are_statsmodels(data):
    x, n, r = (np.array(v, float) for v in data)
    fit, counts = onset_on(*data), np.c_[r, n - r]
    glm = sm.GLM(counts, sm.add_constant(x), sm.families.Binomial()).fit(tol=1e-14)
    assert fit.b == pytest.approx(glm.params, rel=1e-9)
    assert fit.covariance == pytest.approx(glm.cov_params(), rel=1e-7)
    assert (fit.deviance, fit.pearson) == pytest.approx((glm.deviance, glm.pearson_chi2), rel=1e-9)
    for share, at in fit.at.items():
        # Through (x_p, logit p) there is one free slope: a fit without intercept, with an offset.
        for end in np.log(at[1:3]):
            offset = np.full(len(x), special.logit(share))
            held = sm.GLM(counts, (x - end)[:, None], sm.families.Binomial(), offset=offset).fit(tol=1e-14)
            rise = (held.deviance - glm.deviance) / fit.scale
            assert rise == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-7)


def test_firths_fit_is_the_largest_penalised_likelihood():
    # Two drives are a saturated model: Firth adds half a count to every cell.
    model = tuning.Logistic([0.0, 1.0], [20, 30], [0, 30], penalised=True)
    a, slope = model.fit()
    low, high = np.log(0.5 / 20.5), np.log(30.5 / 0.5)
    assert (a - slope * model.centre, slope) == pytest.approx((low, high - low), rel=1e-9)
    # COMPUTED with SciPy: scipy.optimize.minimize of the penalised likelihood, no derivatives.
    fit = tuning.onset_of([(0.1, 20, 0), (0.2, 20, 0), (0.3, 20, 20), (0.4, 20, 20)])
    assert fit.fit == "firth" and fit.separated and fit.bracket_mpa == (0.2, 0.3)
    x, r = np.log([0.1, 0.2, 0.3, 0.4]), np.array([0, 0, 20, 20])

    def loss(b):
        p = special.expit(b[0] + b[1] * x)
        w = 20 * p * (1 - p)
        d = np.stack([np.ones(4), x])
        return -np.sum(special.xlogy(r, p) + special.xlogy(20 - r, 1 - p)) - 0.5 * np.linalg.slogdet((d * w) @ d.T)[1]

    fine = {"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000}
    best = optimize.minimize(loss, (5.0, 5.0), method="Nelder-Mead", options=fine)
    assert fit.b == pytest.approx(best.x, rel=1e-5)


@pytest.mark.parametrize(
    ("over", "separated"),
    [
        ((0, 0, 10, 10), True), ((0, 5, 10, 10), True), ((0, 0, 0, 4), True), ((10, 10, 0, 0), True),
        ((0, 1, 9, 10), False), ((0, 10, 0, 10), False), ((3, 3, 3, 3), False), ((1, 10, 10, 10), True),
    ],
)  # fmt: skip
def test_separation_is_that_a_step_explains_all(over, separated):
    n, r = np.full(4, 10), np.array(over)
    assert tuning.is_separated(n, r) == separated
    # COMPUTED with statsmodels: where nothing overlaps, the slope grows without end.
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits = [
            sm.GLM(np.c_[r, n - r], sm.add_constant(np.arange(4.0)), sm.families.Binomial()).fit(maxiter=k, tol=0)
            for k in (12, 24)
        ]
    assert (abs(fits[1].params[1]) > abs(fits[0].params[1]) + 1) == separated


def test_hanley_and_mcneils_table():
    # Hanley & McNeil 1982, Table I: 58 normal and 51 abnormal images in five ratings; counts from memory.
    quiet = np.repeat(np.arange(5.0), (33, 6, 6, 11, 2))
    bubbles = np.repeat(np.arange(5.0), (3, 2, 2, 11, 33))
    area = tuning.auc_of(quiet, bubbles)
    # COMPUTED with SciPy: mannwhitneyu gives U = 2642; published area .893, standard error .032 (from memory).
    assert stats.mannwhitneyu(bubbles, quiet).statistic == 2642.0
    assert area.auc == pytest.approx(2642 / (58 * 51), rel=1e-14) and f"{area.auc:.3f}" == "0.893"
    assert area.delong_se == pytest.approx(0.030724, abs=5e-7)
    assert area.hanley_mcneil_se == pytest.approx(0.032487, abs=5e-7)
    # The paper counts Q₁ = .81820 and Q₂ = .83125 from its ratings; the error is .03199 then.
    q1, q2 = tuning.rating_q(np.sign(bubbles[:, None] - quiet[None, :]) / 2 + 0.5)
    assert (q1, q2) == pytest.approx((0.81820, 0.83125), abs=5e-6)
    # Small example, COMPUTED: U = 16 of 20.
    assert tuning.auc_of([0.8, 1.2, 1.9, 2.5], [1, 2, 2.6, 3.1, 4]).auc == 0.8


def test_delongs_interval_holds_what_it_says():
    rng, trials = np.random.default_rng(300), 2000
    # COMPUTED: two normal laws two standard deviations apart have an area of .9213503965.
    areas = [tuning.auc_of(rng.standard_normal(60), rng.standard_normal(40) + 2) for _ in range(trials)]
    for inside in (
        sum(a.lo <= 0.9213503965 <= a.hi for a in areas),
        sum(a.hanley_mcneil[0] <= 0.9213503965 <= a.hanley_mcneil[1] for a in areas),
    ):
        assert 0.92 < inside / trials < 0.97


def test_the_roc_tables_prevalence():
    # READ: J Ther Ultrasound 2:14, Table 3: sensitivity, specificity, PPV, NPV; prevalence 10.1 % in all rows.
    for sensitivity, specificity, positive, negative in (
        (0.751, 0.629, 0.185, 0.957), (0.696, 0.547, 0.147, 0.941), (0.745, 0.644, 0.190, 0.957),
    ):  # fmt: skip
        got = tuning.predictive_values(sensitivity, specificity, 0.101)
        assert got == pytest.approx((positive, negative), abs=6e-4)


# COMPUTED with SciPy: nct.ppf(0.95, n − 1, z_p √n)/√n; for n = 10, 20, 30, 50 and 100 published to 3 digits.
@pytest.mark.parametrize(
    ("n", "wanted"),
    [
        (10, (2.354640, 2.910963, 3.981118, 5.203300)), (20, (1.925991, 2.396002, 3.295157, 4.318191)),
        (30, (1.777329, 2.219838, 3.063901, 4.022198)), (100, (1.526749, 1.926539, 2.683958, 3.539484)),
        (1000, (1.353817, 1.727263, 2.430140, 3.220046)),
    ],
)  # fmt: skip
def test_tolerance_factors_are_the_published_ones(n, wanted):
    got = [tuning.tolerance_factor(n, n - 1, share) for share in (0.1, 0.05, 0.01, 0.001)]
    assert got == pytest.approx(wanted, abs=1e-5)


def test_a_pooled_tolerance_factor_covers_as_often_as_it_says():
    rng, trials, drives, n, share = np.random.default_rng(301), 20000, 4, 12, 1e-3
    x = rng.standard_normal((trials, drives, n))
    s = np.sqrt(np.mean(np.var(x, axis=2, ddof=1), axis=1))
    limit = np.mean(x[:, 0], axis=1) + tuning.tolerance_factor(n, drives * (n - 1), share) * s
    kept = int(np.sum(stats.norm.sf(limit) <= share))
    low, high = stats.binomtest(kept, trials).proportion_ci(0.9999, method="exact")
    assert low < 0.95 < high


def test_clopper_and_pearsons_intervals():
    # READ: SciPy's documentation has 7 of 50; from memory: NIST 7.2.4.1 has 4 of 20 at 90 %; others COMPUTED.
    assert tuning.clopper_pearson(7, 50) == pytest.approx((0.05819170033997342, 0.26739600249700846), rel=1e-12)
    assert tuning.clopper_pearson(4, 20, 0.9) == pytest.approx((0.071354, 0.401029), abs=1e-6)
    assert tuning.clopper_pearson(0, 30) == pytest.approx((0, 0.11570331), abs=5e-9)
    for n, upper in ((30, 0.09503385), (100, 0.02951305), (3000, 0.00099808)):
        assert tuning.share_upper(0, n) == pytest.approx(upper, abs=5e-9)
        assert tuning.share_upper(0, n) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-10)


def test_tests_of_the_tail():
    rng = np.random.default_rng(302)
    for power in (1, 1, 1.3, 2, 3):
        x = rng.standard_normal(60)
        x = np.sign(x) * np.abs(x) ** power
        assert tuning.anderson_darling_p(x) == pytest.approx(normal_ad(x)[1], rel=1e-9)
    # From memory: Grubbs' one-sided critical values at 5 %, n = 10 and 20, are 2.176 and 2.557.
    assert tuning.grubbs_p(2.176, 10) == pytest.approx(0.05, abs=2e-4)
    assert tuning.grubbs_p(2.557, 20) == pytest.approx(0.05, abs=2e-4)
    groups = [rng.standard_normal(n) * w for n, w in ((10, 1.0), (20, 1.8), (15, 1.2))]
    assert tuning.bartlett_p(groups) == pytest.approx(stats.bartlett(*groups).pvalue, rel=1e-10)


def test_shares_of_a_rule_and_rules_for_a_share():
    # COMPUTED with SciPy: the inverse of 3 of 5 at 1e-6 is 0.004652416362.
    assert tuning.share_per_pulse(1e-6, 3, 5) == pytest.approx(0.004652416362, abs=5e-13)
    assert tuning.share_per_pulse(2.785e-6, 1, 1) == pytest.approx(2.785e-6, rel=1e-12)
    # COMPUTED with SciPy: binom.sf(1, 3, .01) = 2.98e-4, binom.sf(1, 2, .01) = 1e-4.
    assert tuning.proposed_rule(0.01, 1.01e-4) == "2 of 2"
    assert tuning.proposed_rule(0.01, 0.99e-4) == "3 of 3"
    assert tuning.proposed_rule(0.5, 1e-6) is None


# --- running the program -------------------------------------------------------------------------


class Tuning:
    """What `simmer tune` left behind."""

    def __init__(self, folder, done):
        self.folder, self.done = folder, done
        self.all = json.loads((folder / "tuning.json").read_text())
        self.limits_text = (folder / "limits.toml").read_text()
        self.limits = tomllib.loads(self.limits_text)

    def of(self, name, channel=0):
        """One quantity."""
        [found] = [q for q in self.all["quantities"] if (q["name"], q["channel"]) == (name, channel)]
        return found

    def said(self, name=None, channel=0):
        """Advice in one text, of a quantity or of all of it, and what was said on standard error."""
        own = self.of(name, channel)["advice"] + [self.of(name, channel)["onset"]["why"] or ""] if name else []
        return "\n".join(own or self.all["advice"] + [self.done.stderr])


def tune(simmer, config, *args, code=0):
    """Runs the command into a new folder."""
    simmer.sessions += 1
    out = simmer.folder / f"tuned-{simmer.sessions}"
    done = simmer.run("tune", "-c", config, *args, "--out", out, code=code)
    return done if code else Tuning(out, done)


def differs(name, got, want, rel=CLOSED_FORM, absolute=1e-12):
    """The difference in words, or nothing."""
    if want is None or got is None or isinstance(want, (str, bool)) or isinstance(got, (str, bool)):
        same = got == want and type(got) is type(want)
    else:
        same = got == pytest.approx(want, rel=rel, abs=absolute)
    return [] if same else [f"{name} is {got!r}, the oracle has {want!r}"]


def limit_faults(got, want):
    """What in `limit` is not the oracle's."""
    pairs = {
        "from": want.origin, "share_per_pulse": want.share, "sd_db": want.sd_db, "dof": want.dof,
        "pooled": want.pooled, "bartlett_p": want.bartlett_p, "normality_p": want.normality_p,
        "largest_p": want.largest_p, "over": want.over, "of": want.of, "share_upper": want.share_upper,
        "extrapolated": want.extrapolated, "proposed_rule": want.rule,
    }  # fmt: skip
    faults = [f for key, value in pairs.items() for f in differs(key, got[key], value, rel=1e-7)]
    faults += differs("k", got["k"], want.k, rel=ITERATED)
    if len(got["drives"]) != len(want.drives):
        return faults + [f"limit has {len(got['drives'])} drives, the oracle {len(want.drives)}"]
    for has, ((target, drive), pulses, mean, sd, limit_db) in zip(got["drives"], want.drives):
        where = f"limit at {target!r} {drive} MPa: "
        cells = {"target": target, "drive_mpa": drive, "pulses": pulses, "mean_db": mean, "sd_db": sd}
        faults += [f for key, value in cells.items() for f in differs(where + key, has[key], value)]
        faults += differs(where + "limit_db", has["limit_db"], limit_db, rel=ITERATED)
    return faults


def onset_faults(got, want):
    """What in `onset` and the drives of 50 and 90 % is not the oracle's."""
    onset = got["onset"]
    faults = differs("fit", onset["fit"], want.fit) + differs("separated", onset["separated"], want.separated)
    # A fit by maximum likelihood needs no excuse; the others say why.
    if (onset["fit"] != "maximum likelihood") != bool(onset["why"]):
        faults.append(f"a fit of {onset['fit']} with the reason {onset['why']!r}")
    faults += differs("bracket_mpa", onset["bracket_mpa"], list(want.bracket_mpa) if want.bracket_mpa else None)
    if len(onset["drives"]) != len(want.drives):
        return faults + [f"onset has {len(onset['drives'])} drives, the oracle {len(want.drives)}"]
    for has, (drive, pulses, over) in zip(onset["drives"], want.drives):
        lo, hi = tuning.clopper_pearson(over, pulses)
        cells = {"drive_mpa": drive, "pulses": pulses, "over": over, "share": over / pulses, "lo": lo, "hi": hi}
        faults += [f for key, value in cells.items() for f in differs(f"onset at {drive}: {key}", has[key], value)]
    values = {"intercept": want.b[0], "slope": want.b[1], "deviance": want.deviance, "pearson": want.pearson}
    if want.fit != "none":
        values |= {"dof": want.dof, "scale": want.scale}
    faults += [f for key, value in values.items() for f in differs(key, onset[key], value, rel=ITERATED)]
    if want.fit != "none":
        v = want.covariance
        faults += differs("covariance", onset["covariance"], [v[0, 0], v[0, 1], v[1, 1]], rel=ITERATED)
    for share, key in ((0.5, "drive50"), (0.9, "drive90")):
        drive, lo, hi, low, high = want.at.get(share, (None,) * 5)
        for name, value in ((f"{key}_mpa", drive), (f"{key}_lo", lo), (f"{key}_hi", hi)):
            faults += differs(name, got[name], value, rel=ITERATED)
        delta = None if drive is None else [low, high]
        faults += differs(f"{key}_delta", got[f"{key}_delta"], delta, rel=ITERATED)
    return faults


def roc_faults(got, want):
    """What is wrong with a ROC: all points of the true one, in order, from (0, 0) to (1, 1)."""
    if len(got) > tuning.MOST_ROC_POINTS or got[0] != [0, 0] or got[-1] != [1, 1]:
        return [f"a ROC of {len(got)} points from {got[0]} to {got[-1]}"]
    true = np.array(want)
    away = np.min(np.max(np.abs(np.array(got)[:, None, :] - true[None, :, :]), axis=2), axis=1)
    faults = [f"ROC point {p} is none of the oracle's" for p, off in zip(got, away) if off > 1e-12]
    if np.any(np.diff(np.array(got), axis=0) < 0):
        faults.append("ROC points do not rise")
    # Its area by trapezia is the Mann–Whitney statistic, as far as points were left out.
    areas = [np.trapezoid(np.array(p)[:, 1], np.array(p)[:, 0]) for p in (got, want)]
    allowed = 1e-12 if len(want) <= tuning.MOST_ROC_POINTS else 2e-3
    return faults + differs("area under the ROC", areas[0], areas[1], rel=0, absolute=allowed)


def tuning_faults(got, config, quiet_rows, bubbles_rows):
    """What in tuning.json is not the oracle's."""
    alpha, wanted = tuning.tune(config, quiet_rows, bubbles_rows)
    detect = config["detect"]
    faults = differs("alpha", got.all["alpha"], alpha, rel=1e-12)
    for key in ("false_alarms_per_exposure", "expected_pulses"):
        faults += differs(key, got.all[key], detect[key])
    names = lambda c: c if c == "all" else int(c)
    order = [(names(w.channel), w.name) for w in wanted]
    has = [(q["channel"], q["name"]) for q in got.all["quantities"]]
    assert has == order, f"quantities are {has}, the oracle has {order}"
    for one, want in zip(got.all["quantities"], wanted):
        plain = {"rule": want.rule, "repeatability_db": want.delta_db}
        plain |= {"n_quiet": want.n_quiet, "n_bubbles": want.n_bubbles}
        own = [f for key, value in plain.items() for f in differs(key, one[key], value)]
        for prefix, area in (("auc", want.area), ("auc_over_baseline", want.area_over)):
            for key, value in (("", area.auc), ("_lo", area.lo), ("_hi", area.hi)):
                own += differs(prefix + key, one[prefix + key], value)
        own += differs("auc_hanley_mcneil", one["auc_hanley_mcneil"], list(want.area.hanley_mcneil))
        own += roc_faults(one["roc"], want.roc)
        own += differs("limit_db", one["limit_db"], want.limit and want.limit.limit_db, rel=ITERATED)
        if want.limit and one["limit"]:
            own += limit_faults(one["limit"], want.limit) + onset_faults(one, want.onset)
        faults += [f"channel {want.channel} {want.name}: {fault}" for fault in own]
    return faults


def check(got, config, quiet_rows, bubbles_rows=None):
    """Asserts that all numbers are the oracle's."""
    faults = tuning_faults(got, config, quiet_rows, quiet_rows if bubbles_rows is None else bubbles_rows)
    assert not faults, f"{len(faults)} differences\n" + "\n".join(faults[:80])


# --- recordings ----------------------------------------------------------------------------------

DEMO = REPO / "demo-data"
DRIVES = tuple(round(0.1 * 1.25**k, 4) for k in range(8))
# Truth of the ramp: chance of a noise burst and of ultraharmonics at a drive, logistic in ln(drive), and
# the drive from which on a subharmonic is always there. All far over the limit when they are there.
BURST = (0.2, 6.0)
LINES = (0.28, 8.0)
SUBHARMONIC_FROM_MPA = 0.2
ALARMS = [
    {"name": name, "severity": "warning", "quantity": quantity, "limit": "budget", "hold_s": 0.0, "latch": False,
     "sinks": ["events"]}
    for name, quantity in zip(("over", "ultra", "half", "burst"), QUANTITIES)
]  # fmt: skip


def ramp_emissions(rng, each=20):
    """Bubbles pulses of the ramp."""
    out = []
    for drive in DRIVES:
        chance = lambda law: special.expit(law[1] * np.log(drive / law[0]))
        for _ in range(each):
            lines = {m: 5e-3 for m in (1.5, 2.5, 3.5)} if rng.random() < chance(LINES) else {}
            if drive >= SUBHARMONIC_FROM_MPA:
                lines[0.5] = 5e-3
            out.append(Emission(drive_mpa=drive, lines_v=lines, broadband_v=4e-3 * (rng.random() < chance(BURST))))
    return out


class Set:
    """Quiet and bubbles recordings, the session that a replay makes of them, and their tuning."""

    def __init__(self, folder, config_path, quiet, bubbles):
        self.simmer = Simmer(folder)
        self.config_path, self.quiet, self.bubbles = config_path, quiet, bubbles
        self.config = tomllib.loads(config_path.read_text())
        self.session = self.simmer.replay(config_path, *quiet, *bubbles)
        self.tuned = tune(self.simmer, config_path, "--quiet", *quiet, "--bubbles", *bubbles)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The recordings of the examples."""
    parts = [DEMO / "baseline.sigmf-meta"], [DEMO / "exposure.sigmf-meta"]
    return Set(tmp_path_factory.mktemp("demo"), DEMO / "config.toml", *parts)


@pytest.fixture(scope="module")
def ramp(tmp_path_factory):
    """A ramp of 8 drives on two channels with a known truth: 240 quiet pulses in two files, 160 with bubbles."""
    folder = tmp_path_factory.mktemp("ramp")
    config = small(receive__channels=2) | {"alarm": ALARMS}
    path = write_config(config, folder / "config.toml")
    quiet = [
        record(config, baseline_emissions(part, 30), 310 + i, first_number=120 * i).write(folder / f"quiet{i}")
        for i, part in enumerate((DRIVES[:4], DRIVES[4:]))
    ]
    emissions = ramp_emissions(np.random.default_rng(311))
    bubbles = record(config, emissions, 312, first_number=240).write(folder / "bubbles")
    made = Set(folder, path, quiet, [bubbles])
    made.emissions = emissions
    return made


@pytest.mark.parametrize("name", ["demo", "ramp"])
def test_every_number_is_the_oracles(request, name):
    made = request.getfixturevalue(name)
    check(made.tuned, made.config, made.session.rows)


@pytest.mark.parametrize("name", ["demo", "ramp"])
def test_deviations_are_those_of_the_session(request, name):
    """The oracle's own D is the column of a replay, so that both may stand for it."""
    made = request.getfixturevalue(name)
    for want in tuning.tune(made.config, made.session.rows, made.session.rows)[1]:
        column = [float(r[f"{want.name}_detect_db"]) for r in want.rows]
        assert want.bubbles_d == pytest.approx(column, abs=1e-9)


@pytest.mark.parametrize("name", ["demo", "ramp"])
def test_what_it_rests_on_is_named(request, name):
    made = request.getfixturevalue(name)
    got = made.tuned.all
    assert (got["kind"], got["confidence"]) == ("tuning", 0.95) and "Research use only" in got["caution"]
    assert got["configuration"]["sha256"] == hashlib.sha256(made.config_path.read_bytes()).hexdigest()
    assert got["configuration"]["name"].endswith(made.config_path.name)
    assert [s["label"] for s in got["sources"]] == ["quiet"] * len(made.quiet) + ["bubbles"] * len(made.bubbles)
    for source, path in zip(got["sources"], made.quiet + made.bubbles):
        assert source["name"].endswith(path.name) and re.fullmatch(r"[0-9a-f]{64}", source["sha256"])
    assert got["drive_means"] == made.config["drive"]["drive_means"]
    assert (got["forecast"], got["tried"], got["left_out"]) == (None, None, [])
    page = (made.tuned.folder / "tuning.html").read_text()
    assert "Research use only" in page and "<script src" not in page and not re.search(r'(href|src)="https?:', page)


def test_the_truth_of_the_ramp_is_found(ramp):
    """Where all that was put in is over the limit, counts are those put in, and intervals hold the truth."""
    for channel in (0, 1, "all"):
        burst = ramp.tuned.of("broadband", channel)
        put_in = [sum(e.broadband_v > 0 for e in ramp.emissions if e.drive_mpa == d) for d in DRIVES]
        assert [d["over"] for d in burst["onset"]["drives"]] == put_in
        lines = ramp.tuned.of("ultraharmonic", channel)
        put_in = [sum(1.5 in e.lines_v for e in ramp.emissions if e.drive_mpa == d) for d in DRIVES]
        assert [d["over"] for d in lines["onset"]["drives"]] == put_in
        for found, law in ((burst, BURST), (lines, LINES)):
            assert found["drive50_lo"] < law[0] < found["drive50_hi"]
            assert found["drive90_lo"] < law[0] * 9 ** (1 / law[1]) < found["drive90_hi"]
        half = ramp.tuned.of("subharmonic", channel)
        assert half["onset"]["fit"] == "firth" and half["onset"]["separated"]
        below = max(d for d in DRIVES if d < SUBHARMONIC_FROM_MPA)
        assert half["onset"]["bracket_mpa"] == [below, min(d for d in DRIVES if d >= SUBHARMONIC_FROM_MPA)]
        # A step is no logistic curve: what the data show of it is the bracket, not the fit's interval.
        assert half["drive50_mpa"] == pytest.approx(np.sqrt(below * half["onset"]["bracket_mpa"][1]), rel=1e-6)
        over = ramp.tuned.of("harmonic", channel)["onset"]
        assert over["fit"] == "none" and sum(d["over"] for d in over["drives"]) == 0 and over["why"]


def same_numbers(a, b):
    """Asserts that two tunings have the same numbers, whatever their sources are called."""
    for key in ("alpha", "expected_pulses", "false_alarms_per_exposure", "quantities"):
        assert a.all[key] == b.all[key], key
    assert a.limits["alarm"] == b.limits["alarm"]
    # Where it came from is another name.
    made_of = lambda tuned: {k: v for k, v in tuned.limits["made_of"].items() if k not in ("source", "baselines")}
    assert made_of(a) == made_of(b)


@pytest.mark.parametrize("name", ["demo", "ramp"])
def test_a_session_folder_gives_the_numbers_of_its_recordings(request, name):
    made = request.getfixturevalue(name)
    from_session = tune(made.simmer, made.config_path, made.session.folder)
    same_numbers(from_session, made.tuned)
    assert [s["label"] for s in from_session.all["sources"]] == ["session"]
    folder = made.session.folder
    same_numbers(tune(made.simmer, made.config_path, "--quiet", folder, "--bubbles", folder), made.tuned)
    same_numbers(tune(made.simmer, made.config_path, "--quiet", folder, "--bubbles", *made.bubbles), made.tuned)
    same_numbers(tune(made.simmer, made.config_path, "--quiet", *made.quiet, "--bubbles", folder), made.tuned)


def test_sessions_that_hold_one_stage_each_give_the_numbers_of_their_recordings(ramp):
    """Quiet pulses and bubbles replayed apart: the second session has no baseline of its own."""
    quiet = ramp.simmer.replay(ramp.config_path, *ramp.quiet)
    bubbles = ramp.simmer.replay(ramp.config_path, *ramp.bubbles)
    assert {r["reason"].split("; ")[-1] for r in bubbles.rows if r["channel"] == "0"} == {"no baseline"}
    same_numbers(tune(ramp.simmer, ramp.config_path, "--quiet", quiet.folder, "--bubbles", bubbles.folder), ramp.tuned)


def test_pulses_that_mean_nothing_are_left_out_and_counted(desk):
    """What was not heard is no miss; a loud pulse that clips is one that was found."""
    def clip(counts, rng):
        counts[3000:3010] = 8191

    quiet = baseline_emissions((0.1, 0.2, 0.3), 30)
    quiet[5].after, quiet[6].count, quiet[40].count = clip, 3000, 3000
    bubbles = [Emission(drive_mpa=d, broadband_v=4e-3 * (i % 2)) for d in (0.1, 0.2, 0.3) for i in range(20)]
    bubbles[3].after, bubbles[4].count, bubbles[5].coupling_db = clip, 3000, -8
    bubbles += [Emission(drive_mpa=0.5) for _ in range(3)]
    folder = desk.simmer.folder
    parts = [
        record(desk.config, pulses, 316 + i, first_number=90 * i).write(folder / f"part{i}")
        for i, pulses in enumerate((quiet, bubbles))
    ]
    session = desk.simmer.replay(desk.config_path, *parts)
    got = desk.tune("--quiet", parts[0], "--bubbles", parts[1])
    check(got, desk.config, session.rows)
    assert {(e["label"], e["channel"], e["reason"]): e["pulses"] for e in got.all["left_out"]} == {
        ("quiet", 0, "clipped"): 1,
        ("quiet", 0, "gate incomplete"): 2,
        ("bubbles", 0, "gate incomplete"): 1,
        ("bubbles", 0, "fundamental low"): 1,
        ("bubbles", 0, "drive outside baseline"): 3,
    }
    same_numbers(desk.tune(session.folder), got)


def test_the_flags_say_what_a_recording_is(ramp):
    """After --quiet every pulse but noise is quiet; after --bubbles baseline pulses are left out and counted."""
    folder, config = ramp.simmer.folder, ramp.config
    noise = [Emission(drive_mpa=0.0, stage="noise") for _ in range(5)]
    turned = [Emission(drive_mpa=e.drive_mpa, stage="exposure") for e in baseline_emissions(DRIVES, 30)]
    quiet = record(config, turned + noise, 313)
    mixed = baseline_emissions(DRIVES[:1], 7) + ramp_emissions(np.random.default_rng(314))
    bubbles = record(config, mixed, 315, first_number=245)
    args = ["--quiet", quiet.write(folder / "turned"), "--bubbles", bubbles.write(folder / "mixed")]
    got = tune(ramp.simmer, ramp.config_path, *args)
    # What a replay makes of the same samples when they are labelled as they are meant.
    for pulse in quiet.pulses[: len(turned)]:
        pulse["stage"] = "baseline"
    for pulse in bubbles.pulses[:7]:
        pulse["stage"] = "noise"
    session = ramp.simmer.replay(ramp.config_path, quiet.write(folder / "meant"), bubbles.write(folder / "meant2"))
    check(got, ramp.config, session.rows)
    left = [e for e in got.all["left_out"] if e["label"] == "bubbles"]
    assert left and all(e["pulses"] == 7 for e in left) and "baseline" in left[0]["reason"]


def test_the_same_input_gives_the_same_bytes(ramp):
    args = ("--quiet", *ramp.quiet, "--bubbles", *ramp.bubbles)
    options = [(), ("--workers", "1"), ("--workers", "3")]
    if "--workers" not in ramp.simmer.run("tune", "--help").stdout:
        options = [(), (), ()]
    for option in options:
        again = tune(ramp.simmer, ramp.config_path, *args, *option)
        for name in ("tuning.json", "limits.toml"):
            assert (again.folder / name).read_bytes() == (ramp.tuned.folder / name).read_bytes()
    folder = ramp.session.folder
    first, second = (tune(ramp.simmer, ramp.config_path, folder) for _ in range(2))
    for name in ("tuning.json", "limits.toml"):
        assert (first.folder / name).read_bytes() == (second.folder / name).read_bytes()


# --- limits.toml ---------------------------------------------------------------------------------


def raised_by(rows, quantity, db, off_db, rule):
    """Pulses at which an alarm with a limit set by hand goes on, with no hold and no latch.

    On when m of the last n exposure pulses of a channel at the same target and drive have D > db, off when no
    channel has that and all are below off_db.
    """
    m, looks = (int(part) for part in rule.split(" of "))
    on, raised, seen, setting = False, [], {}, None
    pulses = {}
    for row in rows:
        if row["stage"] == "exposure":
            pulses.setdefault(int(row["pulse"]), []).append(row)
    for number, own in pulses.items():
        if (own[0]["target"], own[0]["drive_mpa"]) != setting:
            setting, seen = (own[0]["target"], own[0]["drive_mpa"]), {}
        deviations = {r["channel"]: float(r[f"{quantity}_detect_db"]) for r in own}
        for channel, d in deviations.items():
            seen[channel] = [*seen.get(channel, []), d > db][-looks:]
        if any(sum(last) >= m for last in seen.values()):
            if not on:
                raised.append(number)
            on = True
        elif all(d < off_db for d in deviations.values()):
            on = False
    return raised


@pytest.mark.parametrize("name", ["demo", "ramp"])
def test_the_limits_file_is_taken_and_alarms_are_what_it_says(request, name):
    made = request.getfixturevalue(name)
    # Alarms that neither last nor hold, so that each pulse speaks for itself.
    config = tomllib.loads(made.config_path.read_text())
    for alarm in config["alarm"]:
        alarm |= {"hold_s": 0.0, "latch": False}
    path = write_config(config, made.simmer.folder / "plain.toml")
    limits = made.tuned.folder / "limits.toml"
    session = made.simmer.replay(path, *made.quiet, *made.bubbles, options=("--limits", limits))
    quantity = {a["name"]: a["quantity"] for a in config["alarm"] if "quantity" in a}
    assert {a["name"] for a in made.tuned.limits["alarm"]} == set(quantity)
    some = 0
    for alarm in made.tuned.limits["alarm"]:
        q, db = quantity[alarm["name"]], alarm["limit"]["db"]
        tuned = [t for t in made.tuned.all["quantities"] if t["name"] == q]
        # An alarm compares D alone, of every channel: δ inside, and no channel's limit undercut.
        # Rounded up to 0.001 dB.
        exact = max(t["limit_db"] for t in tuned) + tuned[0]["repeatability_db"]
        assert 0 <= db - exact <= 1e-3
        assert alarm["m_of_n"] == (tuned[0]["limit"]["proposed_rule"] or tuned[0]["rule"])
        assert alarm["off_db"] <= db
        raised = [e["pulse"] for e in session.events() if e["event"] == "alarm raised" and e["name"] == alarm["name"]]
        assert raised == raised_by(session.rows, q, db, alarm["off_db"], alarm["m_of_n"]), alarm
        some += len(raised)
    assert some >= {"demo": 2, "ramp": 20}[name]


def test_an_alarm_has_the_limit_and_the_rule_that_hold_for_every_channel(ramp):
    """It watches all channels with one limit: the highest, by the rule of the channel whose tail is not normal."""
    folder = ramp.simmer.folder / "one-loud"
    shutil.copytree(ramp.session.folder, folder)
    rows = Session(folder).rows
    quiet = [r for r in rows if r["channel"] == "1" and r["stage"] == "baseline"]
    together = next(r for r in rows if r["channel"] == "all" and r["pulse"] == quiet[50]["pulse"])
    for row, rise_db in ((quiet[50], 4), (together, 2)):
        row["broadband_contrast_db"] = repr(float(row["broadband_contrast_db"]) + rise_db)
    count_from_quiet(rows, ramp.config)
    Desk.write(folder, rows)
    got = tune(ramp.simmer, ramp.config_path, folder)
    check(got, ramp.config, rows)
    limits = {c: got.of("broadband", c) for c in (0, 1, "all")}
    assert [q["limit"]["from"] for q in limits.values()][:2] == ["tolerance", "largest quiet pulse"]
    [alarm] = [a for a in got.limits["alarm"] if a["name"] == "burst"]
    assert 0 <= alarm["limit"]["db"] - (limits[1]["limit_db"] + 0.1) <= 1e-3
    assert alarm["m_of_n"] == limits[1]["limit"]["proposed_rule"] != limits[1]["rule"]


@pytest.mark.parametrize("name", ["demo", "ramp"])
def test_the_limits_file_says_where_it_came_from(request, name):
    made = request.getfixturevalue(name)
    text = made.tuned.limits_text
    assert f"{made.tuned.all['alpha']:.3e}".split("e")[0][:4] in text and "alpha" in text
    for path in (*made.quiet, *made.bubbles, made.config_path):
        assert path.name in text
    assert made.tuned.all["configuration"]["sha256"] in text
    for alarm in made.tuned.limits["alarm"]:
        assert alarm["m_of_n"] in text
    for delta_db in {t["repeatability_db"] for t in made.tuned.all["quantities"]}:
        assert f"{delta_db:g}" in text


def test_a_monitor_takes_the_limits_file(demo):
    limits, folder = demo.tuned.folder / "limits.toml", demo.simmer.folder / "live"
    where = ["--listen", "127.0.0.1:0", "--stream", "127.0.0.1:0", "--limits", str(limits), "--out", str(folder)]
    running = subprocess.Popen(
        [str(binary()), "monitor", "-c", str(demo.config_path), *where],
        env={k: v for k, v in os.environ.items() if not k.startswith("SIMMER_")},
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        # Some shells start jobs with SIGINT ignored, which children inherit.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    try:
        said = iter(running.stderr.readline, "")
        stream = next(m[1] for text in said if (m := re.match(r"stream on (\S+)", text)))
        demo.simmer.run("send", "--to", stream, "-c", demo.config_path, "--speed", "max", *demo.quiet, *demo.bubbles)
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=20)
    finally:
        running.kill()
    [event] = [e for e in Session(folder).events() if e["event"] == "limits"]
    held = {a["name"]: a for a in event["alarms"]}
    for alarm in demo.tuned.limits["alarm"]:
        assert held[alarm["name"]] == alarm
    # The same alarms as in a replay of the same recordings.
    replayed = demo.simmer.replay(demo.config_path, *demo.quiet, *demo.bubbles, options=("--limits", limits))
    raised = lambda session: [(e["pulse"], e["name"]) for e in session.events() if e["event"] == "alarm raised"]
    assert raised(Session(folder)) == raised(replayed) != []


# --- sessions written by hand --------------------------------------------------------------------


def count_from_quiet(rows, config):
    """Puts D over the quiet pulses' means into the exposure rows, channel by channel."""
    tolerance = config["drive"]["drive_tolerance"]
    for channel in {r["channel"] for r in rows}:
        own = [r for r in rows if r["channel"] == channel]
        for q in QUANTITIES:
            groups = tuning.quiet_groups([r for r in own if tuning.is_quiet(r)], f"{q}_contrast_db", tolerance)
            for row in own:
                if row["stage"] == "exposure":
                    mean = tuning.mean_at(groups, row["target"], float(row["drive_mpa"]), tolerance)
                    row[f"{q}_detect_db"] = "" if mean is None else f"{float(row[f'{q}_contrast_db']) - mean:.17e}"
                    if mean is None:
                        row |= {"verdict": "indeterminate", "reason": "no baseline"}


class Desk:
    """Writes session folders whose λ are ours, from one that a replay made."""

    def __init__(self, folder):
        self.simmer = Simmer(folder)
        self.config = small() | {"alarm": ALARMS}
        self.config_path = write_config(self.config, folder / "config.toml")
        emissions = baseline_emissions((0.3,), 12) + [Emission()]
        meta = record(self.config, emissions, 320).write(folder / "pattern")
        self.pattern = self.simmer.replay(self.config_path, meta)
        self.count = 0

    def session(self, quiet, bubbles, target_of=lambda place: "tube"):
        """A session of [(drive, {quantity: λ of each pulse})]; quantities not named are noise of their own.

        `target_of` says the target of the i-th such series.
        """
        self.count += 1
        folder = self.simmer.folder / f"written-{self.count}"
        shutil.copytree(self.pattern.folder, folder)
        # The same series make the same session, whatever was written before.
        text = json.dumps([[d, [[q, *map(float, x)] for q, x in lam.items()]] for d, lam in [*quiet, *bubbles]])
        rng, rows = np.random.default_rng(zlib.crc32(text.encode())), []
        for stage, series in (("baseline", quiet), ("exposure", bubbles)):
            like = next(r for r in self.pattern.rows if r["stage"] == stage)
            for place, (drive, lam) in enumerate(series):
                target = target_of(place)
                pulses = len(next(iter(lam.values())))
                columns = {q: lam.get(q, 0.2 * rng.standard_normal(pulses)) for q in QUANTITIES}
                for i in range(pulses):
                    number = len(rows)
                    row = like | {"pulse": str(number), "time_s": repr(number * 0.2), "drive_mpa": repr(drive)}
                    row["target"] = target
                    seconds, tenths = divmod(2 * number, 10)
                    minutes, seconds = divmod(seconds, 60)
                    row["time_utc"] = f"2026-05-04T10:{minutes:02d}:{seconds:02d}.{tenths}00000000Z"
                    rows.append(row | {f"{q}_contrast_db": f"{x[i]:.17e}" for q, x in columns.items()})
        count_from_quiet(rows, self.config)
        self.write(folder, rows)
        return folder

    @staticmethod
    def write(folder, rows):
        """Puts the rows into the folder."""
        with open(folder / "pulses.csv", "w", newline="") as file:
            table = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
            table.writeheader()
            table.writerows(rows)

    def rows(self, folder):
        """The rows of a written session."""
        return Session(folder).rows

    def tune(self, *args, code=0):
        return tune(self.simmer, self.config_path, *args, code=code)


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    return Desk(tmp_path_factory.mktemp("desk"))


def noise(seed, n=30, mean=0.0, sd=0.2):
    """Normal λ."""
    return mean + sd * np.random.default_rng(seed).standard_normal(n)


def shares(*found, n=10, drives=None, quantity="broadband"):
    """Bubbles pulses of which so many are far over any limit, drive by drive."""
    drives = drives or [round(0.1 * 1.3**k, 4) for k in range(len(found))]
    return [
        (d, {quantity: np.where(np.arange(n) < k, 20.0, 0.0) + noise(1000 + i, n)})
        for i, (d, k) in enumerate(zip(drives, found))
    ]


def quiet_at(bubbles, n=30, sd=0.2):
    """Quiet pulses at the drives of the bubbles pulses."""
    return [(d, {"broadband": noise(2000 + i, n, sd=sd)}) for i, (d, _) in enumerate(bubbles)]


@pytest.mark.parametrize(
    "found", [(0, 0, 3, 7, 10), (0, 1, 2, 9, 10), (2, 0, 5, 4, 9), (1, 1, 1, 2, 2), (0, 8, 2, 9, 7)], ids=str
)
def test_onsets_are_the_oracles(desk, found):
    bubbles = shares(*found)
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    assert got.of("broadband")["onset"]["fit"] == "maximum likelihood"
    assert [d["over"] for d in got.of("broadband")["onset"]["drives"]] == list(found)


@pytest.mark.parametrize(
    "found", [(0, 0, 10, 10), (0, 4, 10, 10), (0, 0, 0, 10), (0, 0, 0, 4), (3, 10, 10, 10)], ids=str
)
def test_separation_is_said_with_its_bracket(desk, found):
    bubbles = shares(*found)
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    one = got.of("broadband")
    assert one["onset"]["fit"] == "firth" and one["onset"]["separated"]
    low, high = one["onset"]["bracket_mpa"]
    shown = lambda d: (repr(d), f"{d:.3f}", f"{d:.2f}", f"{d:.3g}")
    told = got.said("broadband")
    assert re.search(r"record levels between", told), told
    assert any(x in told for x in shown(low)) and any(x in told for x in shown(high)), told
    # That all are over at a drive is said only where they were.
    assert (10 in found) or not re.search(r"all are \w+ [\d.]+ MPa", told), told


def test_two_drives_are_no_onset_and_it_says_what_to_record(desk):
    bubbles = shares(1, 9)
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    one = got.of("broadband")
    assert one["onset"]["fit"] == "none" and one["drive50_mpa"] is None
    assert "2" in one["onset"]["why"] and "drive" in one["onset"]["why"], one["onset"]["why"]
    assert "record" in got.said("broadband"), got.said("broadband")


@pytest.mark.parametrize(("found", "words"), [((0,) * 4, ("higher", "above")), ((10,) * 4, ("lower", "below"))])
def test_all_or_none_over_is_no_onset_and_it_says_where_to_go(desk, found, words):
    bubbles = shares(*found)
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    told = got.said("broadband")
    assert got.of("broadband")["onset"]["fit"] == "none" and "record" in told
    assert any(word in told for word in words), told


@pytest.mark.parametrize("found", [(10, 8, 3, 1), (9, 9, 4, 0), (10, 10, 0, 0)], ids=str)
def test_a_share_that_falls_with_drive_is_no_onset(desk, found):
    bubbles = shares(*found)
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    assert got.of("broadband")["onset"]["fit"] == "none"
    assert re.search(r"ris|fall|slope", got.of("broadband")["onset"]["why"])


def test_a_response_that_turns_back_is_said(desk):
    bubbles = shares(0, 6, 20, 19, 2, 20, n=20)
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    # From 19 of 20 down to 2 of 20 is no chance.
    told = "\n".join(got.of("broadband")["advice"])
    assert re.search(r"monoton|less often|fewer", told), told
    steady = shares(0, 6, 12, 19, 20, 20, n=20)
    told = "\n".join(desk.tune(desk.session(quiet_at(steady), steady)).of("broadband")["advice"])
    assert not re.search(r"monoton|less often|fewer", told), told


def test_few_quiet_pulses_at_a_drive_are_said_and_give_no_limit_there(desk):
    bubbles = shares(0, 2, 8, 10)
    quiet = quiet_at(bubbles)
    quiet[2] = (quiet[2][0], {"broadband": noise(2100, 9)})
    folder = desk.session(quiet, bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    one = got.of("broadband")
    drives = [round(d, 3) for d, _ in bubbles]
    assert [round(d["drive_mpa"], 3) for d in one["limit"]["drives"]] == [drives[0], drives[1], drives[3]]
    told = got.said("broadband") + got.said()
    left = [(e["label"], e["channel"], e["pulses"]) for e in got.all["left_out"]]
    assert left == [("bubbles", 0, 10)] and "baseline" in got.all["left_out"][0]["reason"]
    assert re.search(rf"{drives[2]:.3f}|{drives[2]:.2f}", told) and "10" in told and "9" in told, told


def test_no_drive_with_enough_quiet_pulses_is_no_tuning_and_it_says_what_is_missing(desk):
    """Bubbles pulses are there: it is quiet ones that are missing, 10 at a drive at least."""
    bubbles = shares(0, 2, 8, 10)
    done = desk.tune(desk.session(quiet_at(bubbles, n=9), bubbles), code=65)
    check_message(done, "10", ("quiet", "without bubbles"))


def test_bubbles_given_as_quiet_are_said(demo):
    exposure = demo.bubbles[0]
    # The same samples are no two witnesses.
    done = tune(demo.simmer, demo.config_path, "--quiet", exposure, "--bubbles", exposure, code=65)
    check_message(done, exposure.name, ("same samples",))
    other = demo.simmer.folder / "other.sigmf-meta"
    shutil.copy(exposure, other)
    samples = bytearray(exposure.with_suffix(".sigmf-data").read_bytes())
    samples[0] ^= 1
    other.with_suffix(".sigmf-data").write_bytes(samples)
    meta = json.loads(other.read_text())
    meta["global"].pop("core:sha512", None)
    other.write_text(json.dumps(meta))
    got = tune(demo.simmer, demo.config_path, "--quiet", other, "--bubbles", exposure)
    told = got.said() + "\n".join(line for q in got.all["quantities"] for line in q["advice"])
    # In these recordings one of fifteen pulses at 0.16 MPa has broadband, and all of them at 0.30 MPa.
    line = next(line for line in told.splitlines() if "not quiet" in line and "broadband" in line)
    assert "from 0.16 MPa on" in line, line
    assert "not quiet" not in demo.tuned.said() + str([q["advice"] for q in demo.tuned.all["quantities"]])


def test_unequal_spreads_are_not_pooled(desk):
    bubbles = shares(0, 2, 8, 10)
    pulses, sd_db = (30, 30, 15, 60), (0.1, 0.4, 0.1, 0.2)
    quiet = [(d, {"broadband": noise(2200 + i, pulses[i], sd=sd_db[i])}) for i, (d, _) in enumerate(bubbles)]
    folder = desk.session(quiet, bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    limit = got.of("broadband")["limit"]
    assert not limit["pooled"] and limit["bartlett_p"] < 0.05 and limit["dof"] == 29


def test_equal_spreads_of_unequal_series_are_pooled(desk):
    bubbles = shares(0, 2, 8, 10)
    quiet = [(d, {"broadband": noise(2300 + i, (30, 12, 15, 60)[i])}) for i, (d, _) in enumerate(bubbles)]
    folder = desk.session(quiet, bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    limit = got.of("broadband")["limit"]
    assert limit["pooled"] and limit["dof"] == 30 + 12 + 15 + 60 - 4
    # The fewest pulses at a drive make the largest limit.
    largest = max(limit["drives"], key=lambda d: d["limit_db"])
    assert largest["pulses"] == 12 and largest["limit_db"] == got.of("broadband")["limit_db"]


@pytest.mark.parametrize("kind", ["outlier", "skewed"])
def test_a_tail_that_is_not_normal_gives_the_largest_and_a_rule(desk, kind):
    bubbles = shares(0, 2, 8, 10)
    quiet = []
    for i, (d, _) in enumerate(bubbles):
        x = noise(2400 + i, 60)
        if kind == "outlier" and i == 1:
            x[7] = np.mean(x) + 1.6
        quiet.append((d, {"broadband": x if kind == "outlier" else np.exp(4 * x)}))
    folder = desk.session(quiet, bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    one, limit = got.of("broadband"), got.of("broadband")["limit"]
    assert limit["from"] == "largest quiet pulse"
    if kind == "outlier":
        assert limit["largest_p"] < 0.01
    else:
        assert limit["normality_p"] < 0.01
    largest_db = max(np.max(x["broadband"] - np.mean(x["broadband"])) for _, x in quiet)
    assert one["limit_db"] == pytest.approx(largest_db, rel=1e-9)
    m, looks = (int(part) for part in limit["proposed_rule"].split(" of "))
    # COMPUTED with SciPy: binom.sf at the bound of 0 of 240, 1 − 0.05^(1/240).
    assert stats.binom.sf(m - 1, looks, 1 - 0.05 ** (1 / 240)) <= got.all["alpha"]
    [alarm] = [a for a in got.limits["alarm"] if a["name"] == "burst"]
    assert alarm["m_of_n"] == limit["proposed_rule"]


@pytest.mark.parametrize(("expected", "extrapolated"), [(600, True), (3, False)])
def test_a_share_that_the_pulses_cannot_show_is_called_extrapolated(desk, expected, extrapolated):
    """What counts is the share of single pulses: with 3 α lies under the bound, the share of 2 of 3 above it."""
    bubbles = shares(0, 2, 8, 10)
    folder = desk.session(quiet_at(bubbles), bubbles)
    config = small(detect__expected_pulses=expected, detect__false_alarms_per_exposure=0.5)
    got = tune(desk.simmer, write_config(config, desk.simmer.folder / f"of{expected}.toml"), folder)
    check(got, config, desk.rows(folder))
    limit = got.of("ultraharmonic")["limit"]
    # COMPUTED with SciPy: betaincinv(2, 2, α) of α = 1 − 0.75^(1/(3·expected)), the share of 2 of 3; and the
    # bound beta.ppf(0.95, k + 1, n − k) of 0 of 120, 0.024655.
    wanted = {600: 0.007316509, 3: 0.106234103}[expected]
    assert limit["share_per_pulse"] == pytest.approx(wanted, abs=1e-9)
    assert 0.024655 <= limit["share_upper"] and got.all["alpha"] < limit["share_upper"]
    assert limit["extrapolated"] == extrapolated
    assert got.all["alpha"] == pytest.approx(1 - 0.75 ** (1 / (3 * expected)), rel=1e-12)


@pytest.mark.parametrize("q", [0.9])
def test_quiet_pulses_over_a_limit_are_counted(desk, q):
    """With few expected pulses limits are so low that some quiet pulses lie over them."""
    bubbles = shares(0, 2, 8, 10)
    folder = desk.session(quiet_at(bubbles), bubbles)
    config = small(detect__expected_pulses=1, detect__false_alarms_per_exposure=q)
    got = tune(desk.simmer, write_config(config, desk.simmer.folder / "few.toml"), folder)
    check(got, config, desk.rows(folder))
    limit = got.of("broadband")["limit"]
    assert limit["over"] > 0 and limit["share_upper"] > limit["over"] / limit["of"]


def test_several_targets_have_means_of_their_own(desk):
    bubbles = shares(0, 2, 8, 10)
    # The right target lies 3 dB higher, bubbles or not: D is the same.
    higher = lambda series: [(d, {"broadband": lam["broadband"] + 3}) for d, lam in series]
    quiet = quiet_at(bubbles)
    target_of = lambda place: "left" if place < 4 else "right"
    folder = desk.session(quiet + higher(quiet), bubbles + higher(bubbles), target_of)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    limit = got.of("broadband")["limit"]
    assert [d["target"] for d in limit["drives"]] == ["left"] * 4 + ["right"] * 4
    assert [d["pulses"] for d in got.of("broadband")["onset"]["drives"]] == [20] * 4


def test_drives_that_wander_are_one_drive_and_those_between_are_interpolated(desk):
    base = shares(0, 2, 8, 10, n=20)
    quiet = [(d, {"broadband": noise(2500 + i, 30, mean=0.5 * i)}) for i, (d, _) in enumerate(base)]
    bubbles = []
    for i, (d, lam) in enumerate(base):
        lam = lam["broadband"] + 0.5 * i
        # Two per cent off, and half of them half way to the next drive.
        bubbles += [(d * (1.02 if k % 2 else 0.98), {"broadband": lam[k : k + 1]}) for k in range(10)]
        bubbles += [(d * (1.14 if i < 3 else 1.0), {"broadband": lam[10:] + 0.25 * (i < 3)})]
    folder = desk.session(quiet, bubbles)
    check(desk.tune(folder), desk.config, desk.rows(folder))


def two_sessions(desk):
    """Sessions at the same drives whose quiet pulses lie 0.1 dB apart."""
    bubbles = shares(0, 2, 8, 10)
    quiet = lambda seed, n, mean: [(d, {"broadband": noise(seed + i, n, mean)}) for i, (d, _) in enumerate(bubbles)]
    return desk.session(quiet(2600, 20, 0.0), bubbles), desk.session(quiet(2700, 25, 0.1), bubbles)


def test_sessions_are_joined_and_their_quiet_pulses_are_one_series(desk):
    first, second = two_sessions(desk)
    check(desk.tune(first, second), desk.config, desk.rows(first) + desk.rows(second))


def test_a_session_after_bubbles_counts_from_the_quiet_pulses(desk):
    """Its own baseline is left out, so D is not the column of that session."""
    first, second = two_sessions(desk)
    check(desk.tune("--quiet", first, "--bubbles", second), desk.config, desk.rows(first), desk.rows(second))


def test_a_roc_has_a_bounded_number_of_points(desk):
    bubbles = [(d, {"broadband": noise(2800 + i, 150, mean=0.3 * i)}) for i, d in enumerate((0.1, 0.2, 0.3, 0.4))]
    quiet = [(d, {"broadband": noise(2900 + i, 150)}) for i, (d, _) in enumerate(bubbles)]
    folder = desk.session(quiet, bubbles)
    check(desk.tune(folder), desk.config, desk.rows(folder))


def test_concordant_pairs_have_an_interval_all_the_same(desk):
    bubbles = [(d, {"broadband": noise(3000 + i, 10, mean=30)}) for i, d in enumerate((0.1, 0.2, 0.3))]
    folder = desk.session(quiet_at(bubbles), bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    one = got.of("broadband")
    # 30 independent pairs that all agree: 0.025^(1/30).
    assert (one["auc"], one["auc_hi"]) == (1.0, 1.0)
    assert one["auc_lo"] == one["auc_hanley_mcneil"][0] == pytest.approx(0.025 ** (1 / 30), rel=1e-12)


def test_equal_levels_are_half_won(desk):
    steps = lambda x: np.round(x * 10) / 10
    bubbles = [(d, {"broadband": steps(noise(3100 + i, 20, mean=0.1 * i))}) for i, d in enumerate((0.1, 0.2, 0.3))]
    quiet = [(d, {"broadband": steps(noise(3200 + i))}) for i, (d, _) in enumerate(bubbles)]
    folder = desk.session(quiet, bubbles)
    got = desk.tune(folder)
    check(got, desk.config, desk.rows(folder))
    a, b = (np.concatenate([x["broadband"] for _, x in some]) for some in (quiet, bubbles))
    # COMPUTED with SciPy: mannwhitneyu.
    assert got.of("broadband")["auc"] == pytest.approx(stats.mannwhitneyu(b, a).statistic / len(a) / len(b), rel=1e-12)


def test_a_limit_keeps_its_share_as_often_as_it_says(desk):
    """30 sessions of known normal law: the true share over the limit is at most the wanted one in 95 of 100.

    Four quantities a session with laws of their own. 25 of 30: with 95 % each, fewer come once in 300 tries
    (binom.cdf(24, 30, 0.95) = 0.0033). Together 120 limits at one drive each:
    fewer than 103 or all 120 keep it in 2 of 1000 tries.
    """
    laws = {"harmonic": (4.0, 0.3), "ultraharmonic": (-1.0, 0.5), "subharmonic": (0.3, 1.1), "broadband": (0.0, 0.14)}
    kept = dict.fromkeys(QUANTITIES, 0)
    for session in range(30):
        rng = np.random.default_rng(3300 + session)
        quiet = {q: mean + sd * rng.standard_normal(30) for q, (mean, sd) in laws.items()}
        got = desk.tune(desk.session([(0.3, quiet)], [(0.3, {q: x[:5] for q, x in quiet.items()})]))
        for q, (mean, sd) in laws.items():
            one = got.of(q)
            # Where a test spoke against the tail by chance, the promise is that of the largest of 30.
            tolerance = one["limit"]["from"] == "tolerance"
            share = one["limit"]["share_per_pulse"] if tolerance else 1 - 0.05 ** (1 / 30)
            true_share = stats.norm.sf((np.mean(quiet[q]) + one["limit_db"] - mean) / sd)
            kept[q] += true_share <= share
    assert stats.binom.cdf(24, 30, 0.95) < 0.004
    assert kept["broadband"] >= 25 and min(kept.values()) >= 24, kept
    assert stats.binom.cdf(102, 120, 0.95) < 1e-3 and 103 <= sum(kept.values()) <= 119, kept


# --- bad input -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def good(desk):
    """A session in order."""
    bubbles = shares(0, 2, 8, 10)
    return desk.session(quiet_at(bubbles), bubbles)


def test_a_missing_recording_or_session_is_66(demo):
    for args in (
        ["--quiet", "nowhere.sigmf-meta", "--bubbles", *demo.bubbles],
        ["--quiet", *demo.quiet, "--bubbles", "nowhere.sigmf-meta"],
        ["nowhere"],
    ):
        done = tune(demo.simmer, demo.config_path, *args, code=66)
        check_message(done, "nowhere")
    check_message(tune(demo.simmer, "nowhere.toml", demo.session.folder, code=66), "nowhere.toml")


def test_nothing_quiet_or_no_bubbles_is_65(demo, desk, good):
    quiet, bubbles = demo.quiet[0], demo.bubbles[0]
    for args, words in (
        (("--quiet", quiet, "--bubbles", quiet), ("bubbles", "baseline")),
        (("--quiet", quiet), ("bubbles",)),
        (("--bubbles", bubbles), (("quiet", "without bubbles"),)),
    ):
        check_message(tune(demo.simmer, demo.config_path, *args, code=65), *words)
    rows = desk.rows(good)
    for stage, word in (("baseline", ("quiet", "without bubbles")), ("exposure", "with bubbles")):
        folder = desk.session([(0.3, {"broadband": noise(1)})], [(0.3, {"broadband": noise(2)})])
        desk.write(folder, [r for r in rows if r["stage"] != stage])
        check_message(desk.tune(folder, code=65), word)


def test_wrong_usage_is_2(demo):
    for args in (
        [], ["-c", demo.config_path], ["-c", demo.config_path, demo.session.folder],
        [demo.session.folder, "--out", "o"], ["-c", demo.config_path, "--out", "o"],
        ["-c", demo.config_path, "--colour", demo.session.folder, "--out", "o"],
    ):  # fmt: skip
        assert demo.simmer.run("tune", *args, code=2).stderr


@pytest.mark.parametrize("name", ["tuning.json", "tuning.html", "limits.toml"])
def test_nothing_is_written_over(desk, good, name):
    out = desk.simmer.folder / f"full-{name}"
    out.mkdir()
    (out / name).write_text("kept")
    done = desk.simmer.run("tune", "-c", desk.config_path, good, "--out", out, code=73)
    check_message(done, name)
    assert (out / name).read_text() == "kept" and [p.name for p in out.iterdir()] == [name]


def test_no_place_for_the_folder_is_73(desk, good):
    (desk.simmer.folder / "file").write_text("not a folder")
    done = desk.simmer.run("tune", "-c", desk.config_path, good, "--out", desk.simmer.folder / "file" / "out", code=73)
    check_message(done, "file")


def test_a_configuration_that_cannot_be_carried_out_is_78(desk, good):
    text = desk.config_path.read_text()
    for wrong, words in (
        (text.replace("expected_pulses = 60", "expected_pulses = 0"), ["expected_pulses"]),
        (text.replace("stable_from =", "stabel_from =", 1), ["stabel_from", "did you mean", "stable_from"]),
    ):
        path = desk.simmer.folder / "wrong.toml"
        path.write_text(wrong)
        out = desk.simmer.folder / "never"
        check_message(desk.simmer.run("tune", "-c", path, good, "--out", out, code=78), "wrong.toml", *words)
        assert not out.exists()


def damaged(desk, good, change):
    """A session folder with the lines of pulses.csv changed."""
    desk.count += 1
    folder = desk.simmer.folder / f"damaged-{desk.count}"
    shutil.copytree(good, folder)
    lines = (folder / "pulses.csv").read_text().splitlines(keepends=True)
    change(lines)
    (folder / "pulses.csv").write_text("".join(lines))
    return folder


@pytest.mark.parametrize(
    ("column", "value"),
    [("broadband_contrast_db", "loud"), ("broadband_contrast_db", "NaN"), ("drive_mpa", "-0.3"), ("drive_mpa", "inf"),
     ("stage", "practice"), ("channel", "seven"), ("pulse", "4.5")],
)  # fmt: skip
def test_a_damaged_cell_is_65_with_file_line_and_column(desk, good, column, value):
    def change(lines):
        cells = lines[6].rstrip("\n").split(",")
        cells[COLUMNS.index(column)] = value
        lines[6] = ",".join(cells) + "\n"

    done = desk.tune(damaged(desk, good, change), code=65)
    check_message(done, "pulses.csv", column, value)
    assert re.search(r"line 7\b|:7\b", done.stderr), done.stderr


def test_other_damage_of_the_table_is_65(desk, good):
    def short(lines):
        lines[6] = ",".join(lines[6].split(",")[:20]) + "\n"

    def header(lines):
        lines[0] = lines[0].replace("broadband_contrast_db", "broadband_contrast")

    done = desk.tune(damaged(desk, good, short), code=65)
    check_message(done, "pulses.csv")
    assert re.search(r"line 7\b|:7\b", done.stderr), done.stderr
    check_message(desk.tune(damaged(desk, good, header), code=65), "pulses.csv", "broadband_contrast_db")
    check_message(desk.tune(damaged(desk, good, lambda lines: lines.clear()), code=65), "pulses.csv")
    folder = damaged(desk, good, lambda lines: None)
    (folder / "pulses.csv").write_bytes(b"\x00\xff" * 2000)
    check_message(desk.tune(folder, code=65), "pulses.csv")
    (folder / "pulses.csv").unlink()
    check_message(desk.tune(folder, code=66), "pulses.csv")


def test_a_torn_last_line_is_65_and_says_so(desk, good):
    def torn(lines):
        lines[-1] = lines[-1][:80]

    done = desk.tune(damaged(desk, good, torn), code=65)
    check_message(done, "pulses.csv")
