"""Every number and verdict of pulses.csv against the reference implementation, from the samples up."""

import os
import re

import numpy as np
import pytest

from judge import Judge
from make import Emission, Scene, baseline_emissions, configuration, format_changes, record, write_config
from method import QUANTITIES, Plan

# Method §3 allows a band's √P a share of 5e-5, which is 8.7e-4 dB in two powers and their means. The
# single-precision transform stays far below, and so does this tolerance: it would show any other
# reading of §5–§7.
TOLERANCE_DB = 2e-4
POWER_SHARE = 5e-5


def differs(got, want, **tolerance):
    """Whether a cell is not the number; an empty cell is None."""
    if want is None or not np.isfinite(want):
        return got != ""
    return got == "" or float(got) != pytest.approx(want, **({"abs": 0.0} | tolerance))


def differences(got, want):
    """The cells of a row of pulses.csv that are not the oracle's, as text."""
    cells = [(f"{q}_v2", want.power_v2.get(q), {"rel": 2 * POWER_SHARE, "abs": 0.0}) for q in (*QUANTITIES, "fundamental")]
    cells.append(("broadband_v2_per_hz", want.broadband_v2_per_hz, {"rel": 2 * POWER_SHARE, "abs": 0.0}))
    levels = (*QUANTITIES, "fundamental", "noise")
    cells += [(f"{q}_db", want.over_db.get(q), {"abs": TOLERANCE_DB}) for q in levels]
    for kind, numbers in (
        ("contrast", want.lam_db),
        ("detect", want.detect_db),
        ("limit", want.limit_db),
        ("hear", want.hear_db),
        ("hear_cumulative", want.hear_cumulative_db),
    ):
        for q in QUANTITIES:
            # Limits are multiples of a standard deviation, by thousands where few pulses are correlated.
            multiple = kind in ("limit", "hear", "hear_cumulative")
            slacks_db = {"hear_cumulative": want.together_slack_db}.get(kind, want.limit_slack_db)
            slack_db = slacks_db.get(q, 0.0) if multiple else 0.0
            tolerance = {"abs": TOLERANCE_DB + slack_db, "rel": POWER_SHARE if multiple else 0.0}
            cells.append((f"{q}_{kind}_db", numbers.get(q), tolerance))
    for kind, powers, limits_db, slacks_db in (
        ("hear", want.hear_v2, want.hear_db, want.limit_slack_db),
        ("hear_cumulative", want.hear_cumulative_v2, want.hear_cumulative_db, want.together_slack_db),
    ):
        for q in QUANTITIES:
            tolerance = {}
            if np.isfinite(powers.get(q, np.nan)):
                # d ΔP = P̄ · 10^(L/10) · ln 10/10 · dL with the tolerance of L, and the share of P̄ itself.
                ratio = 10 ** (limits_db[q] / 10)
                slack_db = TOLERANCE_DB + slacks_db.get(q, 0.0) + POWER_SHARE * abs(limits_db[q])
                share = 2 * POWER_SHARE + np.log(10) / 10 * ratio / (ratio - 1) * slack_db
                tolerance = {"rel": share, "abs": 0.0}
            cells.append((f"{q}_{kind}_v2", powers.get(q), tolerance))
    for q in QUANTITIES:
        # A dose is a sum of differences: its tolerance follows the powers that went into it.
        tolerance = {"rel": 0.0, "abs": want.dose_scale_v2s.get(q, 0.0)}
        cells.append((f"{q}_excess_dose_v2s", want.dose_v2s.get(q), tolerance))
    cells.append(("clipped_share", want.clipped_share, {"rel": 1e-12, "abs": 1e-15}))
    cells = [(column, number, tolerance) for column, number, tolerance in cells if differs(got[column], number, **tolerance)]
    texts = [f"{column} is {got[column]!r}, the oracle has {number}" for column, number, _ in cells]
    for column, text in (("stage", want.stage), ("verdict", want.verdict), ("cumulative", want.cumulative)):
        if got[column] != text:
            texts.append(f"{column} is {got[column]!r}, the oracle has {text!r}")
    return texts + reason_faults(got["reason"], want)


