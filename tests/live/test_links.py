"""Connections that are cut, replaced, refused, many, slow to read or fast to write (PROTOCOL.md, Rules 5 and 6)."""

import random
import time

import pytest

from make import baseline_emissions
from scenes import end_sample, four_channels, frames, long_pulses, write
from wire import BASELINE, DEVICE_LOST, FIRST, LAST, end, frame, hello, keepalive, line

SETS = bytes(16)
# An ack is due every 0.5 s; this is what a loaded machine may take beside it.
SLACK_S = 0.35


@pytest.fixture(scope="module")
def scenes(shared):
    """A long and a short recording and their replays."""
    folder = shared.place("scenes")
    folder.mkdir()
    made = {"long": long_pulses(folder), "four": four_channels(folder)}
    return {name: (scene, shared.replay(scene.path, *scene.recordings)) for name, scene in made.items()}


def test_a_stream_cut_at_every_byte_loses_nothing(bench):
    """Hello, three frames of two pulses and the end: cut after each of their bytes, then resumed."""
    config, path = bench.config()
    monitor = bench.monitor(path)
    keys = hello(config)
    ready = [
        frame(0, 0, SETS, flags=FIRST, stage=BASELINE, target="left"),
        frame(1, 8, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0, target="left"),
        frame(2, 16, SETS, flags=FIRST | LAST, stage=BASELINE, pulse=1, target="µ"),
    ]
    stop = end(3, 24)
    connections, next_due = 0, 0
    # The first hello once for each of its bytes; none of them is a stream.
    first = line(keys)
    for length in range(len(first)):
        with monitor.link() as link:
            link.send(first[:length])
    with monitor.link(keys) as link:
        assert link.reply["next"] == 0
    for sequence, piece in enumerate([*ready, stop]):
        for length in range(len(piece)):
            said = keys | {"resume": True, "oldest": next_due}
            with monitor.link(said) as link:
                assert link.reply["ok"] is True and link.reply["next"] == sequence, link.reply
                connections += 1
                link.send(piece[:length])
        with monitor.link(keys | {"resume": True, "oldest": sequence}) as link:
            connections += 1
            link.send(piece)
            if sequence < len(ready):
                link.acknowledged(sequence + 1)
            else:
                assert link.wait_for("end") == {"end": True, "received": 3, "lost": 0, "pulses": 2}
        next_due = min(sequence + 1, len(ready))
    account, stream = monitor.stop().closed()
    assert (stream["streams"], stream["resumes"], stream["frames"]) == (1, connections, 3)
    assert stream["frames_lost"] == stream["frames_again"] == stream["pulses_unfinished"] == 0
    assert account["samples_received"] == 24
    assert [row["target"] for row in monitor.session.rows()] == ["left", "µ"]


