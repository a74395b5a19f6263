"""What goes by the clock, and how a monitor begins and ends: silence, pulses that never come, signals.

The protocol's own times are waited for, side by side where that is possible: hello within 5 s, five
keepalives of 2 s, 30 s to resume (PROTOCOL.md, hello, reply and rules 6 and 7).
"""

import os
import signal
import socket
import subprocess
import threading
import time

import pytest

from daemon import binary, environment, run, wait_until
from wire import EXPOSURE, FIRST, LAST, Link, end, frame, hello, keepalive, outside

PAUSE, EXPOSURE_ENDED, ABORT = 512, 2048, 4096
SETS = bytes(16)


def pulse(sequence, number, **fields):
    return frame(sequence, 8 * number, SETS, flags=FIRST | LAST, pulse=number, stage=EXPOSURE, **fields)


def test_silence_is_cut_in_its_time_and_a_cut_stream_expires_in_its_own(bench):
    config, path = bench.config()
    silent, mute, late = (bench.monitor(path) for _ in range(3))
    found = {}

    def says_nothing():
        begun = time.monotonic()
        with socket.create_connection(silent.stream) as raw:
            raw.settimeout(20)
            said = raw.makefile("rb").readline()
        found["hello"] = (time.monotonic() - begun, said)

    def falls_silent():
        keys = hello(config)
        with mute.link(keys) as link:
            link.send(pulse(0, 0))
            begun = time.monotonic()
            link.ended(20)
            found["silent"] = time.monotonic() - begun
        with mute.link(keys | {"resume": True, "oldest": 1}) as link:
            found["resumed"] = link.reply
            link.send(end(1, 8))
            found["totals"] = link.wait_for("end")

    def comes_too_late():
        keys = hello(config)
        with late.link(keys) as link:
            link.send(pulse(0, 0), frame(1, 8, SETS, flags=FIRST, pulse=1, stage=EXPOSURE, pulse_first_sample=8))
            wait_until(lambda: late.status()["account"]["received"] == 16)
        begun = time.monotonic()
        wait_until(lambda: late.status()["stream"]["state"] == "waiting", 40, 0.2)
        found["expired"] = time.monotonic() - begun
        with late.link(keys | {"resume": True, "oldest": 0}) as link:
            found["late"] = link.reply
        late.alive(config)

    jobs = [threading.Thread(target=job) for job in (says_nothing, falls_silent, comes_too_late)]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join(60)
    waited, said = found["hello"]
    assert 4.5 < waited < 6.5 and b'"error":"syntax"' in said, (waited, said)
    assert 9.5 < found["silent"] < 12
    assert found["resumed"]["ok"] is True and found["resumed"]["next"] == 1
    assert found["totals"] == {"end": True, "received": 1, "lost": 0, "pulses": 1}
    assert 29 < found["expired"] < 33
    assert (found["late"]["ok"], found["late"]["error"], found["late"]["retry"]) == (False, "expired", True)
    silent.stop()
    mute.stop().closed()
    _, stream = late.stop().closed()
    assert (stream["pulses"], stream["pulses_unfinished"]) == (3, 1)


@pytest.mark.parametrize("said", [None, PAUSE, ABORT, EXPOSURE_ENDED, "end"])
def test_a_pulse_that_never_comes_is_an_alarm_by_the_clock_unless_the_sender_said_so(bench, said):
    config, path = bench.config()
    drive = config["drive"]
    after_s = drive["missing_after_periods"] / drive["repetition_hz"]
    monitor = bench.monitor(path)
    events = monitor.follow("events")
    with monitor.link(hello(config)) as link:
        begun = time.monotonic()
        link.send(pulse(0, 0))
        if said == "end":
            link.send(end(1, 8))
        elif said:
            link.send(outside(1, 8, flags=said))
        if said is None:
            at, event = events.until(lambda e: e["event"] == "alarm raised" and e["name"] == "pulse missing")
            assert after_s - 0.05 < at - begun < after_s + 0.5
            assert event["severity"] == "warning"
        else:
            # One that must not come: three times as long as it would take, with the link alive.
            time.sleep(3 * after_s)
            if said != "end":
                link.send(keepalive(2, 8))
            assert not [a for a in monitor.status()["alarms"] if a["name"] == "pulse missing"]
    live = monitor.stop()
    raised = [e for e in live.events("alarm raised") if e["name"] == "pulse missing"]
    assert len(raised) == (said is None)
    live.closed()