def reason_faults(reason, want):
    """The reason names what passed first, with its rule and margin, and then every condition (§10, §11)."""
    parts, faults = reason.split("; ") if reason else [], []
    if want.stage != "exposure" and not want.conditions and f"stage {want.stage}" not in parts:
        faults.append(f"stage {want.stage} is not in the reason {reason!r}")
    missing = [c for c in want.conditions if not any(part.startswith(c) for part in parts)]
    if missing:
        faults.append(f"{missing} not in the reason {reason!r}")
    if want.verdict in ("stable", "inertial") and want.channel != "all":
        named = parts[0].split()[0] if parts else ""
        margin = re.search(r"([+-][0-9.]+) dB", parts[0]) if parts else None
        if not want.passed.get(named):
            faults.append(f"the reason {reason!r} names {named!r} first, which did not pass")
        elif margin and np.isfinite(want.margin_db.get(named, np.nan)):
            if float(margin[1]) != pytest.approx(want.margin_db[named], abs=0.051):
                faults.append(f"the margin in {reason!r} is not {want.margin_db[named]}")
    return faults


def compare(session, wanted):
    """Every row of a session against the oracle's; all differences are told at once."""
    assert [(r["pulse"], r["channel"]) for r in session.rows] == [(str(w.pulse), str(w.channel)) for w in wanted]
    found = [
        f"pulse {want.pulse} channel {want.channel}: {text}"
        for got, want in zip(session.rows, wanted)
        for text in differences(got, want)
    ]
    assert not found, f"{len(found)} differences\n" + "\n".join(found[:60])


def lucky(wanted):
    """Whether any verdict lies so near its limit or condition that it is a matter of luck."""
    slack = [x for row in wanted for x in (*row.margin_db.values(), *row.condition_slack_db)]
    evidence = [x for row in wanted for x in row.evidence_slack]
    return bool(np.any(np.abs(slack) <= 10 * TOLERANCE_DB) or np.any(np.abs(evidence) <= 0.01))


def check_session(simmer, recordings, config, used=None):
    """Replays recordings, judges them by the oracle too, and compares every row."""
    plan = Plan(config)
    path = write_config(config, simmer.folder / "config.toml")
    files = [r.write(simmer.folder / f"part{i}") for i, r in enumerate(recordings)]
    session = simmer.replay(path, *files)
    pulses = [p for r in recordings for p in r.pulses_heard(plan)]
    channels = used or config["receive"]["channels"]
    wanted = Judge(config, channels).run(pulses)
    assert not lucky(wanted)
    compare(session, wanted)
    return session, wanted


def burst_of_nan(counts, rng):
    """A short hole in the numbers, inside the gate."""
    counts[9000:9010] = np.nan


def saturate(counts, rng):
    """A run of five samples at the upper stop, inside the gate."""
    counts[9000:9005] = 8191


def dead(counts, rng):
    """A receiver whose last bit flickers now and then: variance 0.04 q², below q²/12."""
    counts[:] = rng.random(counts.shape) < 0.04


def touch_the_stop(counts, rng):
    """Three samples at the stop on one crest of the drive: clipped, but no louder for it."""
    crest = 9000 + np.argmax(counts[9000:9100, 0])
    counts[crest - 1 : crest + 2] = 900


HALVES = {1.5: 1.2e-3, 2.5: 1.2e-3}


def exposure_emissions():
    """An exposure that meets every case of §6, §7, §10 and §11."""
    return [
        *[Emission(drive_mpa=0.15) for _ in range(4)],
        *[Emission(drive_mpa=0.2) for _ in range(4)],
        # Between the baseline's drives, and just outside by less than the tolerance.
        *[Emission(drive_mpa=0.25) for _ in range(4)],
        *[Emission(drive_mpa=0.17, lines_v=HALVES) for _ in range(4)],
        *[Emission(drive_mpa=0.31) for _ in range(3)],
        *[Emission(drive_mpa=0.145) for _ in range(3)],
        # Outside: nothing, a loud ultraharmonic (by contrast alone), broadband.
        *[Emission(drive_mpa=0.4) for _ in range(2)],
        *[Emission(drive_mpa=0.4, lines_v={1.5: 6e-3, 2.5: 6e-3, 3.5: 6e-3}) for _ in range(2)],
        Emission(drive_mpa=0.1, broadband_v=4e-3),
        # Lines added, with the 2-of-3 rule: the first of a row does not pass, the last leaves a tail.
        *[Emission(drive_mpa=0.3, lines_v=HALVES) for _ in range(3)],
        *[Emission(drive_mpa=0.3) for _ in range(3)],
        *[Emission(drive_mpa=0.3, lines_v={0.5: 1.5e-3}) for _ in range(3)],
        Emission(drive_mpa=0.3, broadband_v=2e-3),
        Emission(drive_mpa=0.3, lines_v={2: 0.02, 3: 0.02}),
        Emission(drive_mpa=0.3, after=saturate),
        Emission(drive_mpa=0.3, broadband_v=2e-3, after=saturate),
        Emission(drive_mpa=0.3, coupling_db=-12.0),
        Emission(drive_mpa=0.3, after=dead),
        Emission(drive_mpa=0.3, burst_s=1.2e-3),
        Emission(drive_mpa=0.3, frequency_hz=0.704e6),
        Emission(drive_mpa=0.3, extra={"simmer:lost_samples": 400}),
        Emission(drive_mpa=0.3, count=18000),
        *[Emission(drive_mpa=0.3) for _ in range(2)],
        *[Emission(drive_mpa=0.3, gain_db=3.0) for _ in range(5)],
        *[Emission(drive_mpa=0.3, gain_db=3.0, lines_v=HALVES) for _ in range(3)],
    ]


