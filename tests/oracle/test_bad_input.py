"""Bad input: the exit code, and a message that names the file, the place, the value and the bound."""

import json
import os

import numpy as np
import pytest

from make import Emission, baseline_emissions, configuration, format_changes, record, toml_text, write_config


@pytest.fixture
def good(simmer):
    """A configuration and a recording that are in order, and their metadata to spoil."""
    config = configuration()
    recording = record(config, [Emission() for _ in range(3)], 51)
    path = write_config(config, simmer.folder / "config.toml")
    return config, path, recording, recording.write(simmer.folder / "good")


def check_message(done, *words):
    """The message has each of the words (a tuple: one of them), and no Rust innards."""
    told = done.stderr.lower()
    for word in words:
        choices = word if isinstance(word, tuple) else (word,)
        assert any(str(w).lower() in told for w in choices), f"{word} is not in:\n{done.stderr}"
    for innards in ("unwrap", "src/", "Err(", "Some(", "{ start:"):
        assert innards not in done.stderr, done.stderr


def replay(simmer, path, *recordings, code, options=()):
    """A replay that must fail with this code; it leaves no session behind that looks whole."""
    return simmer.run("replay", "-c", path, *options, "--out", simmer.folder / "out", *recordings, code=code)


# --- files ---------------------------------------------------------------------------------------


def test_a_missing_recording_is_66(simmer, good):
    done = replay(simmer, good[1], simmer.folder / "nowhere.sigmf-meta", code=66)
    check_message(done, "nowhere.sigmf-meta")


def test_a_missing_half_of_a_pair_is_66(simmer, good):
    os.remove(simmer.folder / "good.sigmf-data")
    check_message(replay(simmer, good[1], good[3], code=66), "good.sigmf-data")


def test_a_missing_configuration_is_66(simmer, good):
    done = replay(simmer, simmer.folder / "nowhere.toml", good[3], code=66)
    check_message(done, "nowhere.toml")


def test_a_missing_baseline_is_66(simmer, good):
    done = replay(simmer, good[1], good[3], code=66, options=["--baseline", simmer.folder / "nowhere.json"])
    check_message(done, "nowhere.json")


@pytest.mark.parametrize("name", ["empty.sigmf-meta", "empty.wav"])
def test_an_empty_file_is_65(simmer, good, name):
    (simmer.folder / name).write_bytes(b"")
    (simmer.folder / "empty.sigmf-data").write_bytes(b"")
    check_message(replay(simmer, good[1], simmer.folder / name, code=65), name)


def test_samples_that_are_not_there_at_all_are_65(simmer, good):
    (simmer.folder / "good.sigmf-data").write_bytes(b"")
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf")


def test_text_instead_of_wav_is_65(simmer, good):
    (simmer.folder / "notes.wav").write_text("pulse 3 was loud, pulse 4 was not\n" * 10)
    check_message(replay(simmer, good[1], simmer.folder / "notes.wav", code=65), "notes.wav")


def test_text_instead_of_metadata_is_65(simmer, good):
    (simmer.folder / "good.sigmf-meta").write_text("pulse 3 was loud\n")
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf-meta", ("line 1", ":1:"))


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_metadata_cut_off_anywhere_is_65(simmer, good, share):
    whole = good[3].read_text()
    good[3].write_text(whole[: int(len(whole) * share)])
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf-meta")


def test_a_wrong_channel_count_is_65(simmer, good):
    path = write_config(configuration(receive__channels=2), simmer.folder / "two.toml")
    check_message(replay(simmer, path, good[3], code=65), "channel", "1", "2", "good.sigmf-meta")


def test_a_wrong_sample_rate_is_65(simmer, good):
    good[2].write(simmer.folder / "good", **{"core:sample_rate": 8e6})
    check_message(replay(simmer, good[1], good[3], code=65), "rate", ("8000000", "8e6", "8 MHz"), ("10000000", "1e7"))


def test_a_wrong_sample_format_is_65(simmer, good):
    good[2].write(simmer.folder / "good", **{"core:datatype": "ri16_be"})
    check_message(replay(simmer, good[1], good[3], code=65), "ri16_be", "ri16_le")


def test_a_complex_format_is_refused_by_name(simmer, good):
    good[2].write(simmer.folder / "good", **{"core:datatype": "cf32_le"})
    check_message(replay(simmer, good[1], good[3], code=65), "cf32_le", "good.sigmf-meta")