def test_an_abort_is_on_record_before_another_pulse_comes(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    events = monitor.follow("events")
    with monitor.link(hello(config)) as link:
        link.send(pulse(0, 0), outside(1, 8, flags=ABORT))
        _, event = events.until(lambda e: e["event"] == "exposure ended")
        assert event["ended_by"] == "abort"
        wait_until(lambda: monitor.status()["paused"])
        # Tables are written by a thread of their own.
        wait_until(lambda: len(monitor.session.rows("exposures.csv")) == 1)
        link.send(pulse(2, 1), end(3, 16))
        link.wait_for("end")
    rows = monitor.stop().rows()
    assert [row["exposure"] for row in rows] == ["1", "2"]


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_stop_is_orderly_with_a_sender_and_followers(bench, how):
    config, path = bench.config()
    monitor = bench.monitor(path)
    followers = [monitor.follow("events"), monitor.follow("pulses")]
    with monitor.link(hello(config)) as link:
        link.send(pulse(0, 0), frame(1, 8, SETS, flags=FIRST, pulse=1, stage=EXPOSURE, pulse_first_sample=8))
        followers[1].until(lambda row: row["pulse"] == 0)
        live = monitor.stop(how)
        assert link.wait_for("error")["error"] == "stopping"
    for follower in followers:
        while follower.next() is not None:
            pass
    account, stream = live.closed()
    assert (account["pulses"], stream["pulses_unfinished"]) == (2, 1)
    assert [row["exposure"] for row in live.rows("exposures.csv")] == ["1"]


def test_an_address_in_use_and_one_without_a_token_are_told(bench):
    _, path = bench.config()
    monitor = bench.monitor(path)
    where = "%s:%d" % monitor.http
    done = run("monitor", "-c", path, "--listen", where, "--stream", "127.0.0.1:0", code=1)
    assert where in done.stderr and "cannot listen" in done.stderr
    done = run("monitor", "-c", path, "--listen", "0.0.0.0:0", code=2)
    assert "token_file" in done.stderr
    monitor.stop()


def served(bench, http, token_file):
    """A configuration with a page behind a token."""
    _, path = bench.config()
    path.write_text(path.read_text() + f'\n[serve]\nhttp = "{http}"\ntoken_file = "{token_file}"\n')
    return path


def test_a_token_is_asked_of_whoever_is_not_known_to_be_here(bench):
    token = bench.folder / "token"
    token.write_text("a-token-of-the-bench\n")
    path = served(bench, "0.0.0.0:0", token)
    monitor = bench.monitor(path, listen="0.0.0.0:0")
    monitor.http = ("127.0.0.1", monitor.http[1])
    code, headers, said = monitor.ask("GET", "/api/v1/status")
    # RFC 9110 section 15.5.2: 401 comes with WWW-Authenticate; RFC 9457: problem+json.
    assert (code, headers["Content-Type"]) == (401, "application/problem+json"), said
    assert headers["WWW-Authenticate"].startswith("Bearer")
    for given, expected in (("a-token-of-the-bench", 200), ("a-token-of-the-bencH", 401)):
        assert monitor.ask("GET", "/api/v1/status", headers={"Authorization": f"Bearer {given}"})[0] == expected
    assert monitor.ask("GET", "/healthz")[0] == 200
    monitor.stop()


def test_a_token_that_is_none_is_told(bench):
    short = bench.folder / "short"
    short.write_text("hunter\n")
    path = served(bench, "127.0.0.1:0", short)
    done = run("monitor", "-c", path, "--stream", "127.0.0.1:0", code=78)
    assert str(short) in done.stderr and "16" in done.stderr
    path = served(bench, "127.0.0.1:0", bench.folder / "none")
    done = run("monitor", "-c", path, "--stream", "127.0.0.1:0", code=66)
    assert "none" in done.stderr


def test_a_folder_that_cannot_be_written_any_more_does_not_end_the_analysis(bench):
    config, path = bench.config()
    # A limit on the size of files stands for a full disk: writing beyond it fails.
    limited = subprocess.Popen(
        ["bash", "-c", 'ulimit -f 8; trap "" XFSZ; exec "$@"', "-", str(binary()), "monitor", "-c", str(path)]
        + ["--listen", "127.0.0.1:0", "--stream", "127.0.0.1:0", "--out", str(bench.folder / "full")],
        env=environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        lines = iter(limited.stderr.readline, "")
        stream = next(line for line in lines if line.startswith("stream on ")).split()[-1]
        host, port = stream.rsplit(":", 1)
        with Link((host, int(port)), hello(config)) as link:
            pulses = 100
            link.send(*[pulse(n, n) for n in range(pulses)], end(pulses, 8 * pulses))
            assert link.wait_for("end")["pulses"] == pulses
        assert any("no longer kept" in line for line in lines)
        limited.send_signal(signal.SIGINT)
        assert limited.wait(10) == 1
    finally:
        limited.kill()
        limited.stderr.close()
    assert os.path.getsize(bench.folder / "full" / "pulses.csv") <= 8 * 1024
