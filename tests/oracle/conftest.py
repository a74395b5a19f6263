"""Runs the binary and reads what it leaves behind. SIMMER_BIN names the binary."""

import csv
import json
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

import foreign

REPO = Path(__file__).resolve().parents[2]
TIMEOUT_S = 120

# The columns of pulses.csv in their order; more may follow. Those of the loudest quarter and the limits
# in V² stand where the interface's own page has them.
COLUMNS = (
    "pulse,time_utc,time_s,channel,target,exposure,stage,drive_mpa,drive_setting,harmonic_v2,"
    "ultraharmonic_v2,subharmonic_v2,broadband_v2,fundamental_v2,broadband_v2_per_hz,harmonic_db,"
    "ultraharmonic_db,subharmonic_db,broadband_db,fundamental_db,noise_db,harmonic_excess_dose_v2s,"
    "ultraharmonic_excess_dose_v2s,subharmonic_excess_dose_v2s,broadband_excess_dose_v2s,"
    "since_injection_s,clipped_share,verdict,cumulative,reason"
).split(",") + [
    f"{quantity}_{kind}_db"
    for kind in ("contrast", "detect", "limit", "hear", "hear_cumulative")
    for quantity in ("harmonic", "ultraharmonic", "subharmonic", "broadband")
]
COLUMNS += ["loudest_quarter_v2_per_hz", "loudest_quarter_s"]
COLUMNS += [
    f"{quantity}_{kind}_v2"
    for kind in ("hear", "hear_cumulative")
    for quantity in ("harmonic", "ultraharmonic", "subharmonic", "broadband")
]


def binary():
    """The binary under test."""
    default = Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target")) / "release" / "simmer"
    return Path(os.environ.get("SIMMER_BIN", default)).absolute()


class Session:
    """A session folder, read."""

    def __init__(self, folder, done=None):
        self.folder, self.done = Path(folder), done
        self.text = (self.folder / "pulses.csv").read_text()
        lines = csv.reader(self.text.splitlines())
        header = next(lines)
        assert header[: len(COLUMNS)] == COLUMNS
        self.rows = []
        for line in lines:
            assert len(line) == len(header), f"a row of {len(line)} cells under {len(header)} columns"
            self.rows.append(dict(zip(header, line)))

    def row(self, pulse, channel=0):
        """The row of a pulse and channel."""
        return next(r for r in self.rows if r["pulse"] == str(pulse) and r["channel"] == str(channel))

    def number(self, pulse, column, channel=0):
        """One number of it."""
        return float(self.row(pulse, channel)[column])

    def spectra(self):
        """spectra.npy: pulses × channels × bins, dB."""
        return np.load(self.folder / "spectra.npy", allow_pickle=False)

    def about(self):
        """session.json."""
        return json.loads((self.folder / "session.json").read_text())

    def events(self):
        """events.ndjson."""
        return [json.loads(line) for line in (self.folder / "events.ndjson").read_text().splitlines()]

    def exposures(self):
        """exposures.csv."""
        return list(csv.DictReader((self.folder / "exposures.csv").read_text().splitlines()))


class Simmer:
    """The binary, run in a folder of its own."""

    def __init__(self, folder):
        self.folder = Path(folder)
        self.sessions = 0

    def run(self, *args, code=0, cwd=None):
        """Runs a command and asserts its exit code (None: any that is one of its own)."""
        assert binary().exists(), f"there is no binary at {binary()}"
        environment = {k: v for k, v in os.environ.items() if not k.startswith("SIMMER_")}
        done = subprocess.run(
            [str(binary()), *map(str, args)],
            cwd=cwd or self.folder,
            env=environment | {"NO_COLOR": "1"},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
        told = f"simmer {' '.join(map(str, args))}\nexit {done.returncode}\n{done.stdout}\n{done.stderr}"
        assert "panicked" not in done.stderr, told
        expected = done.returncode if code is None else code
        assert done.returncode == expected and done.returncode >= 0, f"expected exit {code}\n{told}"
        return done

    def replay(self, config, *recordings, options=(), code=0):
        """Replays recordings into a new session folder."""
        self.sessions += 1
        out = self.folder / f"session-{self.sessions}"
        done = self.run("replay", "-c", config, *options, "--out", out, *recordings, code=code)
        return Session(out, done) if code in (0, 10) else done


@pytest.fixture
def simmer(tmp_path):
    """The binary with a folder for this test."""
    return Simmer(tmp_path)


@pytest.fixture
def bench(tmp_path):
    """A copy of what the examples run on, to run them in."""
    for name in ("demo-data", "config"):
        shutil.copytree(REPO / name, tmp_path / name)
    shutil.copy(REPO / "README.md", tmp_path / "README.md")
    return Simmer(tmp_path)


def pytest_sessionfinish(session, exitstatus):
    """A skipped test is a failure: what cannot be run has not been shown."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    left = [kind for kind in ("skipped", "xfailed", "xpassed") if reporter and reporter.stats.get(kind)]
    if left and exitstatus == 0:
        session.exitstatus = 1


def pytest_terminal_summary(terminalreporter):
    """What became of files of each format, in the tests that ran."""
    if foreign.COUNTS:
        terminalreporter.section("files of other makes, and damaged ones")
        for line in foreign.table():
            terminalreporter.write_line(line)
