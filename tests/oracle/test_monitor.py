"""A channel that carries the drive's own signal: no receiver, but what shows that the drive is as set."""

import json
import math

import numpy as np
import pytest

from make import Emission, Recording, baseline_emissions, configuration, record, write_config

# Amplitude at the monitor, V at 1 MPa; channel of it.
V_PER_MPA, CHANNEL = 0.9, 1
WORDS = "drive not as set"


def monitored(tmp_path, off_db, drives=(0.15, 0.2, 0.3), channel=CHANNEL, receivers=(0, 2)):
    """Baseline, then an exposure pulse for each entry of `off_db`: how far the drive at the monitor lies from the
    drive that is reported, None for a monitor that shows nothing. Configuration and recording."""
    config = configuration(receive__channels=3, receive__drive_monitor_channel=channel)
    emissions = baseline_emissions(drives)
    emissions += [Emission(drive_mpa=0.2) for _ in off_db]
    made = record(config, emissions, seed=11)
    counts, fs = made.counts.copy(), config["receive"]["sample_rate_hz"]
    full = list(off_db)
    for i, pulse in enumerate(made.pulses):
        k = i - (len(made.pulses) - len(full))
        off = full[k] if k >= 0 else 0.0
        n = np.arange(pulse["count"])
        t = n / fs - config["receive"]["pretrigger_s"]
        amplitude = 0.0 if off is None else V_PER_MPA * pulse["drive_mpa"] * 10 ** (off / 20)
        volts = amplitude * np.sin(2 * np.pi * config["drive"]["frequency_hz"] * t + i)
        volts *= (t >= 0) & (t < config["drive"]["pulse_s"])
        counts[pulse["start"] + n, channel] = np.rint(volts / config["receive"]["volts_per_count"])
    recording = Recording(config, counts, made.pulses)
    return write_config(config, tmp_path / "m.toml"), recording.write(tmp_path / "m"), recording


def exposures(session, channel):
    return [r for r in session.rows if r["stage"] == "exposure" and r["channel"] == str(channel)]


def test_the_monitor_is_no_receiver_and_its_amplitude_stands_in_every_row(simmer, tmp_path):
    config, meta, _ = monitored(tmp_path, [0.0, 0.3, -0.3])
    session = simmer.replay(config, meta)
    assert {r["channel"] for r in session.rows} == {"0", "2", "all"}
    for row in session.rows:
        # Closed form: the amplitude that was put in; counts of 61 µV leave less than 1e-3 of it.
        off = {"90": 0.0, "91": 0.3, "92": -0.3}.get(row["pulse"], 0.0)
        want = V_PER_MPA * float(row["drive_mpa"]) * 10 ** (off / 20)
        assert float(row["drive_monitor_v"]) == pytest.approx(want, rel=1e-3)
        if row["stage"] == "exposure":
            assert float(row["drive_monitor_db"]) == pytest.approx(off, abs=0.01)
            assert WORDS not in row["reason"]
        else:
            assert row["drive_monitor_db"] == ""
    assert session.about()["axes"]["drive_monitor_channel"] == CHANNEL
    assert session.about()["axes"]["channels"] == [0, 2]


def test_a_drive_that_is_not_as_set_leaves_no_silence(simmer, tmp_path):
    # drive_tolerance 5 % is 20·log10(1.05) = 0.424 dB.
    off_db = [0.40, 0.45, -0.40, -0.45, -20.0, None]
    config, meta, _ = monitored(tmp_path, off_db)
    session = simmer.replay(config, meta)
    for channel in (0, 2, "all"):
        for row, off in zip(exposures(session, channel), off_db, strict=True):
            held = off is None or abs(off) > 20 * math.log10(1.05)
            if channel != "all":
                assert (WORDS in row["reason"]) == held, row
            assert (row["verdict"] == "indeterminate") == held, (row, off)


def test_an_alarm_goes_off_whatever_the_monitor_says(simmer, tmp_path):
    config, meta, made = monitored(tmp_path, [-6.0] * 4)
    rng = np.random.default_rng(3)
    for pulse in made.pulses[-4:]:
        n = pulse["start"] + np.arange(pulse["count"])
        for channel in (0, 2):
            made.counts[n, channel] += np.rint(60 * rng.standard_normal(n.size)) * (
                np.arange(n.size) > 6000
            )
    made.write(tmp_path / "m")
    session = simmer.replay(config, meta)
    rows = exposures(session, 0)
    assert all(row["verdict"] == "inertial" and WORDS in row["reason"] for row in rows)


def test_receivers_are_judged_as_without_the_monitor(simmer, tmp_path):
    config, meta, made = monitored(tmp_path, [0.0] * 5)
    with_it = simmer.replay(config, meta)
    plain = dict(made.config)
    plain["receive"] = {k: v for k, v in plain["receive"].items() if k != "drive_monitor_channel"}
    plain["receive"]["unused_channels"] = [CHANNEL]
    without = simmer.replay(write_config(plain, tmp_path / "p.toml"), meta)
    for a, b in zip(with_it.rows, without.rows, strict=True):
        assert b["drive_monitor_v"] == b["drive_monitor_db"] == ""
        for column in a:
            if not column.startswith("drive_monitor"):
                assert a[column] == b[column], column


