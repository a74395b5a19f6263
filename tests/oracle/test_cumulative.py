"""What many pulses say together: whole sessions through the binary against the reference implementation.

Tolerances are those of replayed.py: double precision for what follows from a session's own λ.
"""

import numpy as np
import pytest

from make import Emission, baseline_emissions, record, write_config
from method import QUANTITIES
from replayed import check_together, small

# Half orders of the drive, weak: about 1 dB of one channel's ultraharmonic λ, whose standard deviation
# from pulse to pulse is about 0.5 dB.
WEAK = {1.5: 0.9e-4, 2.5: 0.9e-4, 3.5: 0.9e-4}


def shares(session, exposure):
    """Verdicts of an exposure's rows, counted."""
    rows = [r for r in session.rows if r["exposure"] == str(exposure) and r["stage"] == "exposure"]
    return {v: sum(r["verdict"] == v for r in rows) for v in ("not_detected", "stable", "inertial", "indeterminate")}


# --- one channel, one drive -----------------------------------------------------------------------


def test_a_weak_ultraharmonic_that_no_pulse_shows_is_established(simmer):
    emissions = baseline_emissions((0.3,), each=60) + [Emission(lines_v=WEAK) for _ in range(60)]
    session, wanted, [exposure] = check_together(simmer, small(), emissions, 201, marks=[60])
    assert shares(session, 1) == {"not_detected": 60, "stable": 0, "inertial": 0, "indeterminate": 0}
    found = exposure.first["ultraharmonic"]
    assert 60 < found.pulse < 119 and found.series.first_weight == 0.5
    assert session.row(found.pulse - 1)["cumulative"] == ""
    assert all(session.row(p)["cumulative"].startswith("ultraharmonic since") for p in range(found.pulse, 120))
    # The limit falls with every pulse heard, far below that of one pulse.
    heard = [w.hear_cumulative_db["ultraharmonic"] for w in wanted[60:]]
    assert heard[-1] < 0.5 * wanted[-1].hear_db["ultraharmonic"] and heard[-1] < heard[10]


def test_without_bubbles_nothing_is_established(simmer):
    emissions = baseline_emissions((0.3,), each=40) + [Emission() for _ in range(80)]
    session, _, [exposure] = check_together(simmer, small(), emissions, 202)
    assert not exposure.first
    assert all(row["cumulative"] == "" for row in session.rows)
    # Without a mark a quarter stays reserved, and limits carry the smaller weight.
    assert {series.first_weight for series in exposure.series.values()} == {0.25}


def test_bubbles_that_come_with_an_injection_are_dated_by_its_mark(simmer):
    emissions = baseline_emissions((0.3,), each=60) + [Emission() for _ in range(41)]
    emissions += [Emission(lines_v=WEAK) for _ in range(45)]
    config = small(detect__expected_pulses=600)
    _, _, [marked] = check_together(simmer, config, emissions, 203, marks=[101])
    series = marked.series[(0, 0, "ultraharmonic")]
    assert series.onsets[-1] == (41, 0.25) and series.kept == 0.0
    # With 600 expected pulses no other onset lies near; without the mark it takes longer.
    _, _, [unmarked] = check_together(simmer, config, emissions, 203)
    later = unmarked.first.get("ultraharmonic")
    assert marked.first["ultraharmonic"].pulse < (later.pulse if later else 10**6)


def test_only_the_first_mark_of_an_exposure_is_an_onset(simmer):
    emissions = baseline_emissions((0.3,), each=40) + [Emission() for _ in range(20)]
    emissions += [Emission(lines_v=WEAK) for _ in range(40)]
    _, _, [exposure] = check_together(simmer, small(), emissions, 204, marks=[55, 62, 70])
    assert exposure.series[(0, 0, "subharmonic")].onsets[-1] == (15, 0.25)


def test_a_mark_taken_back_stays_the_onset_it_was(simmer):
    emissions = baseline_emissions((0.3,), each=40) + [Emission() for _ in range(20)]
    emissions += [Emission(lines_v=WEAK) for _ in range(30)]
    _, _, [exposure] = check_together(simmer, small(), emissions, 217, marks=[60, 70], voids=[(66, 1)])
    assert exposure.series[(0, 0, "subharmonic")].onsets[-1] == (20, 0.25)


