"""The rule on the running pulse: λ after each quarter of the segments against limits of the same moment."""

import json

import numpy as np
import pytest

import method
from make import Emission, baseline_emissions, configuration, record, write_config
from method import Plan, budget_alpha, single_limit_db, spread_of, welch

ALARMS = [
    {
        "name": name,
        "severity": "stop",
        "quantity": quantity,
        "limit": "budget",
        "hold_s": 0.0,
        "latch": False,
        "sinks": ["page", "events"],
    }
    for name, quantity in (("floor", "broadband"), ("lines", "ultraharmonic"))
]
QUANTITIES = ("harmonic", "ultraharmonic", "subharmonic", "broadband")


def config_of(**changes):
    return configuration(detect__running_pulse=True, **changes) | {"alarm": ALARMS}


def quarters(plan):
    """Segments after which each look comes: 2·⌊k·M/8⌋ (method §7)."""
    samples = plan.gate[1] - plan.gate[0]
    m = method.segments(samples, plan.n, plan.overlap)
    return [2 * (k * m // 8) for k in (1, 2, 3)]


def running_lambda(plan, counts, volts_per_count):
    """λ of each quantity after each quarter, by SciPy on the samples of these segments alone."""
    hop = plan.n - method.overlap_samples(plan.n, plan.overlap)
    noise = method.noise_density(plan, counts, volts_per_count)
    out = []
    for m in quarters(plan):
        start = plan.gate[0]
        x = counts[start : start + (m - 1) * hop + plan.n] * volts_per_count
        s = welch(x, plan.fs_hz, plan.n, plan.window, plan.overlap)
        lam = method.line_powers(plan, s)[2]
        level = np.mean(s[plan.broadband]) / noise if noise else np.sum(s[plan.broadband]) * plan.df_hz
        lam["broadband"] = 10 * np.log10(level)
        out.append({q: lam[q] for q in QUANTITIES})
    return out


def part(sd_counts, start, end):
    """Broadband in a part of the pulse."""

    def add(counts, rng):
        counts[start:end] += np.rint(sd_counts * rng.standard_normal((end - start, counts.shape[1])))

    return add


def made(tmp_path, exposure, **changes):
    config = config_of(**changes)
    emissions = baseline_emissions((0.2, 0.3)) + exposure
    recording = record(config, emissions, seed=41)
    path = write_config(config, tmp_path / "r.toml")
    return path, recording.write(tmp_path / "r"), recording, Plan(config)


def limits(kept, q, quarter, drive, alpha):
    series = next(d for d in kept["targets"][0]["drives"] if d["drive_mpa"] == drive)
    spread = spread_of(series["channels"][0]["running_lambda_db"][q][quarter])
    return spread.mean + single_limit_db(spread, alpha)


def alarms(session):
    return [e for e in session.events() if e["event"] == "alarm raised"]


@pytest.mark.parametrize("changes", [{}, {"receive__noise_gate_start_s": -0.0501e-3}])
def test_a_baseline_keeps_lambda_of_each_quarter(simmer, tmp_path, changes):
    path, meta, recording, plan = made(tmp_path, [], **changes)
    simmer.run("baseline", "-c", path, "--out", tmp_path / "b.json", meta)
    kept = json.loads((tmp_path / "b.json").read_text())
    counts, volts = recording.read_back(), recording.volts_per_count(0)
    for d, drive in enumerate(kept["targets"][0]["drives"]):
        got = drive["channels"][0]["running_lambda_db"]
        for i in range(0, 30, 7):
            p = recording.pulses[30 * d + i]
            want = running_lambda(plan, counts[p["start"] : p["start"] + p["count"], 0], volts)
            for q in QUANTITIES:
                for k in range(3):
                    # Single precision transforms, method §3: 5e-5 of √P on either side of a ratio.
                    assert got[q][k][i] == pytest.approx(want[k][q], abs=2e-3), (q, k, i)


def test_what_passes_its_quarter_raises_the_alarm_and_the_whole_pulse_the_verdict(simmer, tmp_path):
    gate = (7000, 24000)
    exposure = [
        Emission(),
        # Loud in the first quarter alone, faint enough to drown in the whole gate.
        Emission(after=part(15, 7000, 11000)),
        Emission(),
        Emission(drive_mpa=0.2, broadband_v=3e-3),
        Emission(drive_mpa=0.2),
        # Loud after the third quarter alone.
        Emission(drive_mpa=0.2, after=part(60, 21500, gate[1])),
        Emission(drive_mpa=0.2),
    ]
    path, meta, recording, plan = made(tmp_path, exposure)
    simmer.run("baseline", "-c", path, "--out", tmp_path / "b.json", meta)
    kept = json.loads((tmp_path / "b.json").read_text())
    session = simmer.replay(path, meta)
    counts, volts = recording.read_back(), recording.volts_per_count(0)
    alpha = budget_alpha(0.01, 600, 3 * 4)
    raised = alarms(session)
    early, near = {}, 0
    for p in recording.pulses[60:]:
        lam = running_lambda(plan, counts[p["start"] : p["start"] + p["count"], 0], volts)
        for k in range(3):
            over = lam[k]["broadband"] - limits(kept, "broadband", k, p["drive_mpa"], alpha)
            over -= plan.config["detect"]["repeatability_db"]["broadband"]
            near += abs(over) < 0.01
            if over > 0 and p["number"] not in early:
                early[p["number"]] = (k + 1, over)
    assert not near, "a margin too near to 0 to tell"
    assert 61 in early and 63 in early and 65 not in early, early
    for number, (quarter, over) in early.items():
        event = next(e for e in raised if e["pulse"] == number and e["name"] == "floor")
        assert event["cause"] == (
            f"broadband over the limit of the budget by {over:.1f} dB after {quarter} of 4 quarters of the running pulse"
        )
    # The last quarter raises its alarm with the whole pulse.
    assert any(e["pulse"] == 65 and e["cause"].startswith("broadband over the limit of the budget by") and "running" not in e["cause"] for e in raised)
    verdicts = {int(r["pulse"]): r["verdict"] for r in session.rows if r["stage"] == "exposure"}
    assert verdicts[60] == "not_detected" and verdicts[63] == "inertial" and verdicts[65] == "inertial"
    # An alarm of the running pulse is no verdict.
    assert verdicts[61] == "not_detected"


def test_each_pair_is_looked_at_four_times_and_pays_for_it(simmer, tmp_path):
    path, meta, recording, plan = made(tmp_path, [Emission()])
    session = simmer.replay(path, meta)
    plain = dict(recording.config)
    plain["detect"] = {k: v for k, v in plain["detect"].items() if k != "running_pulse"}
    without = simmer.replay(write_config(plain, tmp_path / "p.toml"), meta)
    lam = [float(r["broadband_contrast_db"]) for r in without.rows if r["drive_mpa"] == "3e-1" and r["stage"] == "baseline"]
    spread = spread_of(lam)
    for got, pairs in ((session, 12), (without, 3)):
        want = single_limit_db(spread, budget_alpha(0.01, 600, pairs))
        assert got.number(60, "broadband_limit_db") == pytest.approx(want, rel=1e-6)
    assert "running_lambda_db" not in simmer_baseline(simmer, tmp_path / "p.toml", meta)


def simmer_baseline(simmer, path, meta):
    out = simmer.folder / f"{path.stem}.json"
    simmer.run("baseline", "-c", path, "--out", out, meta)
    return out.read_text()


def test_a_baseline_without_running_pulses_says_that_nothing_comes_early(simmer, tmp_path):
    path, meta, recording, _ = made(tmp_path, [Emission(broadband_v=5e-3)])
    plain = dict(recording.config)
    plain["detect"] = {k: v for k, v in plain["detect"].items() if k != "running_pulse"}
    simmer_baseline(simmer, write_config(plain, tmp_path / "p.toml"), meta)
    session = simmer.replay(path, meta, options=("--baseline", simmer.folder / "p.json"))
    told = [e["text"] for e in session.events() if e["event"] == "warning"]
    assert any("holds nothing of running pulses" in text for text in told)
    assert all("running" not in e["cause"] for e in alarms(session))
    assert session.row(60)["verdict"] == "inertial"


def test_a_damaged_list_is_named(simmer, tmp_path):
    path, meta, _, _ = made(tmp_path, [Emission()])
    kept = json.loads(simmer_baseline(simmer, path, meta))
    kept["targets"][0]["drives"][0]["channels"][0]["running_lambda_db"]["harmonic"][1].pop()
    (tmp_path / "bad.json").write_text(json.dumps(kept))
    done = simmer.replay(path, meta, options=("--baseline", tmp_path / "bad.json"), code=65)
    assert "channels[0].running_lambda_db: harmonic has 29 values, pulses has 30" in done.stderr


def test_samples_that_were_lost_raise_nothing_early(simmer, tmp_path):
    lost = Emission(broadband_v=2e-2, extra={"simmer:lost_samples": 3})
    path, meta, _, _ = made(tmp_path, [Emission(), lost])
    session = simmer.replay(path, meta)
    assert session.row(61)["verdict"] == "indeterminate"
    assert not [e for e in alarms(session) if e["name"] in ("floor", "lines")]
