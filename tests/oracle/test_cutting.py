"""Recordings without marks: cut by repetition, by the drive's envelope, by lists; several as one session."""

import re

import numpy as np
import pytest
from scipy.io import wavfile

from make import Emission, baseline_emissions, configuration, record, write_config
from test_arrays import CLOCK, without_clock, write_names
from test_formats import write_cues

RATE = 10e6
# A pulse of 25000 samples and the 1000 after it.
PERIOD = 26_000
RECORD_S = 25_000 / RATE
BY_REPETITION = {"cut_by": "repetition", "record_s": RECORD_S, "first_pulse_s": 0.0}
# The sound comes 95 us after the trigger and passes a tenth of its amplitude some samples later.
BY_ENVELOPE = {
    "cut_by": "envelope", "record_s": RECORD_S, "envelope_channel": 0, "envelope_threshold_v": 5e-3,
    "trigger_after_crossing_s": -95e-6,
}  # fmt: skip


def cut_config(cutting, **changes):
    """A configuration that cuts, with pulses that follow each other as in the recordings here."""
    return configuration(drive__repetition_hz=RATE / PERIOD, **changes) | {"recordings": cutting}


def made(simmer, seed, exposure=3):
    """A recording and its replay with marks, both at the repetition of this page."""
    config = configuration(drive__repetition_hz=RATE / PERIOD)
    emissions = baseline_emissions((0.3,), each=12) + [Emission(broadband_v=2e-3 * i) for i in range(exposure)]
    recording = record(config, emissions, seed)
    path = write_config(config, simmer.folder / "marked.toml")
    wavfile.write(simmer.folder / "bare.wav", int(RATE), recording.counts.astype("<i2"))
    return recording, path, simmer.replay(path, recording.write(simmer.folder / "marked"))


def test_records_cut_by_repetition_give_the_same_rows(simmer):
    recording, _, plain = made(simmer, 101)
    path = write_config(cut_config(BY_REPETITION), simmer.folder / "cut.toml")
    names = write_names(recording, simmer.folder / "names.csv")
    session = simmer.replay(path, simmer.folder / "bare.wav", options=["--cues", names])
    assert [{**row, "time_utc": ""} for row in session.rows] == [{**row, "time_utc": ""} for row in plain.rows]


def test_records_cut_by_the_envelope_are_found_and_judged_alike(simmer):
    recording, _, plain = made(simmer, 102)
    path = write_config(cut_config(BY_ENVELOPE), simmer.folder / "cut.toml")
    names = write_names(recording, simmer.folder / "names.csv")
    session = simmer.replay(path, simmer.folder / "bare.wav", options=["--cues", names])
    assert len(session.rows) == len(plain.rows)
    for row, other in zip(session.rows, plain.rows):
        assert row["verdict"] == other["verdict"]
        # Some samples later: other noise at the gate's ends, 34 segments of 2000 in common.
        assert float(row["broadband_v2_per_hz"]) == pytest.approx(float(other["broadband_v2_per_hz"]), rel=0.02)
        # Two periods of the drive at most.
        assert abs(float(row["time_s"]) - float(other["time_s"])) < 2 / 0.7e6
    done = simmer.run("check", "-c", path, "--stage", "baseline", simmer.folder / "bare.wav")
    assert "15 pulses" in done.stdout and "jitter SD" in done.stdout


def test_a_baseline_of_marked_pulses_is_not_that_of_cut_ones(simmer):
    recording, marked, _ = made(simmer, 103)
    names = write_names(recording, simmer.folder / "names.csv")
    simmer.run("baseline", "-c", marked, "--out", simmer.folder / "b.json", simmer.folder / "marked.sigmf-meta")
    for name, cutting in (("repetition", BY_REPETITION), ("envelope", BY_ENVELOPE)):
        path = write_config(cut_config(cutting), simmer.folder / f"{name}.toml")
        options = ["--baseline", simmer.folder / "b.json", "--cues", names, "--out", simmer.folder / name]
        done = simmer.run("replay", "-c", path, *options, simmer.folder / "bare.wav", code=65)
        assert "time_zero" in done.stderr and name in done.stderr
    # Its own it takes.
    made_of = ["--cues", names, "--out", simmer.folder / "own.json", simmer.folder / "bare.wav"]
    simmer.run("baseline", "-c", path, *made_of)
    simmer.replay(path, simmer.folder / "bare.wav", options=["--baseline", simmer.folder / "own.json", "--cues", names])


