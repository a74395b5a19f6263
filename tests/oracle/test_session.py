"""The session folder: columns, forms of numbers, times, exposures, account, and a hole in the pulses."""

import hashlib
import re
import tomllib

import numpy as np
import pytest

from make import Emission, baseline_emissions, configuration, record, write_config
from method import QUANTITIES

EXPOSURE_COLUMNS = (
    "exposure,target,subject,first_pulse,last_pulse,start_utc,duration_s,expected,received,used,missing,"
    "drive_mpa_min,drive_mpa_median,drive_mpa_max,injection,since_injection_s,baseline_id,not_detected,"
    "stable,inertial,indeterminate,harmonic_only,max_broadband_db,max_broadband_pulse,"
    "median_broadband_limit_db,harmonic_excess_dose_v2s,ultraharmonic_excess_dose_v2s,"
    "subharmonic_excess_dose_v2s,broadband_excess_dose_v2s,alarms,ended_by"
).split(",") + [
    f"{quantity}_cumulative_{kind}"
    for quantity in QUANTITIES
    for kind in ("pulse", "channel", "mpa", "db", "within_db")
]
# Whole numbers plain; others as the shortest digits that give the f64 back, with an exponent.
EXPONENT = re.compile(r"-?\d(\.\d+)?e-?\d+")
WHOLE = ("pulse", "channel", "exposure")
TEXT = ("time_utc", "target", "stage", "verdict", "cumulative", "reason")


def two_exposures(simmer, channels=2):
    """Two exposures at two targets, each with its baseline first."""
    config = configuration(receive__channels=channels)
    emissions = []
    for target in ("left", "right"):
        emissions += [Emission(stage="baseline", target=target) for _ in range(20)]
        emissions += [Emission(target=target) for _ in range(3)]
        emissions += [Emission(target=target, broadband_v=v) for v in (3e-3, 2e-3)]
        emissions += [Emission(target=target, lines_v={2: 0.05, 3: 0.05}), Emission(target=target, count=18000)]
    recording = record(config, emissions, 101)
    path = write_config(config, simmer.folder / "config.toml")
    return config, recording, path, simmer.replay(path, recording.write(simmer.folder / "two"))


def test_every_cell_has_its_documented_form(simmer):
    _, recording, _, session = two_exposures(simmer)
    for row in session.rows:
        for column, cell in row.items():
            if column in TEXT or cell == "":
                continue
            if column in WHOLE:
                assert cell.isdigit() or (column, cell) == ("channel", "all")
            else:
                assert EXPONENT.fullmatch(cell), f"{column} is {cell!r}"
                assert float(cell) == 0 or len(re.sub(r"e.*|[-.]", "", cell)) <= 17
        for column in ("drive_setting", "since_injection_s", "cumulative"):
            assert row[column] == ""
    numbers = [int(row["pulse"]) for row in session.rows]
    assert numbers == sorted(numbers)
    assert [row["channel"] for row in session.rows[:3]] == ["0", "1", "all"]
    assert "\r" not in session.text and session.text.endswith("\n")


def test_time_comes_from_the_stream_alone(simmer):
    _, recording, _, session = two_exposures(simmer)
    for pulse in recording.pulses:
        row = session.row(pulse["number"])
        assert float(row["time_s"]) == pulse["start"] / 10e6
        # The recording's core:datetime is 2026-05-04T09:30:00Z; RFC 3339 with 9 decimals.
        nanos = round(pulse["start"] * 100)
        assert row["time_utc"] == f"2026-05-04T09:30:{nanos // 10**9:02d}.{nanos % 10**9:09d}Z"


def test_exposures_csv_sums_up_pulses_csv(simmer):
    config, recording, _, session = two_exposures(simmer)
    header = (session.folder / "exposures.csv").read_text().splitlines()[0].split(",")
    assert header[: len(EXPOSURE_COLUMNS)] == EXPOSURE_COLUMNS
    table = session.exposures()
    assert [row["target"] for row in table] == ["left", "right"]
    assert [row["exposure"] for row in table] == ["1", "2"]
    for exposure in table:
        rows = [r for r in session.rows if r["stage"] == "exposure" and r["target"] == exposure["target"]]
        every = [r for r in rows if r["channel"] == "all"]
        assert (exposure["first_pulse"], exposure["last_pulse"]) == (every[0]["pulse"], every[-1]["pulse"])
        for verdict in ("not_detected", "stable", "inertial", "indeterminate"):
            assert int(exposure[verdict]) == sum(r["verdict"] == verdict for r in every), verdict
        assert int(exposure["inertial"]) == 2 and int(exposure["indeterminate"]) == 1
        assert int(exposure["harmonic_only"]) == 1
        assert int(exposure["expected"]) == 600 and int(exposure["received"]) == 7
        assert int(exposure["used"]) == 6
        assert exposure["subject"] == config["session"]["subject"]
        assert [float(exposure[f"drive_mpa_{k}"]) for k in ("min", "median", "max")] == [0.3] * 3
        over = {r["pulse"]: float(r["broadband_db"]) for r in every if r["broadband_db"]}
        assert float(exposure["max_broadband_db"]) == pytest.approx(max(over.values()), abs=1e-9)
        assert exposure["max_broadband_pulse"] == max(over, key=over.get)
        limits = [float(r["broadband_limit_db"]) for r in every if r["broadband_limit_db"]]
        assert float(exposure["median_broadband_limit_db"]) == pytest.approx(np.median(limits), abs=1e-9)
        for q in QUANTITIES:
            last = [float(r[f"{q}_excess_dose_v2s"]) for r in rows if r["channel"] != "all"][-2:]
            dose = float(exposure[f"{q}_excess_dose_v2s"])
            assert dose == pytest.approx(np.mean(last), rel=1e-9, abs=0.0), "doses are the mean over used channels"
    # A dose is never reset within an exposure and starts anew with the next.
    first = [r for r in session.rows if r["stage"] == "exposure" and r["channel"] == "0"]
    loud, fresh = float(first[4]["broadband_excess_dose_v2s"]), float(first[7]["broadband_excess_dose_v2s"])
    assert abs(fresh) < 0.2 * loud