@pytest.mark.parametrize("name", ["long", "four"])
def test_a_recording_cut_at_random_bytes_gives_the_bytes_of_a_replay(bench, scenes, name):
    scene, replayed = scenes[name]
    ready = frames(scene, 7001)
    monitor = bench.monitor(scene.path, "--workers", 2)
    keys, rng = hello(scene.config), random.Random(5)
    next_due, cuts = 0, 0
    while next_due < len(ready):
        said = keys | ({"resume": True, "oldest": max(0, next_due - rng.randrange(3))} if cuts else {})
        with monitor.link(said) as link:
            assert link.reply["ok"] is True and link.reply["next"] >= next_due, link.reply
            next_due = link.reply["next"]
            # Frames that the monitor has already are sent again now and then.
            rest = b"".join(ready[max(0, next_due - rng.randrange(3)) :])
            link.send(rest[: rng.randrange(1, len(ready[0]) * len(ready) // 20)])
            # What was written before a cut may or may not have come in; next says it.
        cuts += 1
    with monitor.link(keys | {"resume": True, "oldest": len(ready)}) as link:
        assert link.reply["next"] == len(ready)
        link.send(end(len(ready), end_sample(scene)))
        totals = link.wait_for("end")
    pulses = len(scene.recorded.pulses)
    assert totals == {"end": True, "received": len(ready), "lost": 0, "pulses": pulses}
    assert cuts > 15
    live = monitor.stop()
    _, stream = live.closed()
    assert live.bytes() == replayed.bytes()
    assert live.bytes("exposures.csv") == replayed.bytes("exposures.csv")
    assert stream["resumes"] == cuts and stream["frames_lost"] == 0


def test_lost_and_damaged_frames_void_the_pulses_they_lie_in_and_no_other(bench, scenes):
    """Of the long recording: a frame lost, one damaged, one pulse without its end, one pulse gone."""
    scene, replayed = scenes["long"]
    ready = frames(scene, 30000)  # four frames a pulse
    assert len(ready) == 4 * len(scene.recorded.pulses)
    lost, damaged, endless, gone = 4 * 27 + 1, 4 * 29 + 2, 4 * 31 + 3, range(4 * 33, 4 * 34)
    sent = []
    for i, piece in enumerate(ready):
        if i == lost or i == endless or i in gone:
            continue
        if i == damaged:
            piece = piece[:-1] + bytes([piece[-1] ^ 1])
        sent.append(piece)
    monitor = bench.monitor(scene.path)
    with monitor.link(hello(scene.config)) as link:
        link.send(*sent, end(len(ready), end_sample(scene)))
        totals = link.wait_for("end")
        pulses = len(scene.recorded.pulses) - 1
        assert totals == {"end": True, "received": len(ready) - 7, "lost": 7, "pulses": pulses}
    live = monitor.stop()
    account, stream = live.closed()
    assert (stream["frames_lost"], stream["frames_bad_crc"], stream["pulses_unfinished"]) == (6, 1, 1)
    assert account["incomplete_pulses"] == 3
    # From the first gate to the last a pulse wants the samples 1000 to 118 000. Two frames of 30 000 are
    # holes, having samples after them; of the last one 28 000 wanted samples were never reached.
    assert account["samples_lost_in_gates"] == 60_000
    assert account["samples_not_recorded"] == 28_000
    there = {row["pulse"]: row for row in replayed.rows()}
    for row in live.rows():
        if row["pulse"] in ("27", "29", "31"):
            assert row["verdict"] == "indeterminate", row
            assert "lost" in row["reason"] or "incomplete" in row["reason"], row["reason"]
        else:
            for column in ("harmonic_v2", "broadband_v2", "fundamental_v2", "time_s", "stage", "target"):
                assert row[column] == there[row["pulse"]][column], (row["pulse"], column)
    assert "33" not in {row["pulse"] for row in live.rows()}
    texts = " | ".join(e["text"] for e in live.events("gap"))
    for words in ("27: 30000 samples are missing", "29: 30000 samples are missing", "pulse 31 was closed"):
        assert words in texts, texts


def test_a_device_that_lost_samples_at_a_known_place_makes_a_hole_there(bench, scenes):
    """Flag 8 and a jump of first_sample: the pulse has a hole of so many samples; the next is whole."""
    scene, replayed = scenes["long"]
    ready = frames(scene, 30000)
    pulse = scene.recorded.pulses[28]
    # The third of four frames: its samples 60 000 to 60 999 lie in the gate, not in the noise gate.
    place = 4 * 28 + 2
    one = ready[place]
    # The frame begins 1000 samples later and holds as many fewer.
    start = int.from_bytes(one[16:24], "little") + 1000
    payload = one[96 + one[77] + 2000 :]
    one = frame(
        place,
        start,
        payload,
        flags=4 | 128 | DEVICE_LOST,
        pulse=pulse["number"],
        pulse_first_sample=pulse["start"],
        pulse_time_ns=pulse["extra"]["simmer:time_ns"],
        drive_mpa=pulse["drive_mpa"],
        drive_setting=pulse["extra"]["simmer:drive_setting"],
        exposure=pulse["extra"]["simmer:exposure"],
        target=pulse["target"],
    )
    ready[place] = one
    monitor = bench.monitor(scene.path)
    with monitor.link(hello(scene.config)) as link:
        link.send(*ready, end(len(ready), end_sample(scene)))
        totals = link.wait_for("end")
        assert totals == {"end": True, "received": len(ready), "lost": 0, "pulses": len(scene.recorded.pulses)}
    live = monitor.stop()
    account, _ = live.closed()
    assert account["incomplete_pulses"] == 1
    before, after = ({r["pulse"]: r for r in s.rows()} for s in (replayed, live))
    assert after["28"]["verdict"] == "indeterminate" and "lost" in after["28"]["reason"]
    assert after["30"]["broadband_v2"] == before["30"]["broadband_v2"]
    assert any("28: 1000 samples are missing: the device lost them" in e["text"] for e in live.events("gap"))


def test_a_second_sender_is_busy_until_the_first_has_ended(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    keys = hello(config)
    with monitor.link(keys) as first:
        first.send(frame(0, 0, SETS, flags=FIRST | LAST, stage=BASELINE))
        first.acknowledged(1)

        def busy(said):
            with monitor.link(said) as second:
                assert second.reply["ok"] is False and second.reply["error"] == "busy", second.reply
                assert second.reply["retry"] is True
                assert second.hear() is None

        busy(hello(config))
        # Also one that wants to resume another stream, and this one without saying resume.
        busy(hello(config, resume=True, oldest=0))
        busy(keys)
        # The first did not notice.
        first.send(frame(1, 8, SETS, flags=FIRST | LAST, pulse=1, stage=BASELINE), keepalive(2, 16))
        first.acknowledged(2)
        first.close()
        # While it waits to be resumed, too.
        busy(hello(config))
        busy(keys)
    with monitor.link(keys | {"resume": True, "oldest": 2}) as first:
        first.send(end(2, 16))
        assert first.wait_for("end")["received"] == 2
        with monitor.link(hello(config)) as second:
            assert second.reply["ok"] is True, "a stream that has ended makes room at once"
            second.send(end(0, 0))
            second.wait_for("end")
    _, stream = monitor.stop().closed()
    assert (stream["streams"], stream["resumes"]) == (2, 1)


def test_a_resume_replaces_a_link_that_looks_alive(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    keys = hello(config)
    with monitor.link(keys) as old:
        old.send(frame(0, 0, SETS, flags=FIRST, stage=BASELINE))
        old.acknowledged(1)
        # Half a frame of the old link: it is forgotten.
        second = frame(1, 8, SETS, stage=BASELINE, pulse_first_sample=0)
        old.send(second[:100])
        with monitor.link(keys | {"resume": True, "oldest": 1}) as new:
            assert new.reply["next"] == 1
            old.ended()
            new.send(second, frame(2, 16, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0))
            new.acknowledged(3)
            new.send(end(3, 24))
            assert new.wait_for("end") == {"end": True, "received": 3, "lost": 0, "pulses": 1}
    _, stream = monitor.stop().closed()
    assert (stream["resumes"], stream["frames_again"]) == (1, 0)


def test_what_a_sender_has_forgotten_is_lost_and_accounted(bench):
    """oldest above next: it goes on with oldest; the frames between are lost. Below: duplicates."""
    config, path = bench.config()
    monitor = bench.monitor(path)
    keys = hello(config)
    with monitor.link(keys) as link:
        link.send(frame(0, 0, SETS, flags=FIRST, stage=BASELINE))
        link.acknowledged(1)
    with monitor.link(keys | {"resume": True, "oldest": 4}) as link:
        assert link.reply["next"] == 1
        link.send(frame(4, 32, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0))
        link.acknowledged(5)
    with monitor.link(keys | {"resume": True, "oldest": 2}) as link:
        assert link.reply["next"] == 5
        link.send(frame(4, 32, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0), end(5, 40))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 3, "pulses": 1}
    live = monitor.stop()
    _, stream = live.closed()
    assert (stream["frames_lost"], stream["frames_again"], stream["resumes"]) == (3, 1, 2)
    assert any("1 to 3" in e["text"] for e in live.events("gap")), live.events("gap")


def test_a_resume_that_describes_the_stream_otherwise_is_refused_and_ends_nothing(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    keys = hello(config)
    with monitor.link(keys) as link:
        link.send(frame(0, 0, SETS, flags=FIRST | LAST, stage=BASELINE))
        link.acknowledged(1)
        for change, error in (
            ({"stage_from": "operator"}, "format"),
            ({"start_utc": "2026-05-04T09:30:01Z"}, "format"),
            ({"start_utc": None}, "format"),
            ({"drive_setting_unit": "V"}, "format"),
            ({"sample_rate_hz": 1e7 + 1}, "rate"),
            ({"channels": 2}, "channels"),
        ):
            said = {k: v for k, v in (keys | {"resume": True, "oldest": 1} | change).items() if v is not None}
            with monitor.link(said) as other:
                assert other.reply["ok"] is False and other.reply["error"] == error, (change, other.reply)
                assert other.hear() is None
        # The link that is there goes on.
        link.send(frame(1, 8, SETS, flags=FIRST | LAST, pulse=1, stage=BASELINE), end(2, 16))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 0, "pulses": 2}
    monitor.stop().closed()


def test_two_hundred_clients_at_once_disturb_nobody(bench, scenes):
    """Silent ones, half a hello, wrong ones, right ones that are busy, and some that cut: beside a stream."""
    scene, replayed = scenes["long"]
    ready = frames(scene, 30000)
    monitor = bench.monitor(scene.path)
    with monitor.link(hello(scene.config)) as link:
        link.send(*ready[:40])
        whole = line(hello(scene.config))
        kinds = [b"", whole[:100], b"GET / HTTP/1.1\r\n\r\n", whole, line(hello(scene.config, resume=True, oldest=0))]
        crowd = [monitor.link() for _ in range(200)]
        for i, other in enumerate(crowd):
            other.send(kinds[i % len(kinds)])
        link.send(*ready[40:])
        for i, other in enumerate(crowd):
            if i % len(kinds) == 2:
                assert other.hear()["error"] == "syntax"
            elif i % len(kinds) in (3, 4):
                assert other.hear()["error"] == "busy"
            if i % len(kinds) > 1:
                assert other.hear() is None
        link.send(end(len(ready), end_sample(scene)))
        assert link.wait_for("end")["received"] == len(ready)
        for other in crowd:
            other.close()
    live = monitor.stop()
    _, stream = live.closed()
    assert live.bytes() == replayed.bytes()
    assert (stream["streams"], stream["resumes"]) == (1, 0)


def test_acks_come_every_half_second_though_nothing_changes(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    with monitor.link(hello(config)) as link:
        link.send(frame(0, 0, SETS, flags=FIRST | LAST, stage=BASELINE))
        before, said = time.monotonic(), []
        while len(said) < 4:
            ack = link.hear(0.5 + SLACK_S)
            now = time.monotonic()
            assert now - before <= 0.5 + SLACK_S
            said.append(ack)
            before = now
        assert said == [{"ack": 1}] * 4, said
        link.send(end(1, 8))
        link.wait_for("end")
    monitor.stop()


def test_a_sender_faster_than_the_analysis_waits_and_memory_stays_bounded(bench):
    """120 MB as fast as they are taken, with an analysis slowed by 95 % overlap: nothing is lost, acks come
    after 8 MiB at most, and the monitor grows by less than half of it."""
    config, path = bench.config(spectrum__overlap=0.95, receive__channels=8)
    monitor = bench.monitor(path, "--workers", 1)
    scene = write(bench.folder, "fast", config, baseline_emissions((0.3,), each=4), 71)
    pulses = frames(scene, 25000)
    set_bytes, each = 16, len(pulses[0])
    count = 300
    with monitor.link(hello(config)) as link:
        begun = monitor.resident_kib("VmHWM")
        payloads = [piece[-25000 * set_bytes :] for piece in pulses]
        for i in range(count):
            piece = frame(
                i,
                25000 * i,
                payloads[i % 4],
                set_bytes,
                flags=FIRST | LAST | 4,
                drive_mpa=0.3,
                pulse=i,
                pulse_first_sample=25000 * i,
                pulse_time_ns=i * 200_000_000,
                stage=BASELINE,
                target="tube",
            )
            link.send(piece)
        link.send(end(count, 25000 * count))
        acks = []
        while "ack" in (said := link.hear()):
            acks.append(said["ack"])
        assert said == {"end": True, "received": count, "lost": 0, "pulses": count}
        assert acks == sorted(acks)
        steps = [b - a for a, b in zip([0, *acks], [*acks, count])]
        assert max(steps) * each <= 8 * 2**20 + each, max(steps)
        grown = monitor.resident_kib("VmHWM") - begun
        assert grown < 60 * 1024, f"{grown} KiB"
    account, _ = monitor.stop().closed()
    assert account["pulses"] == count


def test_a_sender_that_does_not_read_is_told_and_cut(bench):
    """Totals are said again for each end of stream; with 64 KiB unread the connection ends with `stalled`."""
    config, path = bench.config()
    monitor = bench.monitor(path)
    with monitor.link(hello(config), receive_bytes=4096) as link:
        before = monitor.resident_kib()
        # 20 000 answers are 900 kB; what the system keeps between the two is some 100 kB.
        link.send(end(0, 0) * 20000)
        said, last = 0, None
        while (heard_now := link.hear()) is not None:
            said, last = said + 1, heard_now
        assert said < 20000, "nobody bounds what is unread"
        assert last["error"] == "stalled", last
        assert monitor.resident_kib() - before < 20 * 1024
    monitor.alive(config)
    monitor.stop().closed()
