"""`simmer baseline`: what it keeps, prints and warns of, against the oracle's own statistics."""

import re

import numpy as np
import pytest
from scipy import stats

from judge import Baseline
from make import Emission, Scene, baseline_emissions, configuration, record, write_config
from method import QUANTITIES, Plan, budget_alpha, half_even, hear_db, rule_limit_db, tone_power
from together import hear_ever_db, hear_together_db

DRIVES = (0.15, 0.2, 0.3)


@pytest.fixture
def bench_of(simmer):
    """Makes a recording and its configuration file; gives both and the oracle's baseline."""

    def make(emissions, seed, scene=None, name="series", channels=1):
        config = configuration(receive__channels=channels)
        recording = record(config, emissions, seed, scene)
        path = write_config(config, simmer.folder / "config.toml")
        plan = Plan(config)
        oracle = Baseline(plan, recording.pulses_heard(plan))
        return path, recording.write(simmer.folder / name), oracle, recording

    return make


def table(text, columns):
    """The printed table's rows as {(drive, channel, quantity): numbers}."""
    found = {}
    for line in text.splitlines():
        match = re.match(r"tube\s+([\d.]+) MPa\s+(\d+)\s+(\w+)\s+(.*)", line)
        if match:
            numbers = [float(x) for x in re.findall(r"[-+]?\d+\.?\d*", match[4])]
            assert len(numbers) == columns, line
            found[(float(match[1]), int(match[2]), match[3])] = numbers
    return found


def run_baseline(simmer, path, meta):
    """Runs the command; gives what it says on both streams."""
    return simmer.run("baseline", "-c", path, "--out", simmer.folder / "baseline.json", meta)


def test_the_printed_statistics_are_the_oracles(simmer, bench_of):
    path, meta, oracle, _ = bench_of(baseline_emissions(DRIVES), 81, channels=2)
    text = run_baseline(simmer, path, meta).stdout
    printed = table(text, 10)
    assert len(printed) == 3 * 2 * 4
    detect = configuration()["detect"]
    # Two channels and `all`, broadband and two of stable_from.
    alpha = budget_alpha(detect["false_alarms_per_exposure"], detect["expected_pulses"], 9)
    assert float(re.search(r"alpha = ([\d.e-]+)", text)[1]) == pytest.approx(alpha, rel=5e-4)
    # §8: A = 2·B·L/q, and half the weight on the start where an injection was marked before it.
    threshold = 2 * 9 * 3 / detect["false_alarms_per_exposure"] / 0.5
    for i, drive in enumerate(DRIVES):
        for channel in range(2):
            level = oracle._single(i, [channel])
            for q in QUANTITIES:
                n, mean, s, r1, phi, k, limit_db, *heard_db = printed[(drive, channel, q)]
                spread, delta_db = level.spread[q], detect["repeatability_db"][q]
                m, looks = (int(part) for part in detect["rule"][q].split(" of "))
                wanted_db = rule_limit_db(spread, alpha, m, looks)
                assert k == pytest.approx(wanted_db / spread.s, abs=0.006)
                assert limit_db == pytest.approx(wanted_db, abs=6e-4 + 1e-4)
                of_many = (spread.f, spread.s, delta_db, threshold)
                for got, want in zip(heard_db, (
                    hear_db(spread, wanted_db, delta_db),
                    hear_together_db(spread.n, detect["expected_pulses"], *of_many),
                    hear_ever_db(spread.n, *of_many),
                ), strict=True):
                    assert got == pytest.approx(want, abs=6e-4 + 1e-4)
                assert n == spread.n
                assert mean == pytest.approx(spread.mean, abs=6e-4)
                assert s == pytest.approx(spread.s, abs=6e-5 + 1e-4)
                assert r1 == pytest.approx(spread.r1, abs=6e-3)
                assert phi == pytest.approx(spread.phi, abs=6e-3)