def test_session_json_says_what_the_numbers_came_from(simmer):
    config, recording, path, session = two_exposures(simmer)
    text, about = path.read_text(), session.about()
    flat = str(about)
    assert hashlib.sha256(text.encode()).hexdigest() in flat
    strings = [v for v in walk(about) if isinstance(v, str)]
    assert text in strings, "the configuration is there verbatim"
    assert tomllib.loads(next(s for s in strings if s == text))["drive"]["frequency_hz"] == 0.7e6
    assert any("2026-05-04T09:30:00" in s for s in strings)
    # What came in is what the pulses hold; samples between them belong to none.
    assert str(sum(pulse["count"] for pulse in recording.pulses)) in flat, "the sample account"


def walk(value):
    """All values of a JSON tree."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from walk(inner)
    else:
        yield value


def test_a_replay_leaves_the_recording_and_makes_a_whole_folder(simmer):
    _, recording, _, session = two_exposures(simmer)
    names = {path.name for path in session.folder.iterdir()}
    assert names >= {"session.json", "pulses.csv", "exposures.csv", "events.ndjson"}
    assert "spectra.npy" not in names
    assert np.array_equal(np.fromfile(simmer.folder / "two.sigmf-data", "<i2"), np.ravel(recording.counts))
    assert any("inertial" in str(event) for event in session.events())


def test_a_hole_in_the_pulses_gets_one_row(simmer):
    config = configuration()
    # Pulse 3 of the exposure comes 0.8 s after the one before; 0.5 s is 2.5 periods of 5 Hz.
    times_ns = [k * 200_000_000 for k in range(15)] + [2_800_000_000 + 800_000_000, 3_800_000_000]
    emissions = [
        Emission(stage="baseline" if k < 12 else "exposure", extra={"simmer:time_ns": t}) for k, t in enumerate(times_ns)
    ]
    recording = record(config, emissions, 102)
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "hole"))
    holes = [row for row in session.rows if row["reason"].startswith("pulse missing")]
    assert len(holes) == 1 and holes[0]["pulse"] == ""
    # Method §10: time_s is the last pulse's and missing_after_periods/repetition_hz.
    assert float(holes[0]["time_s"]) == pytest.approx(2.8 + 2.5 / 5.0, rel=1e-12, abs=0.0)
    at = session.rows.index(holes[0])
    assert (session.rows[at - 1]["pulse"], session.rows[at + 1]["pulse"]) == ("14", "15")
    assert float(session.row(15)["time_s"]) == pytest.approx(3.6, rel=1e-12, abs=0.0)
    assert session.row(15)["verdict"] == "not_detected"
    assert int(session.exposures()[0]["missing"]) >= 1


def test_no_hole_is_seen_between_stages(simmer):
    config = configuration()
    times_ns = [k * 200_000_000 for k in range(12)] + [60_000_000_000, 60_200_000_000]
    emissions = [
        Emission(stage="baseline" if k < 12 else "exposure", extra={"simmer:time_ns": t}) for k, t in enumerate(times_ns)
    ]
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, record(config, emissions, 103).write(simmer.folder / "pause"))
    assert len(session.rows) == 14


def test_spectra_are_asked_for_and_have_a_row_a_pulse(simmer):
    _, recording, path, plain = two_exposures(simmer)
    session = simmer.replay(path, simmer.folder / "two.sigmf-meta", options=["--spectra"])
    spectra = session.spectra()
    assert spectra.dtype == np.float32 and spectra.shape == (len(recording.pulses), 2, 1001)
    # The pulse without numbers has none in its spectrum either.
    lost = [i for i, p in enumerate(recording.pulses) if p["count"] == 18000]
    assert np.all(np.isnan(spectra[lost])) and np.all(np.isfinite(np.delete(spectra, lost, axis=0)))
    assert session.text == plain.text


def test_the_baseline_file_names_what_it_was_made_of(simmer):
    config = configuration()
    path = write_config(config, simmer.folder / "config.toml")
    meta = record(config, baseline_emissions((0.3,), each=12), 104).write(simmer.folder / "base")
    simmer.run("baseline", "-c", path, "--out", simmer.folder / "base.json", meta)
    text = (simmer.folder / "base.json").read_text()
    # One digest for the pair: the samples, then the metadata.
    pair = b"".join((simmer.folder / f"base.sigmf-{half}").read_bytes() for half in ("data", "meta"))
    assert hashlib.sha256(pair).hexdigest() in text
