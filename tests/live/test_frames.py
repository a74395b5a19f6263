"""Frames at fault, each by hand-built bytes, and what the monitor answers (PROTOCOL.md, Frames, Rules)."""

import struct

import pytest

from daemon import wait_until
from faults import FAULTS, MAX_PAYLOAD_BYTES, SETS
from wire import (
    ABORT,
    BASELINE,
    DEVICE_LOST,
    DRIVE_KNOWN,
    END,
    EXPOSURE_ENDED,
    FIRST,
    GO_ON,
    KEEPALIVE,
    LAST,
    PAUSE,
    SETTING_KNOWN,
    end,
    frame,
    hello,
    keepalive,
    outside,
)


@pytest.fixture(scope="module")
def place(shared):
    """One monitor for all faults; at the end it is alive and its account closes."""
    config, path = shared.config()
    monitor = shared.monitor(path)
    streams = {"begun": 0, "resumed": 0, "frames": 0, "pulses": 0, "late": 0, "again": 0, "lost": 0, "crc": 0}
    yield config, monitor, streams
    monitor.alive(config)
    account, stream = monitor.stop().closed()
    assert stream["streams"] == streams["begun"] + 1
    assert stream["resumes"] == streams["resumed"]
    assert stream["frames"] == streams["frames"] + 1
    assert stream["pulses"] == streams["pulses"] + 1 == account["pulses"]
    assert stream["frames_late"] == streams["late"]
    assert stream["frames_again"] == streams["again"]
    assert stream["frames_lost"] == streams["lost"]
    assert stream["frames_bad_crc"] == streams["crc"]


def begin(place, greeting=None):
    """A stream whose pulse 0 is open with 8 samples."""
    config, monitor, streams = place
    greeting = greeting or hello(config)
    link = monitor.link(greeting)
    assert link.reply == {
        "ok": True,
        "simmer": 1,
        "next": 0,
        "max_payload_bytes": MAX_PAYLOAD_BYTES,
        "keepalive_s": 2,
        "resume_s": 30,
    }
    link.send(frame(0, 0, SETS, flags=FIRST, stage=BASELINE))
    for key in ("begun", "frames", "pulses"):
        streams[key] += 1
    return greeting, link


def resume(place, greeting, oldest):
    """The stream's next connection."""
    _, monitor, streams = place
    link = monitor.link(greeting | {"resume": True, "oldest": oldest})
    assert link.reply["ok"] is True, link.reply
    streams["resumed"] += 1
    return link


def finish(place, greeting):
    """Resumes, ends pulse 0 with frame 1 and asserts the totals."""
    with resume(place, greeting, 1) as link:
        assert link.reply["next"] == 1, "the frame at fault does not count"
        link.send(frame(1, 8, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0), end(2, 16))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 0, "pulses": 1}
    place[2]["frames"] += 1


@pytest.mark.parametrize("name", FAULTS)
def test_a_frame_at_fault_is_named_and_the_stream_may_be_resumed(place, name):
    error, wrong = FAULTS[name]
    greeting, link = begin(place)
    with link:
        # A good frame behind it must not be found: the monitor never searches for the next magic.
        link.send(wrong, frame(1, 8, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0))
        said = link.wait_for("error")
        assert set(said) == {"error", "detail", "sequence"}, said
        assert (said["error"], said["sequence"]) == (error, 1), said
        assert said["detail"] and said["detail"][0].islower() and not said["detail"].endswith("."), said
        assert link.hear() is None, "then the monitor closes"
    finish(place, greeting)


def test_a_payload_that_is_too_large_is_refused_before_it_comes(place):
    greeting, link = begin(place)
    with link:
        wrong = frame(1, 8, b"", samples=0x7FFFFFFF, payload_bytes=0xFFFFFFFE, payload_crc32=1, pulse_first_sample=0)
        link.send(wrong)
        assert link.wait_for("error", 2.0)["error"] == "length"
    finish(place, greeting)


def test_the_largest_payload_is_taken(place):
    config, monitor, streams = place
    with monitor.link(hello(config)) as link:
        largest = bytes(MAX_PAYLOAD_BYTES)
        link.send(frame(0, 0, largest, flags=FIRST | LAST, stage=BASELINE), end(1, MAX_PAYLOAD_BYTES // 2))
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 0, "pulses": 1}
    for key in ("begun", "frames", "pulses"):
        streams[key] += 1


@pytest.mark.parametrize("flag", [KEEPALIVE, END])
def test_a_bare_frame_has_no_samples(place, flag):
    """The page does not say by which of two names: a wrong length, or fields that contradict each other."""
    greeting, link = begin(place)
    with link:
        link.send(frame(1, 8, SETS, flags=flag, stage=0, pulse_first_sample=0))
        said = link.wait_for("error")
        assert said["error"] in ("length", "header") and said["sequence"] == 1, said
        assert link.hear() is None
    finish(place, greeting)


def test_a_keepalive_that_is_ahead_loses_the_frames_before_it(place):
    """The totals are those of the highest sequence that the stream carried."""
    _, _, streams = place
    _, link = begin(place)
    with link:
        link.send(keepalive(3, 8), keepalive(2, 8), end(2, 8))
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 2, "pulses": 1}
    streams["lost"] += 2