def test_a_session_of_every_case_is_the_oracles_to_the_last_number(simmer):
    config = configuration()
    noise = [Emission(drive_mpa=0.0, stage="noise", burst_s=0.0) for _ in range(5)]
    recording = record(config, noise + baseline_emissions() + exposure_emissions(), 11)
    session, wanted = check_session(simmer, [recording], config)
    verdicts = {row.verdict for row in wanted}
    assert verdicts == {"", "not_detected", "stable", "inertial", "indeterminate"}
    conditions = {c for row in wanted for c in row.conditions}
    assert conditions == {
        "samples lost", "gate incomplete", "dead channel", "clipped", "drive outside baseline",
        "fundamental low", "noise moved", "drive cut short", "drive frequency",
    }  # fmt: skip
    reasons = [row["reason"] for row in session.rows]
    assert any(reason.startswith("harmonic only") for reason in reasons)


def test_clipping_forbids_silence_and_never_an_alarm(simmer):
    config = configuration(receive__full_scale_counts=[-900, 900])
    exposure = [
        Emission(),
        Emission(after=touch_the_stop),
        Emission(broadband_v=2e-3, after=touch_the_stop),
        Emission(),
    ]
    recording = record(config, baseline_emissions(drives=(0.3,)) + exposure, 21)
    session, _ = check_session(simmer, [recording], config)
    assert [row["verdict"] for row in session.rows[30:]] == [
        "not_detected",
        "indeterminate",
        "inertial",
        "not_detected",
    ]
    loud = session.row(32)["reason"]
    assert loud.startswith("broadband") and loud.endswith("; clipped")


def test_several_channels_and_their_mean_are_the_oracles(simmer):
    config = configuration(
        receive__channels=3,
        receive__volts_per_count=[6e-5, 5e-5, 7e-5],
        detect__channels_needed=2,
        detect__stable_from=["harmonic", "ultraharmonic", "subharmonic"],
    )

    def one_dead(counts, rng):
        counts[:, 1] = 0

    def two_dead(counts, rng):
        counts[:, 1:] = 0

    exposure = [
        *[Emission(drive_mpa=0.3) for _ in range(4)],
        *[Emission(drive_mpa=0.24) for _ in range(3)],
        *[Emission(drive_mpa=0.3, lines_v=HALVES) for _ in range(3)],
        *[Emission(drive_mpa=0.3, after=one_dead) for _ in range(2)],
        Emission(drive_mpa=0.3, after=two_dead),
        Emission(drive_mpa=0.3, broadband_v=2e-3, after=one_dead),
        Emission(drive_mpa=0.3, coupling_db=-12.0),
        Emission(drive_mpa=0.3, broadband_v=1.5e-3),
        Emission(drive_mpa=0.3),
    ]
    recording = record(config, baseline_emissions() + exposure, 12)
    _, wanted = check_session(simmer, [recording], config)
    assert {row.verdict for row in wanted if row.channel == "all"} >= {"stable", "inertial", "not_detected"}


def test_samples_that_are_not_finite_leave_one_pulse_without_numbers(simmer):
    config = configuration(**format_changes("rf32_le"))
    exposure = [*[Emission() for _ in range(3)], Emission(after=burst_of_nan), *[Emission() for _ in range(3)]]
    recording = record(config, baseline_emissions(drives=(0.3,)) + exposure, 13)
    session, wanted = check_session(simmer, [recording], config)
    assert [row.verdict for row in wanted[30:]].count("indeterminate") == 1
    assert "not finite" in session.row(33)["reason"]


