"""When a pulse closes, and when one that did not come is missing (PROTOCOL.md, Rules 5 to 7; product §5)."""

import threading
import time

import numpy as np
import pytest

from daemon import wait_until
from make import Emission, write_config
from scenes import frames, timed, with_alarms, write
from wire import BASELINE, EXPOSURE, FIRST, GO_ON, LAST, PAUSE, end, frame, hello, keepalive, outside, renumbered

SETS = bytes(16)
NS = 1_000_000_000
# The configuration's missing_after_periods / repetition_hz.
MISSING_AFTER_S = 2.5 / 5.0
# What the task allows beside it.
MISSING_SLACK_S = 0.3


def pulse(sequence, number, time_s=None, **fields):
    at = 0.2 * number if time_s is None else time_s
    fields = {"flags": FIRST | LAST, "stage": EXPOSURE, "pulse_time_ns": round(at * NS)} | fields
    return frame(sequence, 8 * sequence, SETS, pulse=number, **fields)


def with_missing(bench):
    """A configuration that has an alarm for pulses that never came, and its file."""
    config = with_alarms()
    return config, write_config(config, bench.place("config").with_suffix(".toml"))


def is_missing(event):
    return event["event"] == "alarm raised" and event["name"] == "pulse missing"


def test_the_verdict_falls_when_the_gates_are_in_and_never_changes(bench):
    """The last gate ends 19 000 samples after the trigger at 5000; a pulse has 25 000."""
    folder = bench.place("gates")
    folder.mkdir()
    emissions = timed([Emission(stage="baseline") for _ in range(12)] + [Emission(broadband_v=3e-3)])
    scene = write(folder, "gates", with_alarms(), emissions, 51)
    replayed = bench.replay(scene.path, *scene.recordings)
    whole, pieces = frames(scene, 25000), frames(scene, 100)
    last = pieces[12 * 250 :]
    monitor = bench.monitor(scene.path)
    rows, events = monitor.follow("pulses"), monitor.follow("events")
    with monitor.link(hello(scene.config)) as link:
        moved = [renumbered(piece, 12 + i) for i, piece in enumerate(last)]
        link.send(*whole[:12], *moved[:240])
        rows.until(lambda row: row["pulse"] == 11)
        # The pulse stays open: its tail comes on, slowly, until its row and its alarm are there.
        came = []

        def watch():
            came.append(rows.until(lambda row: row["pulse"] == 12)[1])
            came.append(events.until(lambda e: e["event"] == "alarm raised" and e["name"] == "inertial")[1])

        watcher = threading.Thread(target=watch)
        watcher.start()
        sent = 240
        while watcher.is_alive() and sent < 249:
            link.send(moved[sent])
            sent += 1
            watcher.join(0.5)
        assert sent < 249 and not watcher.is_alive(), "no verdict before the pulse's last frame"
        assert came[0]["verdict"] == "inertial" and came[1]["pulse"] == 12
        link.send(*moved[sent:], end(12 + len(moved), 10**6))
        totals = link.wait_for("end")
        assert totals == {"end": True, "received": 12 + 250, "lost": 0, "pulses": 13}
    live = monitor.stop()
    _, stream = live.closed()
    assert live.bytes() == replayed.bytes()
    assert stream["frames_late"] == stream["pulses_unfinished"] == 0


