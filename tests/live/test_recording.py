"""Raw samples beside the analysis: a session replays to its own bytes, whatever interrupted it."""

import json
import os
import random
import shutil
import signal
import subprocess
import time

import numpy as np
import pytest

from daemon import DEADLINE_S, REPO, Session, binary, environment, run
from scenes import four_channels, long_pulses, without_start

# Nothing older than this may be missing after a crash: samples and rows are synced every second.
SYNC_S = 1.0

RECORD = "\n[record]\nraw = true\nkeep_free_bytes = 0\n"


def recorded(scene, **keys):
    """The scene's configuration with a recorder in it."""
    text = scene.path.read_text() + RECORD + "".join(f"{k} = {v}\n" for k, v in keys.items())
    scene.path.write_text(text)
    return scene


def samples(folder, pattern="recording*.sigmf-meta"):
    """Each recording of a session, or other recordings: metadata and bytes."""
    names = sorted(folder.glob(pattern), key=lambda p: (len(p.name), p.name))
    return [(json.loads(p.read_text()), p.with_suffix(".sigmf-data").read_bytes()) for p in names]


def pulses(folder, pattern="recording*.sigmf-meta"):
    """Bytes of each pulse of a session's or other recordings, by its number."""
    found = {}
    for meta, data in samples(folder, pattern):
        kind = meta["global"]["core:datatype"]
        set_bytes = np.dtype("<i2" if kind == "ri16_le" else "i1").itemsize * meta["global"]["core:num_channels"]
        for note in meta["annotations"]:
            start, count = note["core:sample_start"], note["core:sample_count"]
            found[note["simmer:pulse"]] = data[start * set_bytes : (start + count) * set_bytes]
    return found


SCENES = {"long": long_pulses, "four": four_channels, "plain": without_start}


@pytest.mark.parametrize("name", SCENES)
def test_a_session_replays_to_its_own_bytes(bench, tmp_path, name):
    """Long, four-channel and undated streams, two of them in a row, with holes and pauses."""
    place = tmp_path / "scene"
    place.mkdir()
    scene = recorded(SCENES[name](place))
    monitor = bench.monitor(scene.path)
    monitor.send("-c", scene.path, "--speed", "max", "--frame-samples", 30000, *scene.recordings)
    live = monitor.stop()
    about = live.about()
    assert about["state"] == "finished" and about["recording"]["frames_left_out"] == 0
    assert len(about["recording"]["names"]) == len(scene.recordings)
    assert not list(live.folder.glob("*.sigmf-journal")) and not list(live.folder.glob("*.part"))
    again = tmp_path / "again"
    run("replay", "--out", again, live.folder)
    assert Session(again).bytes() == live.bytes()
    assert Session(again).about()["parent"] == str(live.folder)


def test_a_recording_goes_on_in_the_next_file(bench, tmp_path):
    place = tmp_path / "scene"
    place.mkdir()
    scene = recorded(without_start(place), rotate_bytes=1048576)
    monitor = bench.monitor(scene.path)
    monitor.send("-c", scene.path, "--speed", "max", *scene.recordings)
    live = monitor.stop()
    files = samples(live.folder)
    assert len(files) > len(scene.recordings) + 1, [len(data) for _, data in files]
    assert [meta["global"]["simmer:continues"] for meta, _ in files].count(False) == len(scene.recordings)
    again = tmp_path / "again"
    run("replay", "--out", again, live.folder)
    assert Session(again).bytes() == live.bytes()


def test_what_people_did_is_replayed_with_the_samples(bench, tmp_path):
    place = tmp_path / "scene"
    place.mkdir()
    scene = recorded(long_pulses(place))
    monitor = bench.monitor(scene.path)
    monitor.act(mark="injection", agent="bubbles", volume_ul=50)
    monitor.send("-c", scene.path, "--speed", "max", *scene.recordings)
    monitor.act(mark="note", text="after all pulses")
    live = monitor.stop()
    assert any(row["since_injection_s"] for row in live.rows())
    again = tmp_path / "again"
    run("replay", "--out", again, live.folder)
    assert Session(again).bytes() == live.bytes()
    # Without the acts the table is another one.
    other = tmp_path / "other"
    run("replay", "-c", scene.path, "--out", other, *sorted(live.folder.glob("recording*.sigmf-meta")))
    assert Session(other).bytes() != live.bytes()