def test_several_files_and_a_baseline_file_give_the_same_numbers(simmer):
    config = configuration(detect__rule={
        "harmonic": "2 of 2", "ultraharmonic": "3 of 5", "subharmonic": "1 of 1", "broadband": "2 of 3",
    })  # fmt: skip
    base = record(config, baseline_emissions(each=14), 14)
    exposure = record(
        config,
        [
            *[Emission(drive_mpa=0.2) for _ in range(3)],
            *[Emission(drive_mpa=0.2, lines_v=HALVES) for _ in range(5)],
            *[Emission(drive_mpa=0.2, broadband_v=2e-3) for _ in range(2)],
            *[Emission(drive_mpa=0.21) for _ in range(2)],
        ],
        15,
        first_number=42,
    )
    session, _ = check_session(simmer, [base, exposure], config)
    path, file = simmer.folder / "config.toml", simmer.folder / "baseline.json"
    simmer.run("baseline", "-c", path, "--out", file, simmer.folder / "part0.sigmf-meta")
    alone = simmer.replay(path, simmer.folder / "part1.sigmf-meta", options=["--baseline", file])
    for got, want in zip(alone.rows, session.rows[42:], strict=True):
        # The file brings the baseline's numbers; the noise of its last pulses it does not bring, and
        # time starts with the first sample that is there.
        assert {**got, "time_s": "", "time_utc": ""} == {**want, "time_s": "", "time_utc": ""}


def test_an_end_cut_off_leaves_the_last_pulse_incomplete(simmer):
    config = configuration()
    recording = record(config, baseline_emissions(drives=(0.3,)) + [Emission() for _ in range(4)], 16)
    path = write_config(config, simmer.folder / "config.toml")
    meta = recording.write(simmer.folder / "cut")
    last = recording.pulses[-1]
    with open(simmer.folder / "cut.sigmf-data", "r+b") as data:
        data.truncate(2 * (last["start"] + 12000))
    session = simmer.replay(path, meta)
    row = session.row(last["number"])
    assert row["verdict"] == "indeterminate"
    assert row["reason"].startswith(("samples lost", "gate incomplete"))
    assert [session.row(n)["verdict"] for n in (30, 31, 32)] == ["not_detected"] * 3
    assert "warn" in session.done.stderr.lower()


def test_a_sham_pulse_is_in_no_statistics_of_limits(simmer):
    config = configuration()
    shams = [Emission(drive_mpa=0.0, stage="baseline", burst_s=0.0) for _ in range(3)]
    plain = record(config, baseline_emissions(drives=(0.3,)) + [Emission() for _ in range(3)], 17)
    path = write_config(config, simmer.folder / "config.toml")
    mixed = record(config, shams, 18, first_number=0)
    for pulse in plain.pulses:
        pulse["number"] += 3
    session = simmer.replay(
        path, mixed.write(simmer.folder / "shams"), plain.write(simmer.folder / "plain")
    )
    wanted = Judge(config, 1).run(plain.pulses_heard(Plan(config)))
    for want in wanted[-3:]:
        row = session.row(want.pulse)
        for q in QUANTITIES:
            assert not differs(row[f"{q}_limit_db"], want.limit_db[q], abs=TOLERANCE_DB)
        assert row["verdict"] == want.verdict


def test_channels_out_of_use_take_no_part(simmer):
    config = configuration(receive__channels=3, receive__unused_channels=[1])
    recording = record(config, baseline_emissions(drives=(0.3,)) + [Emission() for _ in range(3)], 19)
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "three"))
    assert {row["channel"] for row in session.rows} == {"0", "2", "all"}
    wanted = Judge(config, 2, names=[0, 2]).run(recording.pulses_heard(Plan(config)))
    for want in wanted:
        want.channel = {0: 0, 1: 2, "all": "all"}[want.channel]
    compare(session, wanted)


def test_without_silence_broadband_is_unreferenced_and_its_level_is_judged(simmer):
    # A noise gate of 2 samples holds no two segments of any length.
    config = configuration(
        receive__noise_gate_start_s=-0.4e-6,
        receive__noise_gate_end_s=-0.2e-6,
        detect__sign_of_life="none",
    )
    recording = record(
        config, baseline_emissions(drives=(0.3,)) + [Emission(), Emission(broadband_v=2e-3)], 20, Scene()
    )
    check_session(simmer, [recording], config)