def test_repeatability_is_the_move_of_the_mean_between_two_series(simmer, bench_of):
    path, a_meta, a, _ = bench_of(baseline_emissions(DRIVES), 82, name="a")
    # In the second series the receiver sits a little differently: harmonics by 0.8 dB, gain by 1 dB.
    scene = Scene(harmonics_v={h: v * 10 ** (0.8 / 20) for h, v in Scene().harmonics_v.items()})
    path, b_meta, b, _ = bench_of(baseline_emissions(DRIVES, gain_db=1.0), 83, scene, name="b")
    told = simmer.run("baseline", "-c", path, "--repeat", a_meta, b_meta).stdout
    printed = table(told, 5)
    moves = {q: [] for q in QUANTITIES}
    for i, drive in enumerate(DRIVES):
        for q in QUANTITIES:
            sa, sb = a._single(i, [0]).spread[q], b._single(i, [0]).spread[q]
            got = printed[(drive, 0, q)]
            assert got[0] == pytest.approx(sa.s, abs=2e-4)
            assert got[1] == pytest.approx(sb.s, abs=2e-4)
            assert got[2] == pytest.approx(sb.mean - sa.mean, abs=2e-4)
            assert got[3] < got[2] < got[4]
            moves[q].append(sb.mean - sa.mean)
    for q in QUANTITIES:
        line = next(line for line in told.splitlines() if line.startswith(f"{q}:"))
        mean, low, high, largest = (float(x) for x in re.findall(r"[-+]?\d+\.\d+", line)[:4])
        assert mean == pytest.approx(np.mean(moves[q]), abs=2e-4)
        # Student's interval of the mean move over the drives.
        n = len(moves[q])
        half = stats.t.isf(0.025, n - 1) * np.std(moves[q], ddof=1) / np.sqrt(n)
        assert (low, high) == pytest.approx((mean - half, mean + half), abs=4e-4)
        assert largest == pytest.approx(np.max(np.abs(moves[q])), abs=2e-4)
    proposed = dict(re.findall(r"(\w+) = (\d+\.\d)", told[told.index("proposed:"):]))
    assert float(proposed["harmonic"]) >= np.max(np.abs(moves["harmonic"]))
    assert proposed["broadband"] == proposed["ultraharmonic"] == "0.0"
    # A gain step moves no detection level: only the harmonics, which the scene moved, do.
    assert np.mean(moves["harmonic"]) > 0.5 > 5 * abs(np.mean(moves["broadband"]))


def test_not_quiet_is_said_from_the_first_loud_drive_on(simmer, bench_of):
    quiet = baseline_emissions(DRIVES[:2])
    path, meta, oracle, _ = bench_of(quiet + baseline_emissions((0.3,), broadband_v=4e-4), 84)
    low, high = oracle._single(0, [0]).spread["broadband"], oracle._single(2, [0]).spread["broadband"]
    rise_db, error_db = high.mean - low.mean, np.hypot(high.s / np.sqrt(high.n), low.s / np.sqrt(low.n))
    delta_db = configuration()["detect"]["repeatability_db"]["broadband"]
    assert rise_db > 3 * error_db and rise_db > delta_db
    told = run_baseline(simmer, path, meta).stderr
    line = next(line for line in told.splitlines() if "not quiet from" in line)
    assert "0.3" in line and f"{rise_db:.2f}" in line


def test_a_quiet_baseline_warns_of_nothing(simmer, bench_of):
    path, meta, _, _ = bench_of(baseline_emissions(DRIVES), 85)
    told = run_baseline(simmer, path, meta).stderr
    for word in ("not quiet", "acoustic share", "linear", "follow"):
        assert word not in told


def test_feed_through_is_told_from_sound(simmer, bench_of):
    scene = Scene(feed_through_v=0.06)
    path, meta, _, recording = bench_of(baseline_emissions(DRIVES), 86, scene)
    config = recording.config
    fs, trigger = config["receive"]["sample_rate_hz"], half_even(config["receive"]["pretrigger_s"] * 10e6)
    shares_db = []
    for pulse in recording.pulses[:30]:
        x = recording.read_back()[pulse["start"] :, 0]
        gate = x[trigger + half_even(0.2e-3 * fs) : trigger + half_even(1.9e-3 * fs)]
        feed = x[trigger : trigger + half_even(90e-6 * fs)]
        shares_db.append(10 * np.log10(tone_power(gate, 0.7e6, fs) / tone_power(feed, 0.7e6, fs)))
    told = run_baseline(simmer, path, meta).stderr
    line = next(line for line in told.splitlines() if "acoustic share" in line)
    share_db = float(re.search(r"acoustic share (-?[\d.]+) dB", line)[1])
    # (0.1 + 0.06)/0.06 in amplitude is 8.5 dB, under the 10 dB of method §6.
    assert share_db == pytest.approx(np.mean(shares_db), abs=0.06)
    assert share_db == pytest.approx(20 * np.log10(0.16 / 0.06), abs=0.15)


@pytest.mark.parametrize(("compression_db", "warns"), [(-1.0, True), (-0.2, False)])
def test_a_fundamental_that_does_not_follow_the_drive_is_told(simmer, bench_of, compression_db, warns):
    series = baseline_emissions(DRIVES[:2]) + [
        Emission(drive_mpa=0.3, stage="baseline", fundamental_db=compression_db) for _ in range(30)
    ]
    path, meta, _, _ = bench_of(series, 87)
    told = run_baseline(simmer, path, meta).stderr
    lines = [line for line in told.splitlines() if "follow" in line or "linear" in line]
    assert bool(lines) == warns, told


def test_few_pulses_have_no_limits_and_some_a_warning(simmer):
    config = configuration()
    path = write_config(config, simmer.folder / "config.toml")
    for each, limits in ((9, False), (10, True)):
        emissions = baseline_emissions((0.3,), each=each) + [Emission() for _ in range(2)]
        session = simmer.replay(path, record(config, emissions, 88).write(simmer.folder / f"n{each}"))
        row = session.row(each + 1)
        assert (row["broadband_limit_db"] != "") == limits
        assert row["verdict"] == ("not_detected" if limits else "indeterminate")
        assert limits or "no baseline" in row["reason"]