def test_a_missing_pulse_alarms_by_the_clock_and_is_proven_by_device_time(bench):
    config, path = with_missing(bench)
    monitor = bench.monitor(path)
    events, rows = monitor.follow("events"), monitor.follow("pulses")
    with monitor.link(hello(config)) as link:
        sent = time.monotonic()
        link.send(pulse(0, 0))
        at, alarm = events.until(is_missing)
        waited = at - sent
        assert MISSING_AFTER_S - 0.02 <= waited <= MISSING_AFTER_S + MISSING_SLACK_S, waited
        assert alarm["time_s"] == pytest.approx(MISSING_AFTER_S)
        # By the clock alone nothing is written: the row comes when device time proves the hole.
        assert len(monitor.session.rows()) == 1
        assert monitor.status()["now"]["word"] != "NOT DETECTED"
        # It is raised once, not again and again.
        link.send(keepalive(1, 8))
        link.send(pulse(1, 1, time_s=2.0))
        hole = rows.until(lambda row: row["reason"].startswith("pulse missing"))[1]
        assert hole["pulse"] is None and hole["time_s"] == pytest.approx(MISSING_AFTER_S)
        rows.until(lambda row: row["pulse"] == 1)
        # The pulse that proves it is its last cause; the next one in its time ends it.
        assert not [e for e in monitor.session.events("alarm over") if e["name"] == "pulse missing"]
        link.send(pulse(2, 2, time_s=2.2))
        events.until(lambda e: e["event"] == "alarm over" and e["name"] == "pulse missing")
        link.send(end(3, 24))
        link.wait_for("end")
    live = monitor.stop()
    assert [row["pulse"] for row in live.rows()] == ["0", "", "1", "2"]
    assert len([e for e in live.events() if is_missing(e)]) == 1
    # 2.0 s at 5 Hz: nine pulses fit between.
    assert live.rows("exposures.csv")[0]["missing"] == "9"


def test_a_pulse_that_is_only_late_has_its_alarm_and_no_row(bench):
    """The sender was held up; the device was not."""
    config, path = with_missing(bench)
    monitor = bench.monitor(path)
    events = monitor.follow("events")
    with monitor.link(hello(config)) as link:
        link.send(pulse(0, 0))
        events.until(is_missing)
        link.send(pulse(1, 1), end(2, 16))
        link.wait_for("end")
    live = monitor.stop()
    assert [row["pulse"] for row in live.rows()] == ["0", "1"]
    assert live.rows("exposures.csv")[0]["missing"] == "0"


@pytest.mark.parametrize("how", ["go on", "resume at the monitor", "the next pulse"])
def test_pulses_are_due_again_after_a_pause(bench, how):
    config, path = with_missing(bench)
    monitor = bench.monitor(path)
    events = monitor.follow("events")
    with monitor.link(hello(config)) as link:
        link.send(pulse(0, 0), outside(1, 8, PAUSE, stage=0))
        wait_until(lambda: monitor.status()["paused"])
        # The protocol's own time: nothing is due in a pause.
        time.sleep(MISSING_AFTER_S + MISSING_SLACK_S)
        assert not [e for e in monitor.session.events() if is_missing(e)]
        sent = time.monotonic()
        if how == "go on":
            link.send(outside(2, 8, GO_ON, stage=0))
        elif how == "resume at the monitor":
            monitor.act(mark="resume")
        else:
            link.send(pulse(2, 1, time_s=9.0))
        at, _ = events.until(is_missing, 3.0)
        assert MISSING_AFTER_S - 0.02 <= at - sent <= MISSING_AFTER_S + MISSING_SLACK_S
    monitor.stop()


def test_pulses_are_missing_while_the_link_is_cut(bench):
    config, path = with_missing(bench)
    monitor = bench.monitor(path)
    events = monitor.follow("events")
    keys = hello(config)
    with monitor.link(keys) as link:
        link.send(pulse(0, 0))
        wait_until(lambda: monitor.session.rows())
    begun = time.monotonic()
    at, _ = events.until(is_missing)
    assert at - begun <= MISSING_AFTER_S + MISSING_SLACK_S
    assert monitor.status()["stream"]["state"] == "cut"
    with monitor.link(keys | {"resume": True, "oldest": 1}) as link:
        link.send(pulse(1, 1), end(2, 16))
        assert link.wait_for("end") == {"end": True, "received": 2, "lost": 0, "pulses": 2}
    monitor.stop().closed()


