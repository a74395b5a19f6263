"""What a sender says first: everything that can be wrong with it, and the answer (PROTOCOL.md, Hello, Reply)."""

import json
import math

import pytest

from daemon import wait_until
from make import START_UTC
from wire import FIRST, LAST, end, frame, hello, line, stream_id

ERRORS = {"version", "syntax", "format", "rate", "channels", "scale", "busy", "expired", "stopping"}
MAX_HELLO_BYTES = 8192


@pytest.fixture(scope="module")
def place(shared):
    """One monitor for all of them, two channels; no hello at fault begins a stream."""
    config, path = shared.config(receive__channels=2, receive__gain_db=[0.0, 20.0])
    monitor = shared.monitor(path)
    begun = []
    yield config, monitor, begun
    monitor.alive(config)
    _, stream = monitor.stop().closed()
    assert stream["streams"] == len(begun) + 1 and stream["resumes"] == 0


def changed(**keys):
    return lambda config: line(hello(config, **keys))


def raw(old, new):
    """The hello's own text with a piece of it replaced."""

    def text(config):
        whole = line(hello(config))
        assert old in whole
        return whole.replace(old, new, 1)

    return text


def longer(bytes_in_all):
    """A good hello of so many bytes with its LF."""

    def text(config):
        keys = hello(config)
        keys["note"] = ""
        keys["note"] = "x" * (bytes_in_all - len(line(keys)))
        return line(keys)

    return text