def test_another_scale_is_a_fault_with_both_places(simmer, good):
    good[2].write(simmer.folder / "good", **{"simmer:volts_per_count": 1e-4})
    done = simmer.run("replay", "-c", good[1], "--out", simmer.folder / "out", good[3], code=65)
    check_message(done, "volts_per_count", "good.sigmf-meta", "config.toml", ("1e-4", "0.0001"), "6.103515625e-5")


def test_an_annotation_that_starts_beyond_the_end_is_65(simmer, good):
    good[2].pulses[2]["start"] = 10_000_000
    good[2].write(simmer.folder / "good")
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf", "10000000", str(len(good[2].counts)))


@pytest.mark.parametrize("number", [1, 0], ids=["repeated", "falling"])
def test_pulse_numbers_that_do_not_rise_are_65(simmer, good, number):
    good[2].pulses[2]["number"] = number
    good[2].write(simmer.folder / "good")
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf", "pulse", f"{number}", "1")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("simmer:stage", "practice"),
        ("simmer:pulse", -3),
        ("simmer:drive_mpa", "loud"),
        ("core:sample_start", -1),
        ("core:sample_count", "many"),
    ],
)
def test_a_bad_annotation_is_65(simmer, good, key, value):
    good[2].pulses[1]["extra"] = {key: value}
    good[2].write(simmer.folder / "good")
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf-meta", key.split(":")[1])


def test_metadata_without_a_sample_format_is_65(simmer, good):
    text = json.loads(good[3].read_text())
    del text["global"]["core:datatype"]
    good[3].write_text(json.dumps(text))
    check_message(replay(simmer, good[1], good[3], code=65), "good.sigmf-meta", "core:datatype")


def test_a_gate_outside_every_record_is_65(simmer):
    config = configuration()
    recording = record(config, [Emission(count=12000) for _ in range(3)], 52)
    path = write_config(config, simmer.folder / "config.toml")
    done = replay(simmer, path, recording.write(simmer.folder / "short"), code=65)
    # The gate ends at sample (0.5e-3 + 1.9e-3)·10e6 = 24000 of a record of 12000.
    check_message(done, "gate", "12000", "24000")


def test_no_space_for_the_session_is_73(simmer, good):
    (simmer.folder / "file").write_text("not a folder")
    done = simmer.run("replay", "-c", good[1], "--out", simmer.folder / "file" / "out", good[3], code=73)
    check_message(done, "file")


def test_a_session_is_never_written_over(simmer, good):
    out = simmer.folder / "kept"
    simmer.run("replay", "-c", good[1], "--out", out, good[3])
    before = (out / "pulses.csv").read_bytes()
    check_message(simmer.run("replay", "-c", good[1], "--out", out, good[3], code=73), "kept")
    assert (out / "pulses.csv").read_bytes() == before


# --- baseline ------------------------------------------------------------------------------------


@pytest.fixture
def baseline(simmer):
    """A baseline file, its configuration, and an exposure to judge by it."""
    config = configuration()
    path = write_config(config, simmer.folder / "config.toml")
    meta = record(config, baseline_emissions((0.3,), each=12), 53).write(simmer.folder / "base")
    simmer.run("baseline", "-c", path, "--out", simmer.folder / "base.json", meta)
    exposure = record(config, [Emission() for _ in range(2)], 54, first_number=12)
    return simmer.folder / "base.json", exposure.write(simmer.folder / "exposure")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"spectrum__resolution_hz": 10e3, "bands__flank_half_width_hz": 160e3}, ("resolution", "segment")),
        ({"bands__line_half_width_hz": 20e3}, "harmonics"),
        ({"receive__gate_start_s": 0.25e-3}, "gate"),
        ({"receive__gain_db": 6.0}, "gain"),
        ({"bands__harmonics": [2, 3]}, "harmonics"),
    ],
)
def test_a_baseline_of_another_plan_is_65(simmer, baseline, change, word):
    other = write_config(configuration(**change), simmer.folder / "other.toml")
    done = replay(simmer, other, baseline[1], code=65, options=["--baseline", baseline[0]])
    check_message(done, "base.json", word)