def laid(recording, starts, length, seed):
    """The recording's pulses at other places, in noise of their own level."""
    rng = np.random.default_rng(seed)
    noise_counts = 1e-3 / recording.config["receive"]["volts_per_count"]
    out = noise_counts * rng.standard_normal((length, 1))
    for pulse, start in zip(recording.pulses, starts):
        out[start : start + pulse["count"]] = recording.counts[pulse["start"] : pulse["start"] + pulse["count"]]
    return np.rint(out).astype("<i2")


@pytest.mark.parametrize(("jitter", "drift"), [(40, 0), (0, 3)])
def test_check_shows_how_far_the_drive_wanders_in_cut_records(simmer, jitter, drift):
    config = cut_config(BY_REPETITION)
    recording = record(config, [Emission() for _ in range(30)], 104)
    rng = np.random.default_rng(105)
    off = rng.integers(-jitter, jitter + 1, size=30) if jitter else drift * np.arange(30)
    starts = 500 + PERIOD * np.arange(30) + off
    counts = laid(recording, starts, 31 * PERIOD, 106)
    wavfile.write(simmer.folder / "wanders.wav", int(RATE), counts)
    path = write_config(config, simmer.folder / "cut.toml")
    done = simmer.run("check", "-c", path, "--stage", "exposure", simmer.folder / "wanders.wav")
    sd_us, worst_us = map(float, re.search(r"jitter SD ([\d.]+) us, worst ([\d.]+) us", done.stdout).groups())
    truth_us = off / RATE * 1e6
    assert sd_us == pytest.approx(np.std(truth_us, ddof=1), abs=0.1)
    assert worst_us == pytest.approx(np.max(np.abs(truth_us - truth_us.mean())), abs=0.2)
    told = re.search(r"it repeats ([\d.]+) times a second", done.stdout)
    if drift:
        assert float(told[1]) == pytest.approx(RATE / (PERIOD + drift), rel=2e-6)
    else:
        assert told is None


def test_other_columns_of_a_list_stay_with_the_session(simmer):
    recording, path, plain = made(simmer, 107)
    cues = write_cues(recording, simmer.folder / "cues.csv")
    lines = cues.read_text().splitlines()
    lines = [f'{line},"{"bath, C" if i == 0 else 20 + i}"' for i, line in enumerate(lines)]
    cues.write_text("\n".join(lines) + "\n")
    session = simmer.replay(path, simmer.folder / "bare.wav", options=["--cues", cues])
    assert without_clock(session) == without_clock(plain)
    kept = (session.folder / "cues.csv").read_text().splitlines()
    assert kept[0] == 'pulse,"bath, C"' and kept[1] == "0,21" and len(kept) == 16
    assert not (plain.folder / "cues.csv").exists()
    # What is probably a slip of the pen is not kept but told.
    cues.write_text("\n".join(lines).replace("drive_mpa", "drive_mpas"))
    done = simmer.run("check", "-c", path, "--cues", cues, simmer.folder / "bare.wav", code=65)
    assert "did you mean drive_mpa" in done.stderr


def test_recordings_in_a_row_are_one_session_and_wrong_numbers_say_how_to_mend_it(simmer):
    recording, path, plain = made(simmer, 108)
    parts = []
    for name, chosen in (("one", recording.pulses[:12]), ("two", recording.pulses[12:])):
        first = chosen[0]["start"]
        end = chosen[-1]["start"] + PERIOD
        wavfile.write(simmer.folder / f"{name}.wav", int(RATE), recording.counts[first:end].astype("<i2"))
        cues = write_cues(recording, simmer.folder / f"{name}.csv")
        rows = ["start_sample,sample_count,pulse,drive_mpa,stage,target"]
        rows += [f"{p['start'] - first},{p['count']},{p['number']},{p['drive_mpa']},{p['stage']},{p['target']}" for p in chosen]
        cues.write_text("\n".join(rows) + "\n")
        parts += [(simmer.folder / f"{name}.wav", cues)]
    (one, one_cues), (two, two_cues) = parts
    session = simmer.replay(path, one, two, options=["--cues", one_cues, "--cues", two_cues])
    blank = dict.fromkeys(CLOCK, "")
    assert [{**row, **blank} for row in session.rows] == [{**row, **blank} for row in plain.rows]

    swapped = ["--cues", two_cues, "--cues", one_cues, "--out", simmer.folder / "swapped"]
    done = simmer.run("replay", "-c", path, *swapped, two, one, code=65)
    assert re.search(r"numbers must rise: give them in the order \S*one\.wav, \S*two\.wav", done.stderr)
    twice = ["--cues", one_cues, "--cues", one_cues, "--out", simmer.folder / "twice"]
    done = simmer.run("replay", "-c", path, *twice, one, one, code=65)
    assert "their numbers overlap" in done.stderr and "--cues" in done.stderr
    done = simmer.run("replay", "-c", path, "--cues", one_cues, "--out", simmer.folder / "fewer", one, two, code=2)
    assert "--cues is given 1 times for 2 recordings" in done.stderr