def test_what_keeps_links_and_pulses_open_and_what_does_not(bench):
    """Side by side: links of keepalives or of single bytes live longer than five keepalives; an open pulse
    outlasts a cut of 2.5 s, and does not outlast a second without its next frame on a link that is up."""
    config, path = bench.config()
    monitors = [bench.monitor(path) for _ in range(4)]
    found = {}
    first = frame(0, 0, SETS, flags=FIRST, stage=BASELINE)
    second = frame(1, 8, SETS, flags=LAST, stage=BASELINE, pulse_first_sample=0)

    def kept_alive(name, monitor, pieces, after):
        with monitor.link(hello(config)) as link:
            for piece in pieces:
                link.send(piece)
                # Less than the 2 s that the protocol asks for.
                time.sleep(1.7)
            link.send(*after)
            found[name] = link.wait_for("end")

    def cut(monitor):
        keys = hello(config)
        with monitor.link(keys) as link:
            link.send(first)
            wait_until(lambda: monitor.status()["account"]["received"] == 8)
        time.sleep(2.5)
        with monitor.link(keys | {"resume": True, "oldest": 1}) as link:
            link.send(second, end(2, 16))
            found["cut"] = link.wait_for("end")

    def endless(monitor):
        with monitor.link(hello(config)) as link:
            link.send(first, keepalive(1, 8))
            begun = time.monotonic()
            wait_until(lambda: monitor.session.rows())
            found["closed"] = time.monotonic() - begun
            link.send(second, end(2, 16))
            found["endless"] = link.wait_for("end")

    jobs = [
        threading.Thread(
            target=kept_alive, args=("keepalives", monitors[0], [keepalive(0)] * 7, [first, second, end(2, 16)])
        ),
        # A frame of which a byte comes now and then: the link is alive, the frame is not there yet.
        threading.Thread(
            target=kept_alive,
            args=("bytes", monitors[1], [first[i : i + 1] for i in range(7)], [first[7:], second, end(2, 16)]),
        ),
        threading.Thread(target=cut, args=(monitors[2],)),
        threading.Thread(target=endless, args=(monitors[3],)),
    ]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join(40)
    whole = {"end": True, "received": 2, "lost": 0, "pulses": 1}
    assert found["keepalives"] == found["bytes"] == found["cut"] == found["endless"] == whole
    assert 0.9 < found["closed"] < 2.0, found["closed"]
    streams = [monitor.stop().closed()[1] for monitor in monitors]
    assert [s["resumes"] for s in streams] == [0, 0, 1, 0]
    assert [s["pulses_unfinished"] for s in streams] == [0, 0, 0, 1]
    assert [s["frames_late"] for s in streams] == [0, 0, 0, 1]
    assert monitors[3].session.about()["account"]["samples_received"] == 8


def test_an_alarm_of_the_running_pulse_comes_before_the_burst_is_over(bench):
    """The gate runs from sample 7000 to 24 000, the burst to 25 000; emission lasts from 9000 to 13 000."""
    folder = bench.place("early")
    folder.mkdir()

    def first_half(counts, rng):
        counts[9000:13000] += np.rint(100 * rng.standard_normal((4000, 1)))

    emissions = [Emission(stage="baseline") for _ in range(12)] + [Emission(after=first_half)]
    scene = write(folder, "early", with_alarms(detect__running_pulse=True), timed(emissions), 52)
    replayed = bench.replay(scene.path, *scene.recordings)
    whole, pieces = frames(scene, 25000), frames(scene, 1000)
    last = [renumbered(piece, 12 + i) for i, piece in enumerate(pieces[12 * 25 :])]
    monitor = bench.monitor(scene.path)
    rows, events = monitor.follow("pulses"), monitor.follow("events")
    with monitor.link(hello(scene.config)) as link:
        link.send(*whole[:12], *last[:17])
        rows.until(lambda row: row["pulse"] == 11)
        # 17 000 of 25 000 samples are sent, and nothing more until the alarm is here.
        seen = events.until(lambda e: e["event"] == "alarm raised" and e["name"] == "inertial")[1]
        assert seen["pulse"] == 12 and "of 4 quarters of the running pulse" in seen["cause"]
        assert not [row for row in monitor.ask("GET", "/api/v1/pulses")[2]["pulses"] if row["pulse"] == 12]
        link.send(*last[17:])
        rows.until(lambda row: row["pulse"] == 12)
        link.send(end(12 + len(last), first_sample=scene.recorded.pulses[-1]["start"] + 25000))
        link.wait_for("end")
    live = monitor.stop()
    assert live.bytes() == replayed.bytes()
    assert live.events("alarm raised") == replayed.events("alarm raised")