def test_pulses_that_are_not_heard_take_no_part(simmer):
    config = small(receive__full_scale_counts=[-800, 800])
    bubbles = lambda **more: Emission(lines_v={**WEAK, 0.5: 1.2e-4}, **more)
    emissions = baseline_emissions((0.3,), each=45)
    for _ in range(14):
        emissions += [bubbles(), bubbles(coupling_db=-12.0), bubbles(), bubbles(after=touch_the_crest)]
        emissions += [bubbles(count=5000)]
    # Loud and clipped: not silent, so it takes part.
    emissions += [bubbles(broadband_v=3e-3, after=touch_the_crest), bubbles()]
    session, wanted, [exposure] = check_together(simmer, config, emissions, 222, marks=[45])
    assert shares(session, 1)["indeterminate"] == 3 * 14
    assert len(exposure.series[(0, 0, "ultraharmonic")].z) == 2 * 14 + 2
    loud = next(row for row in wanted if row.verdict == "inertial")
    assert "clipped" in loud.conditions and loud.hear_cumulative_db
    # What is established stands in every row from then on, also in those that say nothing themselves.
    assert any(r["verdict"] == "indeterminate" and r["cumulative"] for r in session.rows)


def touch_the_crest(counts, rng):
    """Three samples at the stop on one crest of the drive, within the gate."""
    crest = 3000 + np.argmax(counts[3000:3100, 0])
    counts[crest - 1 : crest + 2] = 800


def test_a_baseline_of_29_pulses_hears_nothing_together(simmer):
    emissions = baseline_emissions((0.2,), each=29) + baseline_emissions((0.3,), each=30)
    # One of 30 with a fault leaves 29.
    emissions += baseline_emissions((0.4,), each=29) + [Emission(drive_mpa=0.4, stage="baseline", count=5000)]
    loud = {h: 2.5 * v for h, v in WEAK.items()}
    emissions += [Emission(drive_mpa=d, lines_v=loud) for _ in range(25) for d in (0.2, 0.3, 0.4)]
    session, wanted, [exposure] = check_together(simmer, small(), emissions, 206, marks=[89])
    assert {index for index, _, _ in exposure.series} == {1}
    assert exposure.first["ultraharmonic"].drive_mpa == 0.3
    # Three drives share the budget, whether or not their pulses can take part.
    assert exposure.threshold == 2 * 3 * 3 / 0.01
    silent = [w for w in wanted if w.stage == "exposure" and not w.hear_cumulative_db]
    assert len(silent) == 50 and all(w.hear_db for w in silent)


# --- the evidence itself --------------------------------------------------------------------------

NEAR = 1e-6
UNREFERENCED = {"receive__noise_gate_start_s": -0.8e-6, "receive__noise_gate_end_s": -0.4e-6}