def test_stage_of_the_sender_in_an_operators_stream_is_a_fault(place):
    config, monitor, streams = place
    greeting = hello(config, stage_from="operator")
    with monitor.link(greeting) as link:
        link.send(frame(0, 0, SETS, flags=FIRST | LAST, stage=BASELINE))
        assert link.wait_for("error")["error"] == "header"
    with resume(place, greeting, 0) as link:
        link.send(frame(0, 0, SETS, flags=FIRST | LAST, stage=0), end(1, 8))
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 0, "pulses": 1}
    for key in ("begun", "frames", "pulses"):
        streams[key] += 1


def test_a_crc_of_a_payload_that_has_none_is_a_fault(place):
    config, monitor, streams = place
    greeting = hello(config, payload_crc=False)
    with monitor.link(greeting) as link:
        link.send(frame(0, 0, SETS, flags=FIRST, stage=BASELINE, payload_crc32=0))
        link.send(frame(1, 8, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0, payload_crc32=1))
        said = link.wait_for("error")
        assert (said["error"], said["sequence"]) == ("header", 1)
    with resume(place, greeting, 1) as link:
        last = frame(1, 8, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0, payload_crc32=0)
        link.send(last, end(2, 16, payload_crc32=0))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 0, "pulses": 1}
    streams["begun"] += 1
    streams["pulses"] += 1
    streams["frames"] += 2


def test_a_longer_header_is_skipped(place):
    greeting, link = begin(place)
    with link:
        first = frame(1, 8, SETS, beyond=b"smr1" * 20, target="left", stage=BASELINE, pulse_first_sample=0)
        # The longest header that 16 bits can say.
        longest = frame(2, 16, SETS, beyond=bytes(65535 - 96), flags=LAST, stage=BASELINE, pulse_first_sample=0)
        link.send(first, longest, keepalive(3, 24, beyond=b"x"), end(3, 24, beyond=b"y" * 7))
        assert link.wait_for("end") == {"end": True, "received": 3, "lost": 0, "pulses": 1}
    place[2]["frames"] += 2
    # Nothing of what was skipped is a fault of the next stream.
    finish(place, begin_and_cut(place))


def begin_and_cut(place):
    greeting, link = begin(place)
    # What nobody has acknowledged may be lost with the connection.
    link.acknowledged(1)
    link.close()
    return greeting


def test_a_wrong_payload_crc_loses_the_frame_and_nothing_more(place):
    _, monitor, streams = place
    greeting, link = begin(place)
    with link:
        link.send(frame(1, 8, SETS, payload_crc32=7, stage=BASELINE, pulse_first_sample=0))
        link.send(frame(2, 16, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0), keepalive(3, 24))
        # Nothing is said until the totals; what is acknowledged includes the frame.
        link.acknowledged(3)
        # Not again: it is a duplicate then.
        link.send(frame(1, 8, SETS, stage=BASELINE, pulse_first_sample=0), end(3, 24))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 1, "pulses": 1}
    streams["frames"] += 2
    streams["crc"] += 1
    streams["again"] += 1


def test_what_comes_again_is_dropped_and_what_is_skipped_is_lost(place):
    _, _, streams = place
    greeting, link = begin(place)
    with link:
        second = frame(1, 8, SETS, stage=BASELINE, pulse_first_sample=0)
        # Again, also with other contents: the sequence alone counts. It may even lie before the end
        # of the frame before, as it does here.
        link.send(second, second, frame(0, 0, SETS, flags=FIRST, stage=BASELINE), second)
        # Frames 2 to 4 never come; the pulse goes on at sample 40.
        link.send(frame(5, 40, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0), end(6, 48))
        assert link.wait_for("end") == {"end": True, "received": 3, "lost": 3, "pulses": 1}
    streams["frames"] += 2
    streams["again"] += 3
    streams["lost"] += 3


def test_end_of_stream_that_skips_frames_loses_them(place):
    _, _, streams = place
    _, link = begin(place)
    with link:
        link.send(end(4, 100))
        # The two together are the sequence that end of stream carried.
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 3, "pulses": 1}
    streams["lost"] += 3


def test_frames_of_a_closed_pulse_are_late_and_dropped(place):
    _, monitor, streams = place
    _, link = begin(place)
    with link:
        link.send(frame(1, 8, SETS, flags=FIRST | LAST, pulse=5, stage=BASELINE))
        # Pulse 5 has had its last frame; 0 was overtaken; 3 lies below what was opened.
        link.send(frame(2, 16, SETS, pulse=5, pulse_first_sample=8, stage=BASELINE))
        link.send(frame(3, 24, SETS, pulse=0, pulse_first_sample=0, stage=BASELINE))
        link.send(frame(4, 32, SETS, flags=FIRST | LAST, pulse=3, stage=BASELINE), end(5, 40))
        assert link.wait_for("end") == {"end": True, "received": 5, "lost": 0, "pulses": 2}
    streams["frames"] += 4
    streams["pulses"] += 1
    streams["late"] += 3