def test_a_baseline_file_keeps_the_monitor_and_says_whether_it_follows(simmer, tmp_path):
    config, meta, made = monitored(tmp_path, [0.0, -1.0])
    done = simmer.run("baseline", "-c", config, "--out", tmp_path / "b.json", meta)
    assert "drive monitor: it follows the reported drive within 0.0" in done.stdout + done.stderr
    kept = json.loads((tmp_path / "b.json").read_text())
    assert kept["identity"]["drive_monitor"] == f"channel {CHANNEL}"
    drives = kept["targets"][0]["drives"]
    assert all(len(drive["drive_monitor_v"]) == len(drive["pulses"]) for drive in drives)
    session = simmer.replay(config, meta, options=("--baseline", tmp_path / "b.json"))
    assert [WORDS in row["reason"] for row in exposures(session, 0)] == [False, True]
    kept["targets"][0]["drives"][0]["drive_monitor_v"].pop()
    (tmp_path / "cut.json").write_text(json.dumps(kept))
    failed = simmer.replay(config, meta, options=("--baseline", tmp_path / "cut.json"), code=65)
    assert "drive_monitor_v has 29 values, pulses has 30" in failed.stderr
    # A monitor that bends: at the highest drive it shows 2 dB too little.
    for pulse in made.pulses[60:90]:
        n = pulse["start"] + np.arange(pulse["count"])
        made.counts[n, CHANNEL] = np.rint(made.counts[n, CHANNEL] * 10 ** (-2 / 20))
    made.write(tmp_path / "m")
    done = simmer.run("baseline", "-c", config, "--out", tmp_path / "c.json", meta)
    assert "from 0.15 to 0.3 MPa the reported drive rises 6.0 dB, its monitor 4.0 dB" in done.stdout + done.stderr


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"receive__drive_monitor_channel": 3}, "is 3, must be a channel that exists"),
        (
            {"receive__drive_monitor_channel": 1, "receive__unused_channels": [1]},
            "is 1, must not be among the unused channels",
        ),
        (
            {"receive__drive_monitor_channel": 1, "receive__unused_channels": [0, 2]},
            "is 1, must leave a channel to listen to",
        ),
    ],
)
def test_a_monitor_that_cannot_be_is_refused(simmer, tmp_path, changes, words):
    config = write_config(configuration(receive__channels=3, **changes), tmp_path / "m.toml")
    done = simmer.run("check", "-c", config, code=78)
    assert words in done.stderr and "receive.drive_monitor_channel" in done.stderr


def test_more_channels_than_a_worker_takes_at_once(simmer, tmp_path):
    # 16 receivers fill a group; the monitor comes in a group of its own.
    config = configuration(receive__channels=17, receive__drive_monitor_channel=0)
    made = record(config, baseline_emissions((0.2,), 12) + [Emission(drive_mpa=0.2)], seed=5)
    config = write_config(config, tmp_path / "m.toml")
    session = simmer.replay(config, made.write(tmp_path / "m"), options=("--spectra",))
    assert {r["channel"] for r in session.rows} == {str(c) for c in range(1, 17)} | {"all"}
    assert session.spectra().shape[:2] == (13, 16)
    assert all(float(r["drive_monitor_v"]) > 0 for r in session.rows)


def test_a_drive_beside_a_baseline_s_and_no_drive_at_all_are_as_set(simmer, tmp_path):
    # 0.1905 joins the baseline's 0.2 within 5 %; its monitor follows the drive that is reported.
    config, meta, made = monitored(tmp_path, [0.0] * 4, drives=(0.2,))
    low, silent = made.pulses[-4], made.pulses[-2]
    for pulse, drive in ((low, 0.1905), (silent, 0.0)):
        n = pulse["start"] + np.arange(pulse["count"])
        made.counts[n, CHANNEL] = np.rint(made.counts[n, CHANNEL] * drive / 0.2)
        pulse["drive_mpa"] = drive
    made.write(tmp_path / "m")
    session = simmer.replay(config, meta)
    rows = exposures(session, 0)
    assert not [row for row in rows if WORDS in row["reason"]]
    assert float(rows[0]["drive_monitor_db"]) == pytest.approx(0.0, abs=0.02)
    assert rows[2]["drive_monitor_db"] == "" and "no baseline" in rows[2]["reason"]


def test_tune_takes_a_session_heard_with_a_monitor(simmer, tmp_path):
    config, meta, _ = monitored(tmp_path, [0.0] * 12)
    session = simmer.replay(config, meta)
    done = simmer.run("tune", "-c", config, "--out", tmp_path / "tuned", session.folder)
    assert "drive_monitor" not in done.stderr