def test_the_validator_of_the_format_accepts_a_recording(bench, tmp_path):
    """PyPI `sigmf`: its validator, its reader and its SHA-512 of the samples."""
    import sigmf

    place = tmp_path / "scene"
    place.mkdir()
    scene = recorded(long_pulses(place))
    monitor = bench.monitor(scene.path)
    monitor.send("-c", scene.path, "--speed", "max", *scene.recordings)
    live = monitor.stop()
    kept = pulses(live.folder)
    assert len(kept) > 20
    for path in live.folder.glob("recording*.sigmf-meta"):
        handle = sigmf.fromfile(str(path), autoscale=False)
        handle.validate()
        assert handle.calculate_hash() == json.loads(path.read_text())["global"]["core:sha512"]
        # The reader of the format gives the samples that were sent, in counts as they are.
        counts = handle.read_samples()
        note = handle.get_annotations()[3]
        start, count = note["core:sample_start"], note["core:sample_count"]
        assert np.array_equal(counts[start : start + count].ravel(), np.frombuffer(kept[note["simmer:pulse"]], "<i2"))
    assert kept == pulses(place, "long.sigmf-meta")


def test_a_folder_without_samples_cannot_be_replayed(tmp_path):
    session = tmp_path / "session"
    demo = REPO / "demo-data"
    run("replay", "-c", demo / "config.toml", "--out", session, demo / "baseline.sigmf-meta")
    said = run("replay", "--out", tmp_path / "again", session, code=65).stderr
    assert "the session has no recording" in said
    said = run("replay", "--out", tmp_path / "again", tmp_path, code=66).stderr
    assert "no session" in said