@pytest.mark.parametrize(
    ("quantity", "changes", "quiet", "bubbles", "marks"),
    [
        ("ultraharmonic", {}, 0, WEAK, [40]),
        # Bubbles that come at half the exposure, first without a mark, then with one that comes late.
        ("ultraharmonic", {}, 30, WEAK, []),
        ("ultraharmonic", {}, 26, WEAK, [70]),
        # 4 expected pulses: onsets at r(0.5) = 0, 1, r(1.5) = 2, 2, r(2.5) = 2, 3, r(3.5) = 4.
        ("ultraharmonic", {"detect__expected_pulses": 4}, 3, WEAK, []),
        ("broadband", UNREFERENCED, 20, 3e-4, [57]),
        ("broadband", {}, 12, 3e-4, []),
    ],
)
def test_the_evidence_is_the_oracles_to_a_millionth(simmer, quantity, changes, quiet, bubbles, marks):
    """E stands in no column, but the budget q can put its threshold a millionth below and above it."""
    added = {"broadband_v": bubbles} if quantity == "broadband" else {"lines_v": bubbles}
    emissions = baseline_emissions((0.3,), each=40) + [Emission() for _ in range(quiet)]
    emissions += [Emission(**added) for _ in range(75 - quiet)]
    # A little δ, so that it is in E.
    config = small(**changes, detect__repeatability_db=dict.fromkeys(QUANTITIES, 0.02))
    _, _, [exposure] = check_together(simmer, config, emissions, 220, marks=marks)
    evidence = np.exp(exposure.series[(0, 0, quantity)].log_e)
    # Pulses that say more than all before them; q below 1/2 keeps the threshold above 4·B.
    best = np.concatenate(([0.0], np.maximum.accumulate(evidence)[:-1]))
    records = np.flatnonzero((evidence > best * (1 + 4 * NEAR)) & (evidence > 4 * 3) & (evidence < 1e9))
    assert len(records) >= 4
    for record_at in records[:: len(records) // 4][:5]:
        for side, found in ((1 - NEAR, True), (1 + NEAR, False)):
            config["detect"]["false_alarms_per_exposure"] = 2 * 3 / (evidence[record_at] * side)
            path = write_config(config, simmer.folder / "config.toml")
            options = ["--acts", simmer.folder / "acts.ndjson"] if marks else []
            session = simmer.replay(path, simmer.folder / "seed220.sigmf-meta", options=options)
            row = session.row(40 + record_at)
            assert (f"{quantity} since {40 + record_at}" in row["cumulative"]) == found, (record_at, side)
            assert quantity not in session.row(39 + record_at)["cumulative"]


def test_a_fall_far_below_the_baseline_does_not_deafen_what_comes_after(simmer):
    """40 standard deviations down for 230 pulses: T(x) of §8 is 0 to all digits, and ln 0 no number."""
    emissions = baseline_emissions((0.3,), each=230) + [Emission(lines_v={2: -9.8e-3}) for _ in range(230)]
    emissions += [Emission() for _ in range(60)]
    config = small(detect__repeatability_db=dict.fromkeys(QUANTITIES, 0.0), bands__harmonics=[2])
    _, _, [exposure] = check_together(simmer, config, emissions, 216, marks=[460])
    series = exposure.series[(0, 0, "harmonic")]
    assert np.mean(series.z[:230]) < -40 * series.spread.s
    # All that is left of E before the mark is what the mark's onset had reserved for it.
    assert np.log(0.25) <= series.log_e[229] < np.log(0.26)
    assert 460 < exposure.first["harmonic"].pulse < 490


# --- several drives -------------------------------------------------------------------------------


def test_two_drives_go_on_where_they_were_and_pulses_between_take_no_part(simmer):
    emissions = baseline_emissions((0.2, 0.3), each=40)
    at = lambda drive, lines: Emission(drive_mpa=drive, lines_v=lines)
    for k in range(26):
        emissions += [at(0.2, WEAK), at(0.3, {0.5: 1.6e-4})]
        if k % 3 == 0:
            # Between the two: not within 5 % of either.
            emissions += [at(0.25, WEAK)]
        if k % 4 == 0:
            # Within 5 %, against the mean interpolated between the two; and below the lowest.
            emissions += [at(0.208, WEAK), at(0.194, WEAK)]
    session, wanted, [exposure] = check_together(simmer, small(), emissions, 207, marks=[80])
    parts = {(i, q): len(s.z) for (i, _, q), s in exposure.series.items()}
    assert {parts[0, q] for q in QUANTITIES} == {26 + 14} and {parts[1, q] for q in QUANTITIES} == {26}
    between = [w for w, e in zip(wanted, emissions) if e.drive_mpa == 0.25]
    assert len(between) == 9 and not any(w.hear_cumulative_db for w in between)
    assert all(w.hear_db for w in between)
    assert exposure.first["ultraharmonic"].drive_mpa == 0.2
    assert exposure.by_drive[1, "subharmonic"].drive_mpa == 0.3


def test_a_neighbour_of_few_pulses_carries_a_mean_but_no_series(simmer):
    # Within 5 % of 0.2, towards 0.3 with 12 pulses and, below, towards 0.1 with 9, which are no baseline.
    emissions = baseline_emissions((0.1,), each=9) + baseline_emissions((0.2,), each=36)
    emissions += baseline_emissions((0.3,), each=12)
    emissions += [Emission(drive_mpa=d, lines_v=WEAK) for _ in range(15) for d in (0.208, 0.193, 0.2, 0.3)]
    _, wanted, [exposure] = check_together(simmer, small(), emissions, 218)
    assert {(i, len(s.z)) for (i, _, _), s in exposure.series.items()} == {(1, 30)}
    assert exposure.threshold == 2 * 3 * 3 / 0.01
    below = [w for w, e in zip(wanted, emissions) if e.drive_mpa == 0.193]
    assert {w.verdict for w in below} == {"indeterminate"} and not any(w.limit_db for w in below)


def test_halfway_between_two_drives_the_lower_is_taken(simmer):
    # 0.26 is 0.01 from either, and within 5 % of both.
    emissions = baseline_emissions((0.25, 0.27), each=32)
    emissions += [Emission(drive_mpa=d, lines_v=WEAK) for _ in range(12) for d in (0.26, 0.27, 0.262)]
    _, _, [exposure] = check_together(simmer, small(drive__drive_tolerance=0.05), emissions, 208)
    assert len(exposure.baseline.drives) == 2
    assert {(i, len(s.z)) for (i, _, _), s in exposure.series.items()} == {(0, 12), (1, 24)}


def test_a_drive_that_nobody_knows_has_its_own_series(simmer):
    def forget(recording):
        for pulse in recording.pulses:
            pulse["drive_mpa"] = None

    emissions = baseline_emissions((0.3,), each=40) + [Emission(lines_v=WEAK) for _ in range(50)]
    session, _, [exposure] = check_together(simmer, small(), emissions, 209, marks=[40], change=forget)
    assert exposure.first["ultraharmonic"].drive_mpa is None
    assert session.exposures()[0]["ultraharmonic_cumulative_mpa"] == ""


# --- several channels -----------------------------------------------------------------------------


def without_channel(channel):
    """A receiver that says nothing in this pulse."""

    def silence(counts, rng):
        counts[:, channel] = 0

    return silence


def only_on(channel, volts):
    """Adds half orders of the drive on one channel, while the drive lasts."""

    def add(counts, rng):
        t = np.arange(len(counts)) / 4e6 - 0.5e-3
        tone = sum(np.cos(2 * np.pi * h * 0.25e6 * t + rng.uniform(0, 2 * np.pi)) for h in (1.5, 2.5, 3.5))
        burst = (t >= 95e-6) & (t < 1e-3)
        counts[:, channel] = np.rint(counts[:, channel] + volts / (0.5 / 8192) * tone * burst)

    return add


def test_the_mean_of_all_keeps_the_channels_it_began_with(simmer):
    config = small(receive__channels=4, detect__channels_needed=2)
    dead = without_channel(2)
    emissions = baseline_emissions((0.2, 0.3), each=34)
    weak = {h: 0.8 * v for h, v in WEAK.items()}
    for k in range(24):
        # At 0.2 MPa all four begin, at 0.3 MPa three do; each later loses or gains the third.
        emissions.append(Emission(drive_mpa=0.2, lines_v=weak, after=dead if k % 5 == 3 else None))
        emissions.append(Emission(drive_mpa=0.3, lines_v=weak, after=dead if k % 3 == 0 else None))
    _, wanted, [exposure] = check_together(simmer, config, emissions, 210, marks=[68])
    assert exposure.sets == {0: (0, 1, 2, 3), 1: (0, 1, 3)}
    counts = {(i, c): len(s.z) for (i, c, q), s in exposure.series.items() if q == "broadband"}
    assert (counts[0, "all"], counts[0, 0], counts[0, 2]) == (19, 24, 19)
    assert (counts[1, "all"], counts[1, 0], counts[1, 2]) == (8, 24, 16)
    # Five of them share the budget: B = 15 as in the method's example, and two drives.
    assert exposure.threshold == 2 * 15 * 2 / 0.01
    # The mean of four hears more than each.
    assert exposure.first["ultraharmonic"].channel == "all"
    # V² of `all` has no meaning.
    assert not any(w.hear_cumulative_v2 or w.hear_v2 for w in wanted if w.channel == "all")


def test_all_waits_for_channels_with_thirty_pulses_together(simmer):
    """One channel was faulty in some baseline pulses: with it there are 28 common ones, without it 33."""
    config = small(receive__channels=3)
    dead = without_channel(1)
    emissions = [Emission(stage="baseline", after=dead if i < 5 else None) for i in range(33)]
    # The first pulses have all three channels, which is too few pulses for a series; then two are left.
    emissions += [Emission(lines_v=WEAK) for _ in range(4)]
    emissions += [Emission(lines_v=WEAK, after=dead if i % 3 else None) for i in range(24)]
    _, wanted, [exposure] = check_together(simmer, config, emissions, 219, marks=[33])
    assert exposure.sets == {0: (0, 2)}
    counts = {c: len(s.z) for (_, c, q), s in exposure.series.items() if q == "broadband"}
    assert counts == {"all": 16, 0: 28, 2: 28}


@pytest.mark.parametrize("channels", [1, 3])
def test_a_baseline_file_says_together_what_its_pulses_say(simmer, channels):
    config = small(receive__channels=channels)
    dead = without_channel(channels - 1) if channels > 1 else None
    base = baseline_emissions((0.2, 0.3), each=34)
    bubbles = [
        Emission(drive_mpa=d, lines_v=WEAK, after=dead if i % 4 == 0 else None)
        for i in range(20)
        for d in (0.2, 0.3, 0.206)
    ]
    whole, _, [exposure] = check_together(simmer, config, base + bubbles, 224)
    assert exposure.first
    path, meta = simmer.folder / "config.toml", simmer.folder / "seed224.sigmf-meta"
    file = simmer.folder / "baseline.json"
    simmer.run("baseline", "-c", path, "--out", file, meta)
    alone = record(config, base + bubbles, 224)
    alone.pulses = alone.pulses[len(base) :]
    session = simmer.replay(path, alone.write(simmer.folder / "alone"), options=["--baseline", file])
    timeless = lambda row: {**row, "time_s": "", "time_utc": ""}
    kept = [row for row in whole.rows if row["stage"] == "exposure"]
    # The noise of the baseline's last pulses is not in the file; it is far from noise_drift_db here.
    assert [timeless(row) for row in session.rows] == [timeless(row) for row in kept]


def test_one_channel_can_be_the_first(simmer):
    config = small(receive__channels=4, receive__unused_channels=[1])
    emissions = baseline_emissions((0.3,), each=35)
    emissions += [Emission(after=only_on(3, 1.6e-4)) for _ in range(40)]
    session, _, [exposure] = check_together(simmer, config, emissions, 211, marks=[35])
    found = exposure.first["ultraharmonic"]
    assert found.channel == 3
    assert f"ultraharmonic since {found.pulse} on channel 3" in session.row(74, "all")["cumulative"]
    assert session.row(74, 3)["cumulative"].startswith(f"ultraharmonic since {found.pulse}")
    assert session.row(74, 0)["cumulative"] == ""


# --- exposures ------------------------------------------------------------------------------------


def test_every_exposure_begins_anew(simmer):
    def run(target, bubbles, each):
        return [Emission(target=target, lines_v=WEAK if bubbles else {}) for _ in range(each)]

    emissions = [Emission(stage="baseline", target=t) for t in ("left", "right") for _ in range(36)]
    emissions += run("left", False, 20) + run("left", True, 30) + run("right", True, 30) + run("left", False, 24)
    session, _, exposures = check_together(simmer, small(), emissions, 212, marks=[92])
    first, second, third = exposures
    assert "ultraharmonic" in first.first and "ultraharmonic" in second.first and not third.first
    assert first.series[(0, 0, "broadband")].onsets[-1] == (20, 0.25)
    # The injection of the first exposure is known in those after it.
    assert {s.first_weight for x in (second, third) for s in x.series.values()} == {0.5}
    begun = int(session.exposures()[2]["first_pulse"])
    assert session.row(begun - 1)["cumulative"].startswith("ultraharmonic since")
    assert all(session.row(p)["cumulative"] == "" for p in range(begun, begun + 24))


@pytest.mark.parametrize("channels", [1, 2])
def test_the_row_of_a_hole_says_what_is_established(simmer, channels):
    config = small(receive__channels=channels)
    loud = {h: 3 * v for h, v in WEAK.items()}
    emissions = baseline_emissions((0.3,), each=40) + [Emission(lines_v=loud) for _ in range(20)]
    for i, emission in enumerate(emissions):
        # 5 Hz, and 2 s of nothing before pulse 55.
        emission.extra = {"simmer:time_ns": i * 200_000_000 + (2_000_000_000 if i >= 55 else 0)}
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, record(config, emissions, 225).write(simmer.folder / "hole"))
    [hole] = [row for row in session.rows if row["pulse"] == ""]
    before = session.row(54, "all" if channels > 1 else 0)
    assert hole["reason"] == "pulse missing" and hole["channel"] == before["channel"]
    assert hole["cumulative"] == before["cumulative"] != ""
    assert all(hole[f"{q}_hear_cumulative_db"] == "" for q in QUANTITIES)


