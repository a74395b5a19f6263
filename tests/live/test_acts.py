"""What the person at the monitor does holds from the next pulse on, is on record, and a replay with the
record gives the same pulses.csv byte for byte."""

import json
import threading

import pytest

from daemon import run, wait_until
from make import Emission
from scenes import exposures, frames, timed, with_alarms, write
from wire import EXPOSURE, EXPOSURE_ENDED, FIRST, GO_ON, LAST, PAUSE, end, frame, hello, outside, renumbered


@pytest.fixture(scope="module")
def day(shared):
    """A recording of 70 pulses whose stages say nothing: all are called exposure of one target."""
    folder = shared.place("day")
    folder.mkdir()
    emissions = [Emission(stage="exposure", target="") for _ in range(30)]
    emissions += exposures("") * 3
    emissions += [Emission(stage="exposure", target="") for _ in range(7)]
    emissions = [Emission(**(vars(e) | {"extra": {}})) for e in emissions]
    return write(folder, "day", with_alarms(), timed(emissions), 31)


class Sending(threading.Thread):
    """`simmer send` beside the test."""

    def __init__(self, monitor, *args):
        super().__init__()
        self.monitor, self.args, self.fault = monitor, args, None
        self.start()

    def run(self):
        try:
            self.monitor.send(*self.args)
        except BaseException as fault:  # raised again in the test
            self.fault = fault

    def done(self, within_s=30.0):
        self.join(within_s)
        assert not self.is_alive(), "simmer send does not end"
        if self.fault:
            raise self.fault


def again(bench, scene, live, options=()):
    """A replay with the live session's acts."""
    return bench.replay(scene.path, *scene.recordings, options=["--acts", live.folder / "events.ndjson", *options])


def by(live, kind):
    return [e for e in live.events("mark") if e["mark"] == kind]


def test_a_day_with_every_act_replays_to_the_byte(bench, day):
    monitor = bench.monitor(day.path)
    monitor.stage("baseline")
    rows = monitor.follow("pulses")
    # 0.2 s of device time in 20 ms: acts fall where they fall, also into a pulse.
    pieces = ["--stage-from", "operator", "--speed", "10", "--frame-samples", "2000"]
    sending = Sending(monitor, "-c", day.path, *pieces, *day.recordings)

    def after(pulse):
        rows.until(lambda row: row["pulse"] is not None and row["pulse"] >= pulse)

    after(13)
    first = monitor.act(mark="injection", agent="batch C", volume_ul=50, route="upstream", text="slow")
    monitor.stage("exposure")
    after(17)
    wrong = monitor.act(mark="injection", number=9)
    after(19)
    monitor.act(mark="void", void=wrong)
    monitor.act(mark="note", text="bath topped up, 37.1 °C; \"quoted\", with a comma")
    after(22)
    late = monitor.act(mark="injection", backdated_s=1.25)
    monitor.act(mark="pause")
    after(25)
    monitor.act(mark="resume")
    monitor.act(mark="target", target="left")
    monitor.stage("baseline")
    after(38)
    loud = {"name": "loud", "quantity": "harmonic", "limit": {"db": 0.5}, "off_db": 0.1, "m_of_n": "1 of 1"}
    status, _, said = monitor.ask("PUT", "/api/v1/limits", {"alarms": [loud]})
    assert status == 202, said
    monitor.stage("exposure")
    after(48)
    raised = [a["id"] for a in monitor.status()["alarms"]] or [0]
    for alarm in raised:
        monitor.ask("POST", f"/api/v1/alarms/{alarm}/acknowledge")
    monitor.act(mark="abort")
    after(55)
    monitor.act(mark="target", target="")
    sending.done()
    live = monitor.stop()
    live.closed()
    rows.close()

    replayed = again(bench, day, live)
    assert replayed.bytes() == live.bytes()
    # Without them it is another day.
    assert bench.replay(day.path, *day.recordings).bytes() != live.bytes()
    # Alarms come on and go off by the clock as well, live: a replay has no clock.
    assert [e for e in replayed.events() if e["event"] in ("mark", "stage", "limits")] == [
        e for e in live.events() if e["event"] in ("mark", "stage", "limits")
    ]
    assert replayed.events("exposure ended") == live.events("exposure ended")

    # The acts did what they say.
    table = [row for row in live.rows() if row["pulse"]]
    assert len(table) == 70 and {row["stage"] for row in table} == {"baseline", "exposure"}
    marks = {e["id"]: e for e in live.events("mark") if e["id"] is not None}
    injected = marks[first]
    assert (injected["number"], injected["agent"], injected["volume_ul"], injected["route"]) == (1, "batch C", 50, "upstream")
    since = {int(row["pulse"]): row["since_injection_s"] for row in table}
    time_s = {int(row["pulse"]): float(row["time_s"]) for row in table}
    assert all(since[p] == "" for p in range(injected["pulse"]))
    assert float(since[injected["pulse"]]) == 0.0
    at = marks[late]["pulse"]
    assert float(since[at]) == pytest.approx(1.25, rel=1e-12)
    # From the void on, time runs from the first injection again.
    [void] = by(live, "void")
    expected = time_s[void["pulse"]] - time_s[injected["pulse"]]
    assert float(since[void["pulse"]]) == pytest.approx(expected, rel=1e-12)
    [target] = [e for e in by(live, "target") if e["marked_target"] == "left"]
    where = {int(row["pulse"]): row["target"] for row in table}
    assert (where[target["pulse"] - 1], where[target["pulse"]]) == ("", "left")
    assert [e["ended_by"] for e in live.events("exposure ended")].count("abort") == 1
    assert live.events("limits")[0]["alarms"][0]["limit"] == {"db": 0.5}