def test_a_baseline_file_that_is_spoilt_is_65(simmer, baseline):
    text = baseline[0].read_text()
    baseline[0].write_text(text[: len(text) // 2])
    done = replay(simmer, simmer.folder / "config.toml", baseline[1], code=65, options=["--baseline", baseline[0]])
    check_message(done, "base.json")


def test_a_baseline_without_baseline_pulses_is_65(simmer, good):
    done = simmer.run("baseline", "-c", good[1], "--out", simmer.folder / "none.json", good[3], code=65)
    check_message(done, "baseline")
    assert not (simmer.folder / "none.json").exists()


# --- configuration -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        # 4 × 1.6 MHz is above 5 MHz.
        ({"drive__frequency_hz": 1.6e6}, ["harmonic", ("5000000", "5e6", "5 MHz")]),
        ({"bands__broadband_hz": [[1.1e6, 5.2e6]]}, ["broadband_hz", ("5000000", "5e6", "5 MHz")]),
        # 30 kHz is less than 28 kHz and one bin of 5 kHz.
        ({"bands__line_half_width_hz": 28e3, "bands__guard_half_width_hz": 30e3}, ["guard_half_width_hz"]),
        # Lines 350 kHz apart that are 360 kHz wide share bins.
        ({"bands__line_half_width_hz": 180e3, "bands__guard_half_width_hz": 190e3}, [("line_half_width_hz", "share")]),
        ({"bands__notches_hz": [[1.39e6, 1.41e6]]}, ["notch"]),
        ({"bands__broadband_hz": [[1.39e6, 1.41e6]]}, ["broadband_hz"]),
        ({"bands__broadband_hz": [[3e6, 2e6]]}, ["broadband_hz"]),
        ({"receive__gate_end_s": 0.45e-3}, ["gate", "segment"]),
        ({"receive__gate_end_s": 0.1e-3}, ["gate_end_s", "gate_start_s"]),
        ({"spectrum__resolution_hz": 0.0}, ["resolution_hz"]),
        ({"spectrum__resolution_hz": 3e6}, ["resolution_hz"]),
        ({"spectrum__overlap": 1.0}, ["overlap"]),
        ({"spectrum__window": "flattop"}, ["window", "flattop", "hann"]),
        ({"receive__channels": 0}, ["channels"]),
        ({"receive__sample_rate_hz": -1e6}, ["sample_rate_hz"]),
        ({"receive__volts_per_count": [1e-5, 2e-5]}, ["volts_per_count"]),
        ({"receive__full_scale_counts": [100, -100]}, ["full_scale_counts"]),
        ({"receive__unused_channels": [7]}, ["unused_channels", "7"]),
        ({"detect__false_alarms_per_exposure": 0.0}, ["false_alarms_per_exposure"]),
        ({"detect__expected_pulses": 0}, ["expected_pulses"]),
        ({"detect__stable_from": ["ultraharmonics"]}, ["stable_from", "ultraharmonics"]),
        ({"detect__channels_needed": 3}, ["channels_needed", "3"]),
    ],
)  # fmt: skip
def test_a_configuration_that_cannot_be_carried_out_is_78(simmer, change, words):
    path = write_config(configuration(**change), simmer.folder / "config.toml")
    check_message(simmer.run("check", "-c", path, code=78), "config.toml", *words)


def test_a_rule_that_asks_for_more_than_it_looks_at_is_78(simmer):
    config = configuration()
    config["detect"]["rule"]["broadband"] = "4 of 3"
    path = write_config(config, simmer.folder / "config.toml")
    check_message(simmer.run("check", "-c", path, code=78), "config.toml", "4 of 3")


@pytest.mark.parametrize(
    ("wrong", "right"),
    [("frequency_hs", "frequency_hz"), ("gate_strat_s", "gate_start_s"), ("stabel_from", "stable_from")],
)
def test_an_unknown_key_is_78_with_what_was_meant(simmer, wrong, right):
    text = toml_text(configuration()).replace(f"{right} =", f"{wrong} =", 1)
    (simmer.folder / "config.toml").write_text(text)
    line = next(i for i, row in enumerate(text.splitlines(), 1) if row.startswith(wrong))
    done = simmer.run("check", "-c", simmer.folder / "config.toml", code=78)
    check_message(done, "config.toml", wrong, right, "did you mean", str(line))


def test_all_faults_are_told_in_one_run(simmer):
    config = configuration(spectrum__window="flattop", detect__expected_pulses=0, receive__channels=0)
    config["drive"]["colour"] = "red"
    path = write_config(config, simmer.folder / "config.toml")
    check_message(simmer.run("check", "-c", path, code=78), "flattop", "expected_pulses", "channels", "colour")


def test_what_decides_an_alarm_has_no_default(simmer):
    for key in (
        "false_alarms_per_exposure", "expected_pulses", "stable_from", "rule", "floor_allowance_db", "repeatability_db",
        "sign_of_life", "fundamental_drop_db", "noise_drift_db", "channels_needed",
    ):  # fmt: skip
        config = configuration(**{f"detect__{key}": None})
        path = write_config(config, simmer.folder / "config.toml")
        check_message(simmer.run("check", "-c", path, code=78), key)


