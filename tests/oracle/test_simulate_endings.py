"""Runs of `simmer simulate` that end early: nothing is left, nothing is overwritten, faults come at once."""

import csv
import re
import signal
import subprocess
import time

import pytest

from conftest import binary
from test_bench import Bench, steps

NAMES = ["acts.ndjson", "recording.sigmf-data", "recording.sigmf-meta", "truth.csv"]
ONE = steps(("exposure", 0.06, 1, "inject = true"))


def names(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_is_taken_is_said_before_anything_is_made(bench, name):
    own = Bench(bench).write({"radius_sigma": "0.01"}, ONE)
    folder = bench.folder / "own-made"
    folder.mkdir()
    (folder / name).write_text("old")
    said = own.simulate(code=73)
    assert f"{name}: cannot create: it is there already" in said
    assert names(folder) == [name] and (folder / name).read_text() == "old"


def test_a_folder_that_is_a_file_is_said_before_anything_is_made(bench):
    own = Bench(bench).write({"radius_sigma": "0.01"}, ONE)
    (bench.folder / "own-made").write_text("old")
    began = time.monotonic()
    assert "own-made" in own.simulate(code=73)
    assert time.monotonic() - began < 2.0


@pytest.mark.parametrize("wanted, code", [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_ends_the_run_and_leaves_nothing(bench, wanted, code):
    own = Bench(bench).write({"bubbles_mean": "0.0"}, steps(("noise", 0.0, 100_000)))
    out = bench.folder / "stopped"
    run = subprocess.Popen(
        [binary(), "simulate", own.path, "--out", out], cwd=bench.folder, stderr=subprocess.PIPE, text=True
    )
    try:
        deadline = time.monotonic() + 60
        while not list(out.glob("unfinished-*/recording.sigmf-data")):
            assert run.poll() is None and time.monotonic() < deadline
            time.sleep(0.05)
        assert not (out / "recording.sigmf-data").exists()
        run.send_signal(wanted)
        said = run.communicate(timeout=60)[1]
    finally:
        run.kill()
    assert run.returncode == code, said
    assert "ended by a signal; nothing of it is kept" in said
    assert not out.exists()
    # And the same names are free again.
    own.write({"bubbles_mean": "0.0"}, steps(("noise", 0.0, 1)))
    own.simulate(out="stopped")
    assert names(out) == ["recording.sigmf-data", "recording.sigmf-meta", "truth.csv"]


def test_a_full_disk_ends_the_run_and_leaves_nothing(bench):
    own = Bench(bench).write({"bubbles_mean": "0.0"}, steps(("noise", 0.0, 100)))
    out = bench.folder / "full"
    limited = ["bash", "-c", 'trap "" XFSZ; ulimit -f 1000; exec "$@"', "-", binary(), "simulate", own.path]
    done = subprocess.run([*limited, "--out", out], cwd=bench.folder, capture_output=True, text=True, timeout=60)
    assert done.returncode not in (0, 130), done.stderr
    assert "recording.sigmf-data" in done.stderr
    assert not out.exists()


def test_what_the_bench_cannot_take_of_a_configuration_is_said_there(bench):
    own = Bench(bench).write({}, ONE, {"repetition_hz": "180.0"})
    said = own.simulate(code=78)
    line = 1 + next(i for i, text in enumerate(own.config.read_text().splitlines()) if text.startswith("gate_end_s"))
    assert f"{own.config.name}:{line}:" in said, said
    assert "a record's length, s, is 0.0061" in said


def test_the_truth_says_what_the_amplifier_gave_and_counts_bubbles_in_silence(bench):
    doing = steps(
        ("noise", 0.0, 1), ("exposure", 0.1, 12, "inject = true"), ("noise", 0.0, 1)
    )
    own = Bench(bench).write({"wander": "0.05", "radius_sigma": "0.01", "wash_in_s": "0.0"}, doing)
    folder = own.simulate()
    rows = list(csv.DictReader((folder / "truth.csv").read_text().splitlines()))
    head = (folder / "truth.csv").read_text().splitlines()[0].split(",")
    assert head[head.index("drive_mpa") + 1] == "given_mpa"
    driven = [float(row["given_mpa"]) for row in rows[1:-1]]
    assert {row["drive_mpa"] for row in rows[1:-1]} == {"0.1"}
    assert len(set(driven)) == 12 and all(abs(mpa / 0.1 - 1) < 0.25 for mpa in driven)
    # A pulse's fundamental stands to that of another as what the amplifier gave.
    first, last = rows[0], rows[-1]
    assert (first["bubbles"], first["largest_ratio"], float(first["given_mpa"])) == ("0", "", 0.0)
    assert int(last["bubbles"]) > 50 and float(last["largest_ratio"]) == 1.0
    assert re.fullmatch(r"0(\.0+e\+?0+)?|0\.000000e0", last["harmonic_v2"])
