"""One recording gives the same bytes however it comes in: replayed, or sent live in any pieces."""

import json
import shutil

import numpy as np
import pytest

from daemon import REPO
from make import Emission, baseline_emissions
from scenes import Scene, four_channels, long_pulses, timed, with_alarms, without_start, write

FRAME_SAMPLES = (512, 30000, 100000)
WRITE_BYTES = (1024, 60001, 1048576)
WORKERS = (1, 2, 3)
# A Latin square: every pair of values of two of the three meets once.
PIECES = [(f, w, WORKERS[(i + j) % 3]) for i, f in enumerate(FRAME_SAMPLES) for j, w in enumerate(WRITE_BYTES)]


def demo(folder):
    """The demonstration's two recordings, two streams one after the other."""
    for name in ("config.toml", "baseline.sigmf-meta", "baseline.sigmf-data", "exposure.sigmf-meta", "exposure.sigmf-data"):
        shutil.copy(REPO / "demo-data" / name, folder / name)
    return Scene({}, folder / "config.toml", [folder / "baseline.sigmf-meta", folder / "exposure.sigmf-meta"])


def running(folder):
    """Two channels, alarms also while pulses run: loud in a whole burst, in its first and in its last quarter."""
    config = with_alarms(detect__running_pulse=True, receive__channels=2)
    part = lambda start, end: lambda counts, rng: add(counts, rng, start, end)
    emissions = baseline_emissions((0.2, 0.3), each=14)
    emissions += [Emission(), Emission(broadband_v=4e-3), Emission(after=part(7000, 11500)), Emission()]
    emissions += [Emission(after=part(20000, 24000)), Emission(drive_mpa=0.25, after=part(7000, 11500))]
    emissions[-3].extra["simmer:lost_samples"] = 7
    emissions[-3].after = part(7000, 11500)
    emissions += [Emission(lines_v={1.5: 8e-3, 0.5: 8e-3, 2.5: 8e-3}) for _ in range(4)]
    return write(folder, "running", config, timed(emissions, holes=(31,)), 14)


def add(counts, rng, start, end):
    """Broadband in a part of a pulse."""
    counts[start:end] += np.rint(80 * rng.standard_normal((end - start, counts.shape[1])))


SCENES = {
    "long": long_pulses,
    "four": four_channels,
    "plain": without_start,
    "demo": demo,
    "running": running,
}


@pytest.fixture(scope="module", params=SCENES)
def scene(request, shared):
    """The scene, and what a replay makes of it."""
    folder = shared.place(request.param)
    folder.mkdir()
    scene = SCENES[request.param](folder)
    return scene, shared.replay(scene.path, *scene.recordings, options=["--spectra"])


def told(events, *without):
    """Events apart from those that tell of the way in."""
    return [e for e in events if e["event"] not in without]


@pytest.mark.parametrize("frame_samples,write_bytes,workers", PIECES)
def test_sent_live_gives_the_bytes_of_a_replay(bench, scene, frame_samples, write_bytes, workers):
    scene, replayed = scene
    monitor = bench.monitor(scene.path, "--workers", workers, "--spectra")
    pieces = ["--frame-samples", frame_samples, "--write-bytes", write_bytes]
    monitor.send("-c", scene.path, "--speed", "max", *pieces, *scene.recordings)
    live = monitor.stop()
    account, stream = live.closed()
    assert live.bytes() == replayed.bytes()
    assert live.bytes("exposures.csv") == replayed.bytes("exposures.csv")
    assert live.bytes("spectra.npy") == replayed.bytes("spectra.npy")
    # A stream's name, what the socket has to say of losses, and that a stream's end is a pause.
    assert told(live.events(), "stream", "gap", "mark") == told(replayed.events(), "stream", "gap")
    assert all(e["by"] == "sender" and e["mark"] == "pause" for e in live.events("mark"))
    there = replayed.about()["account"]
    # Frames are counted as they came. How many samples a device lost at a place that nobody knows, a
    # frame's flag does not say: one is counted a pulse.
    apart = ("frames", "samples_lost_by_device")
    assert {k: v for k, v in account.items() if k not in apart} == {k: v for k, v in there.items() if k not in apart}
    unknown = [p for p in scene.recorded.pulses if "simmer:lost_samples" in p["extra"]] if scene.recorded else []
    assert account["samples_lost_by_device"] == len(unknown)
    assert there["samples_lost_by_device"] == sum(p["extra"]["simmer:lost_samples"] for p in unknown)
    assert stream["frames_lost"] == stream["frames_late"] == stream["frames_bad_crc"] == 0
    assert stream["pulses_unfinished"] == 0 and stream["streams"] == len(scene.recordings)


