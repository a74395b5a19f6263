"""Runs the binary on sessions made from demo-data. SIMMER_BIN names the binary."""

import csv
import io
import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
DEMO = REPO / "demo-data"
TIMEOUT_S = 120
RECORDINGS = [DEMO / "baseline.sigmf-meta", DEMO / "exposure.sigmf-meta"]
QUANTITIES = ("harmonic", "ultraharmonic", "subharmonic", "broadband")


def binary():
    """The binary under test."""
    default = Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target")) / "release" / "simmer"
    return Path(os.environ.get("SIMMER_BIN", default)).absolute()


def run(*arguments, code=0):
    """Runs a command and checks its exit code."""
    done = subprocess.run(
        [binary(), *map(str, arguments)], capture_output=True, text=True, timeout=TIMEOUT_S
    )
    assert done.returncode == code, f"exit code {done.returncode}\n{done.stderr}"
    return done


def replay(out, config=DEMO / "config.toml", *more):
    """The demo recordings, replayed with spectra."""
    run("replay", "-c", config, "--spectra", "--out", out, *more, *RECORDINGS)
    return out


def table(path_or_text):
    """A table as a list of rows by column."""
    text = path_or_text.read_text() if isinstance(path_or_text, Path) else path_or_text
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.fixture(scope="session")
def shared(tmp_path_factory):
    """One session that nobody changes."""
    return replay(tmp_path_factory.mktemp("shared") / "session")


@pytest.fixture
def session(shared, tmp_path):
    """A copy of the session that a test may change."""
    return Path(shutil.copytree(shared, tmp_path / "session"))


def hour(shared, out, odd=9_000, pulses=18_000):
    """A session of an hour at five pulses a second: the quietest pulse again and again, one of them, the
    `odd`, inertial with 12 dB of broadband."""
    shutil.copytree(shared, out)
    rows = table(out / "pulses.csv")
    head = list(rows[0])
    quiet = next(row for row in rows if row["verdict"] == "not_detected")
    before = [row for row in rows if row["stage"] != "exposure"]
    first = len(before)
    with open(out / "pulses.csv", "w", newline="") as file:
        writer = csv.DictWriter(file, head, lineterminator="\n")
        writer.writeheader()
        writer.writerows(before)
        for i in range(pulses):
            row = quiet | {"pulse": first + i, "time_s": 18 + 0.2 * i}
            if i == odd:
                row |= {"verdict": "inertial", "broadband_detect_db": "1.2e1", "reason": "broadband pulse"}
            writer.writerow(row)
    exposures = table(out / "exposures.csv")
    exposures[0] |= {"first_pulse": first, "last_pulse": first + pulses - 1, "received": pulses}
    with open(out / "exposures.csv", "w", newline="") as file:
        writer = csv.DictWriter(file, list(exposures[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(exposures)
    (out / "spectra.npy").unlink()
    return out


def about(session):
    """session.json."""
    return json.loads((session / "session.json").read_text())