def test_the_first_frame_of_a_pulse_says_what_it_is_for(place):
    _, monitor, streams = place
    config = place[0]
    with monitor.link(hello(config)) as link:
        known = DRIVE_KNOWN | SETTING_KNOWN
        said = {"drive_mpa": 0.25, "drive_setting": 40.0, "exposure": 0, "target": "left", "stage": BASELINE}
        other = {"drive_mpa": 0.5, "drive_setting": 50.0, "exposure": 3, "target": "right", "stage": 1}
        link.send(frame(0, 0, SETS, flags=FIRST | known, **said))
        link.send(frame(1, 8, SETS, flags=LAST | known, pulse_first_sample=0, **other), end(2, 16))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 0, "pulses": 1}
    streams["begun"] += 1
    streams["pulses"] += 1
    streams["frames"] += 2
    # No other pulse of this monitor has a drive.
    rows = wait_until(lambda: [row for row in monitor.session.rows() if row["drive_mpa"]])
    found = [(r["target"], r["stage"], float(r["drive_mpa"]), float(r["drive_setting"])) for r in rows]
    assert found == [("left", "baseline", 0.25, 40.0)]


def test_bare_frames_may_say_what_people_do(place):
    """Pause, go on, exposure ended and abort, between pulses and with the end."""
    _, _, streams = place
    _, link = begin(place)
    with link:
        link.send(
            outside(1, 8, PAUSE, stage=0),
            outside(2, 8, GO_ON, stage=0),
            outside(3, 8, EXPOSURE_ENDED, stage=0),
            outside(4, 8, ABORT, stage=0),
            outside(5, 8, DEVICE_LOST, payload=SETS, stage=0),
            end(6, 16, ABORT),
        )
        assert link.wait_for("end") == {"end": True, "received": 6, "lost": 0, "pulses": 1}
    streams["frames"] += 5


def test_end_twice_gives_the_totals_twice_and_a_frame_after_it_counts_no_more(place):
    _, _, streams = place
    greeting, link = begin(place)
    totals = {"end": True, "received": 1, "lost": 0, "pulses": 1}
    with link:
        link.send(end(1, 8))
        assert link.wait_for("end") == totals
    # A stream that was cut before its totals may be resumed only to send end of stream again.
    with resume(place, greeting, 1) as link:
        assert link.reply["next"] == 1
        link.send(end(1, 8))
        assert link.wait_for("end") == totals
    with resume(place, greeting, 1) as link:
        link.send(frame(1, 8, SETS, flags=FIRST | LAST, pulse=1, stage=BASELINE))
        said = link.wait_for("error")
        assert (said["error"], said["sequence"]) == ("header", 1)
        assert link.hear() is None
    with resume(place, greeting, 1) as link:
        link.send(end(1, 8))
        assert link.wait_for("end") == totals


def test_device_index_and_numbers_at_their_bounds_are_taken(place):
    config, monitor, streams = place
    with monitor.link(hello(config)) as link:
        first = 2**53 - 1
        big = frame(0, first, b"", flags=FIRST | LAST, pulse=7, pulse_time_ns=2**63 - 1, stage=BASELINE)
        link.send(big, end(1, first))
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 0, "pulses": 1}
    for key in ("begun", "pulses", "frames"):
        streams[key] += 1


def test_every_bit_of_a_header_is_covered(place):
    """One frame with each of its 768 header bits turned: all are found, and none ends the monitor."""
    config, monitor, streams = place
    greeting = hello(config)
    good = frame(0, 0, SETS, flags=FIRST | LAST, stage=BASELINE)
    streams["begun"] += 1
    link = monitor.link(greeting)
    for bit in range(0, 96 * 8):
        wrong = bytearray(good)
        wrong[bit // 8] ^= 1 << bit % 8
        if bit // 8 in (4, 5) and struct.unpack_from("<H", wrong, 4)[0] >= 96:
            # A longer header: bytes beyond are to be skipped, here those of the payload. The CRC that
            # covers the length finds it, at the latest when the header is whole.
            wrong += bytes(65536)
        link.send(bytes(wrong))
        said = link.wait_for("error")
        assert (said["error"], said["sequence"]) == ("header", 0), f"bit {bit}: {said}"
        link.close()
        link = resume(place, greeting, 0)
        assert link.reply["next"] == 0, f"bit {bit}"
    with link:
        link.send(good, end(1, 8))
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 0, "pulses": 1}
    streams["pulses"] += 1
    streams["frames"] += 1