# --- random sessions -----------------------------------------------------------------------------

SEED = int(os.environ.get("SIMMER_ORACLE_SEED", "20260504"))


def random_rule(rng):
    """A rule m of n."""
    looks = int(rng.integers(1, 6))
    return f"{rng.integers(1, looks + 1)} of {looks}"


def random_session(rng):
    """A random configuration and a random course of pulses over two targets."""
    channels = int(rng.integers(1, 5))
    unused = [int(rng.integers(channels))] if channels > 2 and rng.random() < 0.5 else []
    used = channels - len(unused)
    config = configuration(
        receive__channels=channels,
        receive__unused_channels=unused,
        spectrum__window=str(rng.choice(["hann", "blackman-harris", "rectangular"])),
        detect__false_alarms_per_exposure=float(10 ** rng.uniform(-3, -0.5)),
        detect__expected_pulses=int(rng.integers(10, 5000)),
        detect__stable_from=[q for q in ("harmonic", "ultraharmonic", "subharmonic") if rng.random() < 0.6],
        detect__rule={q: random_rule(rng) for q in QUANTITIES},
        detect__repeatability_db={q: float(round(rng.uniform(0, 1), 2)) for q in QUANTITIES},
        detect__sign_of_life=str(rng.choice(["fundamental", "noise", "none"])),
        detect__channels_needed=int(rng.integers(1, used + 1)),
        drive__drive_tolerance=0.05,
    )
    drives = [0.15, 0.2, 0.3]
    rng.shuffle(drives)
    emissions = []
    for target in ("tube", "wall"):
        each = int(rng.integers(10, 40))
        series = [d for d in drives for _ in range(each)]
        if rng.random() < 0.5:
            # A ramp over and over instead of one drive after another.
            series = drives * each
        wander_db = 0.0
        for d in series:
            # The harmonics wander slowly, so that serial correlation is there to be corrected for.
            wander_db = 0.8 * wander_db + 0.3 * rng.standard_normal()
            extra = 10 ** (wander_db / 20) - 1
            lines = {2: 0.12 * d**2 * extra, 3: 0.1 * d**3 * extra}
            # Drives within the tolerance of the first of their kind join it.
            near = d * (1 + 0.02 * (rng.random() < 0.3))
            emissions.append(Emission(drive_mpa=near, stage="baseline", target=target, lines_v=lines))
        emissions += random_exposure(rng, target, channels)
    return config, used, record(config, emissions, int(rng.integers(2**32)))


def random_exposure(rng, target, channels):
    """Some runs of pulses at one drive each, with or without something in them."""
    course = []
    for _ in range(int(rng.integers(4, 8))):
        drive = float(rng.choice([0.15, 0.17, 0.2, 0.21, 0.25, 0.3, 0.312, 0.5]))
        kinds = [
            {},
            {},
            {"lines_v": {1.5: 1e-3, 2.5: 1e-3}},
            {"lines_v": {0.5: 1.2e-3}},
            {"lines_v": {2: 0.03, 3: 0.03}},
            {"broadband_v": 1.5e-3},
            {"coupling_db": -12.0},
            {"gain_db": 3.0},
            {"after": saturate},
            {"count": 18000},
        ]
        for _ in range(int(rng.integers(1, 6))):
            what = kinds[int(rng.integers(len(kinds)))]
            course.append(Emission(drive_mpa=drive, target=target, **what))
    return course


@pytest.mark.parametrize("case", range(6))
def test_a_random_session_is_the_oracles(simmer, case):
    print(f"SIMMER_ORACLE_SEED={SEED}, case {case}")
    rng = np.random.default_rng([SEED, 1000 + case])
    while True:
        config, used, recording = random_session(rng)
        plan = Plan(config)
        names = [c for c in range(config["receive"]["channels"]) if c not in config["receive"]["unused_channels"]]
        wanted = Judge(config, used, names).run(recording.pulses_heard(plan))
        if not lucky(wanted):
            break
    for row in wanted:
        row.channel = row.channel if row.channel == "all" else names[row.channel]
    path = write_config(config, simmer.folder / "config.toml")
    compare(simmer.replay(path, recording.write(simmer.folder / "random")), wanted)