def test_text_that_is_no_toml_is_78_with_line_and_caret(simmer):
    text = toml_text(configuration()).replace("pulse_s = ", "pulse_s = = ")
    (simmer.folder / "config.toml").write_text(text)
    line = next(i for i, row in enumerate(text.splitlines(), 1) if row.startswith("pulse_s"))
    done = simmer.run("check", "-c", simmer.folder / "config.toml", code=78)
    check_message(done, "config.toml", f"{line}", "^")


# --- usage ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "args",
    [
        ["replay"],
        ["simmering"],
        ["replay", "--colour"],
        ["baseline", "-c", "config.toml"],
        ["demo", "--seconds", "many"],
        ["demo", "--seconds", "3"],
    ],
)
def test_wrong_usage_is_2(simmer, args):
    assert simmer.run(*args, code=2).stderr


@pytest.mark.parametrize("option", [["--workers", "0"], ["--block-bytes", "0"], ["--fail-on", "silence"]])
def test_an_option_out_of_bounds_is_2(simmer, good, option):
    done = simmer.run("replay", "-c", good[1], *option, "--out", simmer.folder / "out", good[3], code=2)
    check_message(done, option[0])


def test_data_go_to_standard_output_and_talk_to_standard_error(simmer, good):
    done = simmer.run("check", "-c", good[1])
    assert "broadband" in done.stdout
    assert "warning" not in done.stdout.lower() or "warning" not in done.stderr.lower()


# --- one bad pulse among good ones ---------------------------------------------------------------


def one_bad(simmer, config, recording, bad, reason):
    """Exit 0, that pulse indeterminate with its reason, a warning, and the others as they were."""
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "bad"))
    row = session.row(bad)
    assert row["verdict"] == "indeterminate"
    assert row["reason"].split("; ")[0] in reason
    for column in ("harmonic_v2", "broadband_v2", "broadband_v2_per_hz", "broadband_contrast_db", "broadband_db"):
        assert row[column] == ""
    others = [r for r in session.rows if r["stage"] == "exposure" and r is not row]
    assert len(others) == 4 and all(r["verdict"] == "not_detected" for r in others)
    told = [line for line in session.done.stderr.splitlines() if "warn" in line.lower()]
    assert any(f"{bad}" in line for line in told) or f"pulse {bad}" in session.done.stderr, session.done.stderr
    return session


def test_samples_that_are_not_finite_cost_one_pulse(simmer):
    def hole(counts, rng):
        counts[9000] = np.inf

    config = configuration(**format_changes("rf64_le"))
    exposure = [Emission(after=hole) if i == 2 else Emission() for i in range(5)]
    recording = record(config, baseline_emissions((0.3,), each=12) + exposure, 55)
    one_bad(simmer, config, recording, 14, ["not finite"])


def test_a_gate_outside_one_record_costs_one_pulse(simmer):
    config = configuration()
    exposure = [Emission(count=20000) if i == 1 else Emission() for i in range(5)]
    recording = record(config, baseline_emissions((0.3,), each=12) + exposure, 56)
    one_bad(simmer, config, recording, 13, ["gate incomplete"])


def test_a_record_that_ends_early_costs_its_last_pulse(simmer):
    config = configuration()
    recording = record(config, baseline_emissions((0.3,), each=12) + [Emission() for _ in range(5)], 57)
    recording.counts = recording.counts[: recording.pulses[-1]["start"] + 15000]
    one_bad(simmer, config, recording, 16, ["gate incomplete", "samples lost"])


def test_a_gap_between_captures_costs_the_pulse_it_is_in(simmer):
    config = configuration()
    recording = record(config, baseline_emissions((0.3,), each=12) + [Emission() for _ in range(5)], 58)
    # From the middle of pulse 15 on the device index is 500 samples ahead: those were never stored.
    inside = recording.pulses[15]["start"] + 12000
    captures = [
        {"core:sample_start": 0, "core:global_index": 0, "core:datetime": "2026-05-04T09:30:00Z"},
        {"core:sample_start": inside, "core:global_index": inside + 500},
    ]
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "gap", captures=captures))
    assert session.row(15)["verdict"] == "indeterminate"
    assert session.row(15)["reason"].startswith("samples lost")
    assert [session.row(n)["verdict"] for n in (12, 13, 14, 16)] == ["not_detected"] * 4
    assert session.number(16, "time_s") == pytest.approx((recording.pulses[16]["start"] + 500) / 10e6, rel=1e-12, abs=0.0)