def test_acts_beside_a_stream_at_full_speed_replay_to_the_byte(bench, day):
    """Nobody knows between which pulses they fall; the record does."""
    monitor = bench.monitor(day.path, "--workers", 2)
    monitor.stage("baseline")
    sending = Sending(monitor, "-c", day.path, "--stage-from", "operator", "--speed", "max", *day.recordings)
    for i in range(40):
        monitor.act(mark="injection", number=i + 1, backdated_s=i / 7)
        if i % 4 == 0:
            monitor.stage("exposure" if i % 8 == 0 else "baseline")
        if i % 5 == 0:
            monitor.act(mark="target", target=("left", "right", "")[i % 3])
    sending.done()
    live = monitor.stop()
    live.closed()
    assert again(bench, day, live, ["--workers", 3]).bytes() == live.bytes()


def test_pause_and_end_said_by_frames_replay_to_the_byte(bench, day):
    """A sender's own pause, go on and exposure ended are acts as well."""
    config = day.config
    emissions = [Emission(stage="baseline" if i < 12 else "exposure") for i in range(24)]
    # 9 s of nothing before pulse 14 and 20: one said, one not.
    folder = bench.place("said")
    folder.mkdir()
    scene = write(folder, "said", config, timed(emissions, holes=(14, 17, 20)), 32)
    ready = frames(scene, 30000)
    monitor = bench.monitor(scene.path)
    with monitor.link(hello(config)) as link:
        shift, sent = 0, []
        for i, piece in enumerate(ready):
            # Sequences move by the frames between them.
            at = scene.recorded.pulses[i]["start"]
            for here, flag in ((14, PAUSE), (20, EXPOSURE_ENDED), (22, GO_ON)):
                if i == here:
                    sent.append(outside(i + shift, at, flag, stage=0))
                    shift += 1
            sent.append(renumbered(piece, i + shift))
        link.send(*sent, end(len(sent), 10**9))
        totals = link.wait_for("end")
        assert totals == {"end": True, "received": len(sent), "lost": 0, "pulses": 24}
    live = monitor.stop()
    missing = [row for row in live.rows() if row["reason"].startswith("pulse missing")]
    # Only the hole that nobody explained.
    assert len(missing) == 1
    assert [e["mark"] for e in live.events("mark")] == ["pause", "exposure ended", "resume", "pause"]
    assert [e["ended_by"] for e in live.events("exposure ended")][0] == "the sender"
    assert again(bench, scene, live).bytes() == live.bytes()


def test_stages_are_the_senders_where_it_says_so(bench, day):
    """409 while a sender's own stages hold, and nothing changes."""
    monitor = bench.monitor(day.path)
    with monitor.link(hello(day.config)) as link:
        link.send(frame(0, 0, bytes(16), flags=FIRST | LAST, stage=EXPOSURE))
        wait_until(lambda: monitor.status()["stream"]["state"] == "up")
        status, headers, said = monitor.ask("POST", "/api/v1/stage", {"stage": "baseline"})
        # RFC 9457: application/problem+json with type, title, status, detail.
        assert status == 409 and headers["Content-Type"] == "application/problem+json"
        assert said["status"] == 409 and said["detail"], said
        link.send(frame(1, 8, bytes(16), flags=FIRST | LAST, pulse=1, stage=EXPOSURE), end(2, 16))
        link.wait_for("end")
    live = monitor.stop()
    assert [row["stage"] for row in live.rows()] == ["exposure"] * 2
    assert all(e["by"] == "sender" for e in live.events("stage"))


