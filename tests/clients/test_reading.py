"""The example readers, on a session of the demonstration data."""

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import read_session
from conftest import REPO
from test_clients import HERE


def simmer(*args):
    import os

    default = Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target")) / "release" / "simmer"
    binary = Path(os.environ.get("SIMMER_BIN", default)).absolute()
    subprocess.run([str(binary), *map(str, args)], check=True, capture_output=True, timeout=120)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """Recorded and kept with its spectra."""
    folder = tmp_path_factory.mktemp("reading") / "session"
    simmer("demo", "--seconds", "30", "--speed", "max", "--out", folder, "--listen", "127.0.0.1:0")
    return folder


def test_pandas_and_numpy_read_a_session(session):
    pulses, exposures, spectra, about = read_session.read(session)
    with open(session / "pulses.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(pulses) == len(rows) and about["state"] == "finished"
    for row, (_, read) in zip(rows, pulses.iterrows()):
        assert int(row["pulse"]) == read["pulse"]
        if row["broadband_db"]:
            # Every digit comes back.
            assert float(row["broadband_db"]) == read["broadband_db"]
    assert list(exposures["exposure"]) == [1]
    assert spectra.shape == (len(rows), 1, about["axes"]["bins"])
    done = subprocess.run([sys.executable, HERE / "read_session.py", session], capture_output=True, text=True, check=True)
    assert "not_detected" in done.stdout and "MHz" in done.stdout


def test_numpy_reads_the_samples_that_were_judged(session):
    """The broadband of a pulse again, from its recorded samples: SciPy's Welch over the gate."""
    import scipy.signal

    pulses, _, spectra, about = read_session.read(session)
    place = int(pulses.index[pulses["stage"] == "exposure"][0])
    number, rate = int(pulses["pulse"][place]), 20e6
    x = read_session.samples(session, number)[:, 0]
    axes = about["axes"]
    start = round((2e-3 + 0.2e-3) * rate)
    gate = x[start : start + axes["gate_samples"]]
    n, hop = axes["segment_samples"], axes["segment_hop_samples"]
    _, density = scipy.signal.welch(gate, rate, "hann", n, n - hop, detrend=False)
    with np.errstate(divide="ignore"):
        assert np.allclose(10 * np.log10(density)[1:], spectra[place, 0, 1:], atol=0.02)


def test_octave_reads_a_session(session):
    script = HERE / "read_session.m"
    done = subprocess.run(
        ["octave-cli", "--no-window-system", str(script), str(session)], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    pulses, _, _, _ = read_session.read(session)
    counts = pulses["verdict"].value_counts()
    for name in ("not_detected", "stable", "inertial", "indeterminate"):
        assert f"{name} {counts.get(name, 0)}\n" in done.stdout
    judged = pulses[pulses["verdict"].notna()]["broadband_detect_db"].dropna()
    assert f"broadband {judged.mean():.6f} dB over {len(judged)} pulses" in done.stdout
