"""Streams one after the other in one session: numbers, times, exposures, and what a resume may change."""

import pytest

from daemon import wait_until
from wire import ABORT, BASELINE, EXPOSURE, FIRST, LAST, end, frame, hello

SETS = bytes(16)
NS = 1_000_000_000


def pulses(link, numbers, flags=0, stage=EXPOSURE, **fields):
    """Pulses of 8 samples 0.2 s of device time apart, then the end; the totals."""
    for sequence, number in enumerate(numbers):
        at = {"pulse": number, "pulse_time_ns": sequence * NS // 5}
        link.send(frame(sequence, 8 * sequence, SETS, flags=FIRST | LAST, stage=stage, **at, **fields))
    link.send(end(len(numbers), 8 * len(numbers), flags))
    totals = link.wait_for("end")
    assert (totals["received"], totals["lost"], totals["pulses"]) == (len(numbers), 0, len(numbers))


def test_a_stream_that_begins_at_0_again_goes_on_from_the_sessions_numbers(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    for device, numbers in (("first", [0, 1, 2]), ("second", [0, 1, 5]), ("third", [20, 21]), ("fourth", [21, 30])):
        with monitor.link(hello(config, device=device)) as link:
            pulses(link, numbers)
    live = monitor.stop()
    account, stream = live.closed()
    # Raised above those of the session only where they would not rise, by one number for a whole stream.
    assert [int(row["pulse"]) for row in live.rows()] == [0, 1, 2, 3, 4, 8, 20, 21, 22, 31]
    assert (stream["streams"], stream["pulses"], account["pulses"]) == (4, 10, 10)
    said = [e["text"] for e in live.events("gap") if "raised" in e["text"]]
    assert len(said) == 2 and "by 3" in said[0] and "by 1" in said[1], said
    names = [source["name"] for source in live.about()["sources"]]
    assert [name.split(", ")[1] for name in names] == ["first", "second", "third", "fourth"]
    assert [e["pulse"] for e in live.events("stream")] == [0, 3, 20, 22]


def test_a_stream_is_placed_by_its_utc_or_after_the_one_before(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    for start in ("2026-05-04T09:30:00Z", "2026-05-04T09:31:00.5Z"):
        with monitor.link(hello(config, start_utc=start)) as link:
            pulses(link, [0, 1])
    rows = monitor.stop().rows()
    assert [float(row["time_s"]) for row in rows] == pytest.approx([0.0, 0.2, 60.5, 60.7], rel=1e-12)
    assert rows[2]["time_utc"] == "2026-05-04T09:31:00.500000000Z"

    monitor = bench.monitor(path)
    for _ in range(2):
        with monitor.link(hello(config, start_utc=None)) as link:
            # End of stream says how far the device has come: 3 s.
            link.send(frame(0, 0, SETS, flags=FIRST | LAST), end(1, 30_000_000))
            link.wait_for("end")
    rows = monitor.stop().rows()
    assert [float(row["time_s"]) for row in rows] == pytest.approx([0.0, 3.0], rel=1e-12)
    assert {row["time_utc"] for row in rows} == {""}


def test_end_of_stream_ends_no_exposure_and_abort_does(bench):
    for flags, expected in ((0, ["1", "1"]), (ABORT, ["1", "2"])):
        config, path = bench.config()
        monitor = bench.monitor(path)
        for _ in range(2):
            with monitor.link(hello(config)) as link:
                pulses(link, [0], flags, target="left")
        live = monitor.stop()
        assert [row["exposure"] for row in live.rows()] == expected
        # Time between two streams is no hole: no pulse is due after an end.
        assert not [row for row in live.rows() if row["reason"].startswith("pulse missing")]
        assert len(live.rows("exposures.csv")) == len(set(expected))


def test_exposures_change_with_target_and_stage_or_as_the_sender_numbers_them(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    course = [(0, EXPOSURE, "a"), (0, EXPOSURE, "a"), (0, BASELINE, "a"), (0, EXPOSURE, "a"), (0, EXPOSURE, "b")]
    course += [(9, EXPOSURE, "b"), (9, EXPOSURE, "b"), (12, EXPOSURE, "b")]
    with monitor.link(hello(config)) as link:
        for n, (exposure, stage, target) in enumerate(course):
            said = {"exposure": exposure, "stage": stage, "target": target, "pulse": n}
            link.send(frame(n, 8 * n, SETS, flags=FIRST | LAST, pulse_time_ns=n * NS // 5, **said))
        link.send(end(len(course), 8 * len(course)))
        link.wait_for("end")
    live = monitor.stop()
    assert [row["exposure"] for row in live.rows()] == ["1", "1", "", "2", "3", "9", "9", "12"]
    assert [row["exposure"] for row in live.rows("exposures.csv")] == ["1", "2", "3", "9", "12"]


def test_a_resume_may_change_the_device_and_no_more(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    keys = hello(config)
    with monitor.link(keys) as link:
        link.send(frame(0, 0, SETS, flags=FIRST | LAST))
        wait_until(lambda: monitor.status()["account"]["received"] == 8)
    with monitor.link(keys | {"resume": True, "oldest": 1, "payload_crc": False}) as link:
        assert (link.reply["ok"], link.reply.get("error")) == (False, "format"), link.reply
    with monitor.link(keys | {"resume": True, "oldest": 1, "device": "the same, renamed"}) as link:
        assert link.reply["ok"] is True and link.reply["next"] == 1, link.reply
        link.send(end(1, 8))
        link.wait_for("end")
    # The resume of a stream that ended long ago is not known beside a new one.
    with monitor.link(hello(config)) as link:
        link.send(end(0, 0))
        link.wait_for("end")
    with monitor.link(keys | {"resume": True, "oldest": 1}) as link:
        assert (link.reply["ok"], link.reply["error"], link.reply["retry"]) == (False, "expired", True)
    _, stream = monitor.stop().closed()
    assert (stream["streams"], stream["resumes"]) == (2, 1)
