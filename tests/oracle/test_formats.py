"""Recordings that nobody here wrote, read sample for sample; and ours, read by others."""

import importlib.metadata
import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
import sigmf
from scipy.io import wavfile

from conftest import REPO
from make import FORMATS, Emission, baseline_emissions, configuration, format_changes, record, write_config
from method import Plan
from test_signal import check_spectrum


def spectra_agree(session, recording):
    """Every pulse's spectrum, as the binary read the samples and as the oracle holds them."""
    plan = Plan(recording.config)
    spectra = session.spectra()
    pulses = recording.pulses_heard(plan)
    assert spectra.shape[:2] == (len(pulses), recording.counts.shape[1])
    for got, pulse in zip(spectra, pulses):
        for channel, reading in zip(got, pulse.readings):
            check_spectrum(channel, reading.spectrum)


# --- SigMF, written and read by the reference library -------------------------------------------------


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("channels", [1, 3])
def test_a_recording_of_the_sigmf_library_reads_back(simmer, name, channels):
    config = configuration(receive__channels=channels, **format_changes(name))
    recording = record(config, [Emission() for _ in range(3)], 71)
    data = simmer.folder / "library.sigmf-data"
    np.ascontiguousarray(recording.counts).astype(FORMATS[name][0]).tofile(data)
    # The library writes metadata, checksum and annotations; the samples are the oracle's.
    file = sigmf.SigMFFile(data_file=data, global_info={
        "core:datatype": name, "core:sample_rate": 10_000_000, "core:num_channels": channels,
        "core:extensions": [{"name": "simmer", "version": "1.0.0", "optional": True}],
    })  # fmt: skip
    file.add_capture(0, metadata={"core:datetime": "2026-05-04T09:30:00Z"})
    for pulse in recording.pulses:
        note = recording.annotation(pulse)
        start, count = note.pop("core:sample_start"), note.pop("core:sample_count")
        file.add_annotation(start, length=count, metadata=note)
    file.validate()
    file.tofile(simmer.folder / "library.sigmf-meta")
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, simmer.folder / "library.sigmf-meta", options=["--spectra"])
    spectra_agree(session, recording)


def test_the_generators_complex_samples_are_refused_by_name(simmer):
    made = sigmf.SigMFGenerator(seed=3).tone(700e3).sample_rate(10e6).duration(5e-3).generate()
    made.tofile(simmer.folder / "complex.sigmf-meta", overwrite=True)
    path = write_config(configuration(), simmer.folder / "config.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", simmer.folder / "complex.sigmf-meta", code=65)
    assert made.get_global_field("core:datatype") in done.stderr


# --- ours, read by the reference library ---------------------------------------------------------------


@pytest.mark.parametrize("name", ["baseline", "exposure"])
def test_demo_data_validate_and_read_equal(name, bench):
    meta = bench.folder / "demo-data" / f"{name}.sigmf-meta"
    file = sigmf.fromfile(meta, autoscale=False)
    file.validate()
    declared = {extension["name"]: extension["optional"] for extension in file.get_global_field("core:extensions")}
    assert declared == {"simmer": True}
    raw = np.fromfile(meta.with_suffix(".sigmf-data"), FORMATS[file.get_global_field("core:datatype")][0])
    assert np.array_equal(np.ravel(file.read_samples()), raw)
    notes = file.get_annotations()
    assert [note["simmer:pulse"] for note in notes] == list(range(90) if name == "baseline" else range(90, 135))
    assert all(note["core:label"] == "pulse" for note in notes)


# --- the same samples in other clothes -----------------------------------------------------------------


def write_cues(recording, path):
    """The recording's pulses as a cue list."""
    rows = ["start_sample,sample_count,pulse,drive_mpa,stage,target"]
    for p in recording.pulses:
        rows.append(f"{p['start']},{p['count']},{p['number']},{p['drive_mpa']},{p['stage']},{p['target']}")
    path.write_text("\n".join(rows) + "\n")
    return path


def without_clock(session):
    """Rows without the time of day, which only SigMF knows."""
    return [{**row, "time_utc": ""} for row in session.rows]


def session_of(simmer, channels=2, seed=72):
    """A short session with all verdicts' ingredients, its configuration file and its SigMF replay."""
    config = configuration(receive__channels=channels)
    exposure = [Emission(), Emission(broadband_v=2e-3), Emission(count=20000), Emission(trigger=4000)]
    recording = record(config, baseline_emissions((0.3,), each=12) + exposure, seed)
    path = write_config(config, simmer.folder / "config.toml")
    return recording, path, simmer.replay(path, recording.write(simmer.folder / "plain"))


def test_a_wav_file_with_a_cue_list_gives_the_same_rows(simmer):
    recording, path, plain = session_of(simmer)
    wavfile.write(simmer.folder / "same.wav", 10_000_000, recording.counts.astype("<i2"))
    cues = write_cues(recording, simmer.folder / "same.csv")
    lines = cues.read_text().splitlines()
    lines = [f"{line},{'trigger_sample' if i == 0 else ''}" for i, line in enumerate(lines)]
    lines[-1] += str(recording.pulses[-1]["start"] + 4000)
    cues.write_text("\n".join(lines) + "\n")
    session = simmer.replay(path, simmer.folder / "same.wav", options=["--cues", cues])
    assert without_clock(session) == without_clock(plain)


def test_a_headerless_file_with_a_cue_list_gives_the_same_rows(simmer):
    config = configuration(receive__channels=2)
    recording = record(config, baseline_emissions((0.3,), each=12) + [Emission() for _ in range(2)], 73)
    path = write_config(config, simmer.folder / "config.toml")
    plain = simmer.replay(path, recording.write(simmer.folder / "plain"))
    recording.counts.astype("<i2").tofile(simmer.folder / "same.raw")
    cues = write_cues(recording, simmer.folder / "same.csv")
    session = simmer.replay(path, simmer.folder / "same.raw", options=["--cues", cues])
    assert without_clock(session) == without_clock(plain)


def test_a_cue_list_overrides_annotations(simmer):
    config = configuration()
    recording = record(config, baseline_emissions((0.3,), each=12) + [Emission() for _ in range(2)], 74)
    path = write_config(config, simmer.folder / "config.toml")
    plain = simmer.replay(path, recording.write(simmer.folder / "plain"))
    cues = write_cues(recording, simmer.folder / "same.csv")
    wrong = [recording.annotation(p) | {"simmer:stage": "noise", "core:sample_start": p["start"] + 7} for p in recording.pulses]
    meta = recording.write(simmer.folder / "wrong", annotations=wrong)
    session = simmer.replay(path, meta, options=["--cues", cues])
    assert session.rows == plain.rows


@pytest.mark.parametrize("name", FORMATS)
def test_every_sample_format_is_read_as_numpy_reads_it(simmer, name):
    config = configuration(receive__channels=2, **format_changes(name))
    recording = record(config, [Emission(broadband_v=5e-3) for _ in range(2)], 75)
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / name), options=["--spectra"])
    spectra_agree(session, recording)


# --- WAV -------------------------------------------------------------------------------------------


def wav_folder(package, *parts):
    """A folder inside an installed Python package."""
    files = importlib.metadata.distribution(package).locate_file("")
    return Path(files).joinpath(*parts)


def hound_folder():
    """The samples of the hound crate, in the source that cargo fetched for the build."""
    told = subprocess.run(
        ["cargo", "metadata", "--format-version", "1", "--locked"],
        cwd=REPO,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    packages = json.loads(told.stdout)["packages"]
    manifest = next(p["manifest_path"] for p in packages if p["name"] == "hound")
    return Path(manifest).parent / "testsamples"