def test_the_scenes_hold_what_is_compared(scene):
    """Otherwise equal bytes would say little."""
    scene, replayed = scene
    rows = replayed.rows()
    assert {row["stage"] for row in rows} >= {"baseline", "exposure"}
    hard = {"indeterminate"} if scene.recorded else set()
    assert {row["verdict"] for row in rows} >= {"", "not_detected", "stable", "inertial"} | hard
    assert replayed.events("alarm raised") and replayed.rows("exposures.csv")
    if scene.path.name == "four.toml":
        assert {row["target"] for row in rows} == {"left", "right"}
        assert sum(row["reason"].startswith("pulse missing") for row in rows) == 2
        assert any("lost" in row["reason"] for row in rows)
    if scene.path.name == "running.toml":
        causes = [event["cause"] for event in replayed.events("alarm raised")]
        early = ["of the running pulse" in cause for cause in causes]
        assert any(early) and not all(early)
    if scene.path.name == "long.toml":
        assert {row["exposure"] for row in rows} == {"", "4", "7"}
        assert {row["stage"] for row in rows} == {"noise", "baseline", "exposure"}
        assert all(row["drive_setting"] for row in rows)


def test_payloads_without_a_crc_give_the_same_bytes_and_are_on_record(bench, scene):
    scene, replayed = scene
    monitor = bench.monitor(scene.path)
    monitor.send("-c", scene.path, "--speed", "max", "--no-payload-crc", *scene.recordings)
    live = monitor.stop()
    assert live.bytes() == replayed.bytes()
    assert "unchecked" in json.dumps(live.about()["sources"])


def test_a_unix_socket_gives_the_same_bytes(bench, shared):
    folder = bench.place("unix")
    folder.mkdir()
    scene = demo(folder)
    path = folder / "config.toml"
    text = path.read_text()
    kept = text[: text.index("[serve]")]
    address = folder / "s.sock"
    path.write_text(kept + f'[serve]\nstream_unix = "{address}"\n')
    monitor = bench.monitor(path, unix=str(address))
    monitor.send("-c", path, "--speed", "max", *scene.recordings)
    live = monitor.stop()
    assert live.bytes() == bench.replay(path, *scene.recordings).bytes()
    assert not address.exists(), "the socket's file goes with the monitor"


def test_two_recordings_without_utc_give_the_same_bytes(bench):
    """Session time of the second is after the first's end, which a live monitor must know as well."""
    folder = bench.place("two")
    folder.mkdir()
    config = with_alarms()
    quiet = {"captures": [{"core:sample_start": 0}]}
    base = write(folder, "base", config, [Emission(stage="baseline") for _ in range(12)], 21, **quiet)
    rest = [Emission(number=12 + i) for i in range(4)]
    later = write(folder, "later", config, rest, 22, **quiet)
    both = base.recordings + later.recordings
    monitor = bench.monitor(base.path)
    monitor.send("-c", base.path, "--speed", "max", *both)
    live = monitor.stop()
    assert live.bytes() == bench.replay(base.path, *both).bytes()


def test_what_frames_cannot_carry_is_refused_by_name(bench):
    folder = bench.place("trigger")
    folder.mkdir()
    emissions = [Emission(stage="baseline") for _ in range(12)]
    emissions[7].trigger = 5003
    scene = write(folder, "trigger", with_alarms(), emissions, 23)
    monitor = bench.monitor(scene.path)
    # Exit code 65: bad input data.
    done = monitor.send("-c", scene.path, "--speed", "max", *scene.recordings, code=65)
    assert "pulse 7" in done.stderr and "5003" in done.stderr and "5000" in done.stderr