REFUSED = {
    "no mark": ({}, "mark"),
    "unknown mark": ({"mark": "jump"}, "mark"),
    "unknown key": ({"mark": "pause", "colour": "red"}, "colour"),
    "injection number 0": ({"mark": "injection", "number": 0}, "number"),
    "injection number -1": ({"mark": "injection", "number": -1}, "number"),
    "injection number 1.5": ({"mark": "injection", "number": 1.5}, "number"),
    "volume below 0": ({"mark": "injection", "volume_ul": -1}, "volume_ul"),
    "volume in words": ({"mark": "injection", "volume_ul": "much"}, "volume_ul"),
    "backdated into the future": ({"mark": "injection", "backdated_s": -1}, "backdated_s"),
    "backdated beyond a day": ({"mark": "injection", "backdated_s": 86401}, "backdated_s"),
    "target of 33 bytes": ({"mark": "target", "target": "t" * 33}, "target"),
    "target with a line feed": ({"mark": "target", "target": "le\nft"}, "target"),
    "no target": ({"mark": "target"}, "target"),
    "void of nothing": ({"mark": "void"}, "void"),
    "note without text": ({"mark": "note"}, "text"),
    "text of 2001 bytes": ({"mark": "note", "text": "x" * 2001}, "text"),
    "no object": ([1, 2], "body"),
}


def test_acts_at_fault_name_the_field_and_change_nothing(bench, day):
    monitor = bench.monitor(day.path)
    for name, (mark, field) in REFUSED.items():
        status, headers, said = monitor.ask("POST", "/api/v1/marks", mark)
        assert status == 422, f"{name}: {status} {said}"
        assert headers["Content-Type"] == "application/problem+json"
        assert field in said["detail"] and said["status"] == 422, f"{name}: {said}"
    for body in (b"", b"{", b'{"mark":"pause"', b"\xff"):
        status, headers, _ = monitor.ask("POST", "/api/v1/marks", body)
        assert status in (400, 422) and headers["Content-Type"] == "application/problem+json"
    status, _, said = monitor.ask("POST", "/api/v1/stage", {"stage": "lunch"})
    assert status == 422 and "stage" in said["detail"]
    status, _, said = monitor.ask("PUT", "/api/v1/limits", {"alarms": [{"name": "nobody", "limit": "budget"}]})
    assert status == 422 and "nobody" in said["detail"]
    assert monitor.status()["pending"] == []
    monitor.send("-c", day.path, "--stage-from", "operator", "--speed", "max", *day.recordings)
    live = monitor.stop()
    # The stage before anybody says one is noise; the end of the stream is a sender's pause.
    assert {row["stage"] for row in live.rows()} == {"noise"}
    assert [e["by"] for e in live.events("mark")] in ([], ["sender"])


def test_acts_of_another_making_are_refused_by_place(bench, day):
    events = bench.folder / "events.ndjson"
    good = {"event": "mark", "pulse": 3, "time_s": 0.6, "target": "", "mark": "note", "id": 1}
    good |= {"by": "operator", "backdated_s": 0, "text": "x"}
    for line, word in (
        ("{", "line 2"),
        (json.dumps(good | {"backdated_s": -1}), "backdated_s"),
        (json.dumps(good | {"mark": "jump"}), "mark"),
        (json.dumps({"event": "stage", "by": "operator", "pulse": 3, "stage": "lunch"}), "stage"),
        (json.dumps({"pulse": 3}), "event"),
    ):
        events.write_text(json.dumps(good) + "\n" + line + "\n")
        out = bench.place("refused")
        # Exit code 65: bad input data.
        done = run("replay", "-c", day.path, "--acts", events, "--out", out, *day.recordings, code=65)
        assert "line 2" in done.stderr and word in done.stderr, done.stderr
    absent = bench.folder / "absent.ndjson"
    # Exit code 66: input not found.
    done = run("replay", "-c", day.path, "--acts", absent, "--out", bench.place("refused"), *day.recordings, code=66)
    assert "absent.ndjson" in done.stderr