def demo(folder, *options):
    """The demonstration, recorded, at many times its speed."""
    args = [str(binary()), "demo", "--seconds", "60", "--out", str(folder), "--listen", "127.0.0.1:0", *options]
    return subprocess.Popen(args, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A demonstration that nothing interrupted: its session and its samples."""
    folder = tmp_path_factory.mktemp("whole") / "session"
    assert demo(folder, "--speed", "max").wait(60) == 0
    return Session(folder), pulses(folder)


def intact(folder, whole):
    """Asserts that an interrupted session is readable and holds nothing that was not there."""
    session, sent = whole
    repaired = Session(folder)
    about = repaired.about()
    assert about["state"] in ("interrupted", "finished"), about["state"]
    table, reference = repaired.bytes(), session.bytes()
    assert table.endswith(b"\n") and reference.startswith(table)
    events = repaired.bytes("events.ndjson")
    assert events == b"" or events.endswith(b"\n")
    for line in events.splitlines():
        json.loads(line)
    for number, data in pulses(folder).items():
        assert data == sent[number], number
    if not (folder / "spectra.npy").exists():
        # It ended between its first file and this one.
        assert not repaired.rows() and not pulses(folder)
        return repaired
    spectra = np.load(folder / "spectra.npy")
    rows = len({row["pulse"] for row in repaired.rows()})
    assert spectra.shape[0] <= rows
    reference = np.load(session.folder / "spectra.npy")[: spectra.shape[0]]
    assert np.array_equal(spectra, reference, equal_nan=True)
    return repaired


def test_killed_at_any_moment_a_session_can_be_repaired(whole, tmp_path):
    """kill -9 at 200 moments of a demonstration at 60 times its speed."""
    moments = random.Random(20260504)
    kept, killed = [], 0
    for trial in range(200):
        folder = tmp_path / f"s{trial}"
        process = demo(folder, "--speed", "60")
        after_s = moments.uniform(0.0, 1.2)
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        process.wait(DEADLINE_S)
        killed += process.returncode == -signal.SIGKILL
        if not (folder / "session.json").exists():
            # It had not begun: nothing was promised.
            assert not folder.exists() or not (folder / "pulses.csv").exists()
            continue
        run("repair", folder)
        first = {p.name: p.read_bytes() for p in folder.iterdir()}
        assert "nothing to repair" in run("repair", folder).stdout
        assert {p.name: p.read_bytes() for p in folder.iterdir()} == first
        repaired = intact(folder, whole)
        kept.append((after_s, len(repaired.rows())))
        if trial % 10 == 0 and list(folder.glob("recording*.sigmf-meta")):
            run("replay", "--out", folder / "again", folder)
        shutil.rmtree(folder)
    assert killed > 150, killed
    assert sum(rows > 0 for _, rows in kept) > 20, kept


def test_nothing_older_than_the_sync_interval_is_missing(tmp_path):
    """A demonstration at its own speed, killed; what came before the last two syncs is there."""
    folder = tmp_path / "session"
    process = demo(folder, "--speed", "1")
    table = folder / "pulses.csv"
    due = time.monotonic() + DEADLINE_S
    while not table.exists() or table.read_bytes().count(b"\n") < 30:
        assert time.monotonic() < due
        time.sleep(0.05)
    seen = table.read_bytes().count(b"\n")
    time.sleep(2 * SYNC_S)
    process.send_signal(signal.SIGKILL)
    process.wait(DEADLINE_S)
    run("repair", folder)
    assert len(Session(folder).rows()) >= seen - 1
    kept = pulses(folder)
    assert len(kept) >= seen - 1, (len(kept), seen)


def test_a_torn_session_is_cut_to_what_is_whole(whole, tmp_path):
    """Every file cut at random bytes, as a disk without order might leave them."""
    session, _ = whole
    moments = random.Random(7)
    for trial in range(40):
        folder = tmp_path / f"t{trial}"
        shutil.copytree(session.folder, folder)
        about = session.about()
        about["state"] = "running"
        (folder / "session.json").write_text(json.dumps(about))
        for name in ("pulses.csv", "events.ndjson", "exposures.csv", "spectra.npy"):
            path = folder / name
            head = 2000 if name.endswith(".csv") else 128 if name.endswith(".npy") else 0
            os.truncate(path, moments.randint(min(head, path.stat().st_size), path.stat().st_size))
        run("repair", folder)
        intact(folder, whole)
        assert "nothing to repair" in run("repair", folder).stdout


def test_a_session_that_is_well_is_left_alone(whole):
    session, _ = whole
    before = {p.name: p.read_bytes() for p in session.folder.iterdir()}
    assert "nothing to repair" in run("repair", session.folder).stdout
    assert {p.name: p.read_bytes() for p in session.folder.iterdir()} == before


def test_recording_stops_before_the_disk_is_full_and_nothing_else_does(bench, tmp_path):
    place = tmp_path / "scene"
    place.mkdir()
    scene = long_pulses(place)
    reference = bench.replay(scene.path, *scene.recordings)
    scene.path.write_text(scene.path.read_text() + "\n[record]\nraw = true\nkeep_free_bytes = 1000000000000000\n")
    monitor = bench.monitor(scene.path)
    monitor.send("-c", scene.path, "--speed", "max", *scene.recordings)
    live = monitor.stop(code=1)
    assert live.bytes() == reference.bytes()
    raised = [e for e in live.events("alarm raised") if e["name"] == "recording stopped"]
    assert raised and "must stay free" in raised[0]["cause"]
    about = live.about()
    assert "must stay free" in about["recording"]["stopped"] and about["recording"]["frames_left_out"] > 0
    assert not list(live.folder.glob("recording*"))


def test_a_file_that_cannot_grow_ends_the_recording_and_leaves_what_was_whole(bench, tmp_path, monkeypatch):
    """A limit on the size of files stands in for a full disk: samples fill it, rows do not."""
    import resource

    place = tmp_path / "scene"
    place.mkdir()
    scene = recorded(long_pulses(place))
    reference = bench.replay(scene.path, *scene.recordings)
    limit = 3 << 20  # The size of a pulse is 240 kB.
    start = subprocess.Popen

    def small(*args, preexec_fn, **options):
        def before():
            preexec_fn()
            # Past the limit a write fails as on a full disk, instead of a signal that ends the program.
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

        return start(*args, preexec_fn=before, **options)

    monkeypatch.setattr("daemon.subprocess.Popen", small)
    monitor = bench.monitor(scene.path)
    monkeypatch.undo()
    monitor.send("-c", scene.path, "--speed", "10", *scene.recordings)
    live = monitor.stop(code=1)
    assert live.bytes() == reference.bytes()
    raised = [e for e in live.events("alarm raised") if e["name"] == "recording stopped"]
    assert raised, live.events()
    assert "nothing to repair" in run("repair", live.folder).stdout
    kept, sent = pulses(live.folder), pulses(place, "long.sigmf-meta")
    assert kept and all(data == sent[number] for number, data in kept.items())
    assert sum(map(len, kept.values())) <= limit
