"""Frames at fault, each by hand-built bytes, and what the monitor answers (PROTOCOL.md, Frames, Rules)."""

import math
import struct
import zlib

import pytest

from daemon import wait_until
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
    OUTSIDE,
    PAUSE,
    SETTING_KNOWN,
    end,
    frame,
    hello,
    keepalive,
    outside,
)

SETS = bytes(16)  # 8 samples of one channel of ri16_le
MAX_PAYLOAD_BYTES = 4194304


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


def fault(error, **fields):
    """Frame 1, which follows an open pulse of 8 samples, with fields said otherwise."""
    whole = {
        "sequence": 1,
        "first_sample": 8,
        "payload": SETS,
        "pulse_first_sample": 0,
        "flags": LAST,
        "stage": BASELINE,
    }
    return error, frame(**(whole | fields))


def cut_crc(target):
    """A header CRC that leaves out the target's name."""
    return zlib.crc32(fault("header", target=target)[1][:92])


FAULTS = {
    # Rule 1: magic, header CRC.
    "magic of HTTP": fault("header", magic=b"GET "),
    "magic of another version": fault("header", magic=b"smr2"),
    "one bit of the magic": fault("header", magic=b"smr0"),
    "header CRC 0": fault("header", header_crc32=0),
    "header CRC without the name": fault("header", target="left", header_crc32=cut_crc("left")),
    # header_bytes is 96 + target_bytes, or more.
    "header_bytes 0": fault("header", header_bytes=0),
    "header_bytes 95": fault("header", header_bytes=95),
    "header_bytes without the name": fault("header", target="left", header_bytes=96),
    "header_bytes one short": fault("header", target="left", header_bytes=99),
    "target_bytes 33": fault("header", target="t" * 33),
    "target_bytes 255": fault("header", target="t" * 255),
    # Rule 3 and the table: payload_bytes.
    "payload_bytes one set more": fault("length", payload_bytes=18),
    "payload_bytes one byte less": fault("length", payload_bytes=15),
    "payload_bytes 0 beside samples": fault("length", payload_bytes=0),
    "samples 0 beside a payload": fault("length", samples=0),
    "payload one set over the most": fault(
        "length", samples=MAX_PAYLOAD_BYTES // 2 + 1, payload_bytes=MAX_PAYLOAD_BYTES + 2
    ),
    "payload of 4 GiB": fault("length", samples=0x7FFFFFFF, payload_bytes=0xFFFFFFFE),
    "samples that wrap to payload_bytes 0": fault("length", samples=0x80000000, payload_bytes=0, payload=b""),
    # Flags.
    "keepalive and end": fault("header", flags=KEEPALIVE | END, payload=b"", stage=0),
    "pause and go on": fault("header", flags=PAUSE | GO_ON),
    "first and keepalive": fault("header", flags=FIRST | KEEPALIVE, payload=b"", stage=0),
    "last and keepalive": fault("header", flags=LAST | KEEPALIVE, payload=b"", stage=0),
    "first and end": fault("header", flags=FIRST | END, payload=b"", stage=0),
    "last and end": fault("header", flags=LAST | END, payload=b"", stage=0),
    "first outside any pulse": fault("header", flags=FIRST | OUTSIDE),
    "last outside any pulse": fault("header", flags=LAST | OUTSIDE),
    "flag 8192": fault("header", flags=LAST | 8192),
    "flag 16384": fault("header", flags=LAST | 16384),
    "flag 32768": fault("header", flags=LAST | 32768),
    "bytes 78": fault("header", zero_78=b"\x01\x00"),
    "bytes 79": fault("header", zero_78=b"\x00\x80"),
    "bytes 84": fault("header", zero_84=b"\x01" + bytes(7)),
    "bytes 91": fault("header", zero_84=bytes(7) + b"\x01"),
    # Fields against their bounds and against hello.
    "stage 4": fault("header", stage=4),
    "stage 255": fault("header", stage=255),
    "stage of the operator in a sender's stream": fault("header", stage=0),
    "sequence 2^53": fault("header", sequence=2**53),
    "sequence 2^64-1": fault("header", sequence=2**64 - 1),
    "first_sample 2^53": fault("header", first_sample=2**53),
    "pulse 2^53": fault("header", pulse=2**53),
    "pulse_first_sample 2^53": fault("header", pulse_first_sample=2**53, first_sample=2**53),
    "pulse_time_ns 2^63": fault("header", pulse_time_ns=2**63),
    "drive not a number": fault("header", flags=LAST | DRIVE_KNOWN, drive_mpa=math.nan),
    "drive without bound": fault("header", flags=LAST | DRIVE_KNOWN, drive_mpa=math.inf),
    "drive that nobody knows": fault("header", drive_mpa=0.1),
    "setting not a number": fault("header", flags=LAST | SETTING_KNOWN, drive_setting=math.nan),
    "setting below all bounds": fault("header", flags=LAST | SETTING_KNOWN, drive_setting=-math.inf),
    "setting that nobody knows": fault("header", drive_setting=1.0),
    # The target's name: UTF-8 without control characters.
    "name that is no UTF-8": fault("header", target=b"le\xfft"),
    "name cut inside a character": fault("header", target="µ".encode()[:1]),
    "surrogate in the name": fault("header", target=b"\xed\xa0\x80"),
    "name overlong": fault("header", target=b"\xc0\xaf"),
    "line feed in the name": fault("header", target="le\nft"),
    "NUL in the name": fault("header", target="le\0ft"),
    "DEL in the name": fault("header", target="left\x7f"),
    "next line (C1) in the name": fault("header", target="left\x85"),
    # The pulse's own fields are the same in all its frames.
    "pulse_first_sample changes": fault("header", pulse_first_sample=1),
    "pulse_time_ns changes": fault("header", pulse_time_ns=1),
    "frame before its pulse": fault("header", pulse=1, pulse_first_sample=9),
    # Rule 4: first_sample never lies before the end of the frame before, across pulses, too.
    "one sample back in the pulse": fault("backwards", first_sample=7),
    "one sample back in the next pulse": fault("backwards", first_sample=7, pulse=1, pulse_first_sample=7),
    "one sample back outside any": fault("backwards", first_sample=7, flags=OUTSIDE),
    "back to 0 after lost frames": fault("backwards", first_sample=0, sequence=9, pulse=3),
}


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
    while link.hear() != {"ack": 1}:
        pass
    link.close()
    return greeting


def test_a_wrong_payload_crc_loses_the_frame_and_nothing_more(place):
    _, monitor, streams = place
    greeting, link = begin(place)
    with link:
        link.send(frame(1, 8, SETS, payload_crc32=7, stage=BASELINE, pulse_first_sample=0))
        link.send(frame(2, 16, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0), keepalive(3, 24))
        # Nothing is said until the totals; what is acknowledged includes the frame.
        while link.hear() != {"ack": 3}:
            pass
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