def test_unreferenced_broadband_knows_only_the_start_and_the_mark(simmer):
    # A noise gate of one sample holds no two segments of any length.
    config = small(
        **UNREFERENCED,
        detect__repeatability_db={"harmonic": 1.5, "ultraharmonic": 0.0, "subharmonic": 0.0, "broadband": 0.05},
    )
    emissions = [Emission(stage="baseline", target=t) for t in ("left", "right") for _ in range(40)]
    emissions += [Emission(target="left") for _ in range(15)]
    emissions += [Emission(target="left", broadband_v=2.4e-4) for _ in range(30)]
    emissions += [Emission(target="right", broadband_v=3e-4) for _ in range(30)]
    _, _, [first, second] = check_together(simmer, config, emissions, 213, marks=[95])
    assert first.series[(0, 0, "broadband")].onsets == [(0, 0.5), (15, 0.5)]
    assert second.series[(0, 0, "broadband")].onsets == [(0, 1.0)]
    assert len(first.series[(0, 0, "ultraharmonic")].onsets) == 9
    assert "broadband" in first.first and "broadband" in second.first


def test_harmonics_that_count_for_no_verdict_are_shown_too(simmer):
    config = small(detect__repeatability_db=dict.fromkeys(QUANTITIES, 0.0))
    emissions = baseline_emissions((0.3,), each=50)
    emissions += [Emission(lines_v={2: 4e-4, 3: 3e-4, 4: 2e-4, **WEAK}, broadband_v=3e-4) for _ in range(50)]
    session, _, [exposure] = check_together(simmer, config, emissions, 214, marks=[50])
    assert {"harmonic", "ultraharmonic", "broadband"} <= set(exposure.first)
    # Parts stand in the order broadband, ultraharmonic, subharmonic, harmonic.
    named = [part.split()[0] for part in session.rows[-1]["cumulative"].split("; ")]
    assert named == [q for q in ("broadband", "ultraharmonic", "subharmonic", "harmonic") if q in named]
    assert "harmonic" in named


def test_an_error_of_the_baseline_that_is_allowed_for_establishes_nothing(simmer):
    # The broadband is 0.25 dB up for reasons that are no bubbles; δ says that this happens.
    moved = [Emission(broadband_v=2.4e-4) for _ in range(60)]
    emissions = baseline_emissions((0.3,), each=60) + moved
    delta = lambda value: {"harmonic": 1.5, "ultraharmonic": 0.0, "subharmonic": 0.0, "broadband": value}
    for value, found in ((0.0, True), (0.4, False)):
        config = small(detect__repeatability_db=delta(value))
        _, wanted, [exposure] = check_together(simmer, config, emissions, 215, marks=[60])
        assert ("broadband" in exposure.first) == found
        # Limits grow by δ.
        assert wanted[-1].hear_cumulative_db["broadband"] > value