def test_a_live_monitor_does_not_cut(simmer):
    config = cut_config(BY_ENVELOPE) | {"serve": {"http": "127.0.0.1:0", "stream": "127.0.0.1:0"}}
    path = write_config(config, simmer.folder / "cut.toml")
    done = simmer.run("monitor", "-c", path, code=78)
    assert "recordings.cut_by" in done.stderr


# --- what check finds suspicious --------------------------------------------------------------------


def suspicions(simmer, recording, config, extra=()):
    path = write_config(config, simmer.folder / "config.toml")
    done = simmer.run("check", "-c", path, *extra, recording.write(simmer.folder / "odd"))
    return [line for line in done.stdout.splitlines() if line.startswith("  suspicious ")]


def test_a_recording_in_order_raises_no_suspicion(simmer):
    config = configuration()
    assert suspicions(simmer, record(config, [Emission() for _ in range(4)], 109), config) == []


def test_an_offset_is_suspicious(simmer):
    config = configuration()
    recording = record(config, [Emission() for _ in range(4)], 110)
    recording.counts += 400
    (line,) = suspicions(simmer, recording, config)
    # 400 of the 8191.5 counts from zero to full scale.
    assert "the offset is 4.9 % of full scale" in line


def test_a_line_elsewhere_speaks_of_another_sample_rate(simmer):
    config = configuration()
    # The drive was at 0.7 MHz, the file says 10 MS/s, and its line lies at 0.875: 8 MS/s were taken.
    recording = record(config, [Emission(frequency_hz=0.875e6) for _ in range(4)], 111)
    lines = suspicions(simmer, recording, config)
    assert any("the strongest is at 0.875000 MHz" in line and "came at 8.000000 MS/s" in line for line in lines)


def test_counts_kept_as_doubles_are_suspicious(simmer):
    plain = configuration()
    recording = record(plain, [Emission() for _ in range(4)], 112)
    recording.config = configuration(receive__sample_format="rf64_le", receive__full_scale_counts=[-1e6, 1e6])
    (line,) = suspicions(simmer, recording, recording.config)
    assert "all samples are whole numbers" in line and "rf64_le" in line


def test_a_rate_in_another_unit_is_named(simmer):
    wavfile.write(simmer.folder / "kilo.wav", 10_000, np.zeros(30_000, dtype="<i2"))
    path = write_config(configuration(), simmer.folder / "config.toml")
    done = simmer.run("check", "-c", path, simmer.folder / "kilo.wav", code=65)
    assert "one of them is not in hertz" in done.stderr


def test_a_drive_that_begins_before_time_zero_is_suspicious(simmer):
    config = configuration()
    recording = record(config, [Emission(trigger=3000) for _ in range(4)], 113)
    for pulse in recording.pulses:
        pulse["trigger"] = None
    lines = suspicions(simmer, recording, config)
    assert any("before the noise gate ends" in line for line in lines)


@pytest.mark.parametrize("trigger", [None, 4700])
def test_the_drives_onset_counts_from_the_trigger(simmer, trigger):
    config = configuration()
    recording = record(config, [Emission(trigger=trigger) for _ in range(4)], 114)
    path = write_config(config, simmer.folder / "config.toml")
    done = simmer.run("check", "-c", path, recording.write(simmer.folder / "own"))
    begins_ms = float(re.search(r"drive begins   (-?[\d.]+) ms after the trigger", done.stdout)[1])
    # The sound comes 95 us after the trigger.
    assert begins_ms == pytest.approx(0.095, abs=0.001)