REFUSED = {
    # Another version of the protocol.
    "version 2": ("version", changed(simmer=2)),
    "version 0": ("version", changed(simmer=0)),
    "version 2 that says things we do not know": ("version", lambda _: b'{"simmer":2,"speaks":"otherwise"}\n'),
    # A line that is too long or cannot be read.
    "no JSON": ("syntax", lambda _: b"GET / HTTP/1.1\r\n"),
    "an empty line": ("syntax", lambda _: b"\n"),
    "a list": ("syntax", lambda _: b"[1]\n"),
    "JSON that ends early": ("syntax", raw(b"}\n", b"\n")),
    "text after the object": ("syntax", raw(b"}\n", b"} {}\n")),
    "not UTF-8": ("syntax", raw(b"bench", b"ben\xffch")),
    "no version": ("syntax", changed(simmer=None)),
    "version in words": ("syntax", changed(simmer="1")),
    "a byte too long": ("syntax", longer(MAX_HELLO_BYTES + 1)),
    "far too long, without an end": ("syntax", lambda _: b"{" + b" " * 100_000),
    "nested without an end": ("syntax", lambda _: b"[" * 8000 + b"\n"),
    "no stream": ("syntax", changed(stream=None)),
    "stream of 31 digits": ("syntax", changed(stream="0" * 31)),
    "stream of 33 digits": ("syntax", changed(stream="0" * 33)),
    "stream that is no number": ("syntax", changed(stream="g" * 32)),
    "stream with a sign": ("syntax", changed(stream="+" + "1" * 31)),
    "no resume": ("syntax", changed(resume=None)),
    "resume in words": ("syntax", changed(resume="false")),
    "resume without oldest": ("syntax", changed(resume=True)),
    "oldest below 0": ("syntax", changed(resume=True, oldest=-1)),
    "oldest with a fraction": ("syntax", changed(resume=True, oldest=0.5)),
    "oldest 2^53": ("syntax", changed(resume=True, oldest=2**53)),
    "no payload_crc": ("syntax", changed(payload_crc=None)),
    "payload_crc as a number": ("syntax", changed(payload_crc=1)),
    "no device": ("syntax", changed(device=None)),
    "device of 257 bytes": ("syntax", changed(device="d" * 257)),
    "no stage_from": ("syntax", changed(stage_from=None)),
    "stage_from nobody": ("syntax", changed(stage_from="nobody")),
    "no drive_setting_unit": ("syntax", changed(drive_setting_unit=None)),
    "unit of 33 bytes": ("syntax", changed(drive_setting_unit="u" * 33)),
    "start that is no time": ("syntax", changed(start_utc="this morning")),
    "start without an offset": ("syntax", changed(start_utc="2026-05-04T09:30:00")),
    "start as a number": ("syntax", changed(start_utc=1777887000)),
    # Exactly what the monitor's configuration says.
    "another format": ("format", changed(sample_format="ri16_be")),
    "a format nobody knows": ("format", changed(sample_format="ri12_le")),
    "another pretrigger": ("format", changed(pretrigger_samples=5001)),
    "another rate": ("rate", changed(sample_rate_hz=10e6 + 1)),
    "another rate in the last digit": ("rate", changed(sample_rate_hz=math.nextafter(10e6, 2e7))),
    "rate 0": ("rate", changed(sample_rate_hz=0)),
    "rate below 0": ("rate", changed(sample_rate_hz=-10e6)),
    "one channel less": ("channels", changed(channels=1, gain_db=[0.0])),
    "one channel more": ("channels", changed(channels=3, gain_db=[0.0, 20.0, 0.0])),
    "no channel": ("channels", changed(channels=0, gain_db=[0.0])),
    "1025 channels": ("channels", changed(channels=1025, gain_db=[0.0])),
    "another scale": ("scale", changed(volts_per_count=[6.2e-5])),
    "a scale in the last digit": ("scale", changed(volts_per_count=[math.nextafter(0.5 / 8192, 1)])),
    "scale 0": ("scale", changed(volts_per_count=[0])),
    "a scale of the second channel": ("scale", changed(volts_per_count=[0.5 / 8192, 0.5 / 4096])),
    "three scales": ("scale", changed(volts_per_count=[0.5 / 8192] * 3)),
    "another gain": ("scale", changed(gain_db=[0.0, 20.5])),
    "gains swapped": ("scale", changed(gain_db=[20.0, 0.0])),
    "one gain for all": ("scale", changed(gain_db=[20.0])),
    "no gains": ("scale", changed(gain_db=[])),
    # The stream to resume is not known.
    "resume of nothing": ("expired", changed(resume=True, oldest=0)),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_hello_at_fault_is_refused_by_name(place, name):
    error, text = REFUSED[name]
    config, monitor, _ = place
    with monitor.link() as link:
        link.send(text(config))
        said = link.hear()
        assert set(said) == {"ok", "error", "detail", "retry"}, said
        assert (said["ok"], said["error"]) == (False, error), said
        # Table of errors: only busy, expired and stopping may pass by themselves.
        assert said["retry"] is (error in ("busy", "expired", "stopping")), said
        assert said["detail"] and said["detail"][0].islower() and len(said["detail"]) < 1000, said
        assert link.hear() is None, "the monitor then closes"
    if error in ("format", "rate", "channels", "scale"):
        # Both sides stand in the message, as in the page's example.
        assert any(ch.isdigit() for ch in said["detail"]) or "_" in said["detail"], said


TAKEN = {
    "the plain one": {},
    "scale as one number": {"volts_per_count": 0.5 / 8192},
    "a scale a channel": {"volts_per_count": [0.5 / 8192] * 2},
    "rate as a fraction": {"sample_rate_hz": 10000000.0},
    "start with an offset and a fraction": {"start_utc": "2026-05-04T11:30:00.123456789+02:00"},
    "no start": {"start_utc": None},
    "upper case digits": {"stream": "ABCDEF0123456789abcdef0123456789"},
    "no unit": {"drive_setting_unit": ""},
    "a device without a name": {"device": ""},
    "a device of 256 bytes": {"device": "µ" * 128},
    "unit of 32 bytes": {"drive_setting_unit": "u" * 32},
    "operator": {"stage_from": "operator"},
    "no CRC on loopback": {"payload_crc": False},
    "unknown keys": {"colour": "red", "nested": {"a": [1, {"b": None}]}},
    "oldest beside a new stream": {"oldest": 0},
}


def ends_at_once(link):
    """Totals of a stream in which nothing came."""
    link.send(end(0, 0))
    assert link.wait_for("end") == {"end": True, "received": 0, "lost": 0, "pulses": 0}


@pytest.mark.parametrize("name", TAKEN)
def test_a_good_hello_is_taken(place, name):
    config, monitor, begun = place
    with monitor.link(hello(config, **TAKEN[name])) as link:
        assert link.reply["ok"] is True, link.reply
        begun.append(name)
        ends_at_once(link)
    if name == "unknown keys":
        # They are ignored and logged.
        wait_until(lambda: "colour" in monitor.said() and "nested" in monitor.said())


def test_the_longest_hello_is_taken(place):
    config, monitor, begun = place
    with monitor.link(longer(MAX_HELLO_BYTES)(config)) as link:
        assert link.reply["ok"] is True, link.reply
        begun.append("longest")
        ends_at_once(link)


def test_a_hello_byte_by_byte_is_taken_and_frames_may_follow_in_the_same_piece(place):
    config, monitor, begun = place
    with monitor.link() as link:
        for byte in line(hello(config)):
            link.send(bytes([byte]))
        assert link.hear()["ok"] is True
        begun.append("by bytes")
        for byte in frame(0, 0, bytes(32), 4, flags=FIRST | LAST, target="left") + end(1, 8):
            link.send(bytes([byte]))
        assert link.wait_for("end") == {"end": True, "received": 1, "lost": 0, "pulses": 1}


def test_no_stream_begins_of_a_hello_that_was_cut(place):
    """Cut at every byte, also inside the two bytes of a letter; the monitor takes the next."""
    config, monitor, begun = place
    whole = line(hello(config, device="µ"))
    whole = json.dumps(json.loads(whole), ensure_ascii=False).encode() + b"\n"
    for length in range(len(whole)):
        with monitor.link() as link:
            link.send(whole[:length])
    with monitor.link(whole) as link:
        assert link.reply["ok"] is True, link.reply
        begun.append("whole")
        ends_at_once(link)


def test_start_utc_dates_the_rows_and_without_it_they_have_no_clock_time(bench):
    for start, expected in (
        (START_UTC, "2026-05-04T09:30:00.200000000Z"),
        ("2026-05-04T11:30:00.5+02:00", "2026-05-04T09:30:00.700000000Z"),
        (None, ""),
    ):
        config, path = bench.config()
        monitor = bench.monitor(path)
        with monitor.link(hello(config, start_utc=start)) as link:
            link.send(frame(0, 0, bytes(16), flags=FIRST | LAST, pulse_time_ns=200_000_000), end(1, 8))
            link.wait_for("end")
        [row] = monitor.stop().rows()
        assert row["time_utc"] == expected


def test_a_hundred_at_once_each_get_their_own_answer(bench):
    """Each says another rate; one is right and gets in."""
    config, path = bench.config()
    monitor = bench.monitor(path)
    links = [monitor.link() for _ in range(100)]
    for i, link in enumerate(links):
        link.send(line(hello(config, sample_rate_hz=10e6 if i == 60 else 10e6 + i + 1, stream=stream_id())))
    for i, link in enumerate(links):
        said = link.hear()
        assert said["ok"] is (i == 60)
        if i != 60:
            assert said["error"] == "rate" and str(10_000_001 + i) in said["detail"].replace("_", ""), said
            assert link.hear() is None
    ends_at_once(links[60])
    for link in links:
        link.close()
    monitor.stop().closed()
