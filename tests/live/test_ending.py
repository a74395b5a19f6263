"""How a monitor ends, and why one does not begin: signals, crowds that stay, addresses, folders, tokens."""

import base64
import os
import re
import signal
import socket
import time
from pathlib import Path

import pytest

from daemon import run, wait_until
from make import Emission, baseline_emissions, write_config
from scenes import frames, timed, with_alarms, write
from wire import EXPOSURE, FIRST, LAST, end, frame, hello, line

SETS = bytes(16)


def pulse(n):
    return frame(n, 8 * n, SETS, flags=FIRST | LAST, pulse=n, stage=EXPOSURE)


def page(address):
    """A WebSocket of the page that nobody reads, after its handshake (RFC 6455 section 4)."""
    link = socket.create_connection(address, 10)
    key = base64.b64encode(os.urandom(16)).decode()
    host = "%s:%d" % address
    link.sendall(
        f"GET /api/v1/live HTTP/1.1\r\nHost: {host}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        f"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n\r\n".encode()
    )
    assert link.recv(12) == b"HTTP/1.1 101"
    return link


def test_a_crowd_that_stays_does_not_hold_up_a_stop(bench):
    """A sender, a hundred connections that say nothing, pages and followers that are asleep."""
    config, path = bench.config()
    monitor = bench.monitor(path)
    with monitor.link(hello(config)) as link:
        link.send(*[pulse(n) for n in range(3)])
        wait_until(lambda: len(monitor.session.rows()) == 3)
        crowd = [monitor.link() for _ in range(100)]
        crowd[0].send(line(hello(config))[:50])
        pages = [page(monitor.http) for _ in range(3)]
        followers = []
        for what in ("pulses", "events"):
            asleep = socket.create_connection(monitor.http, 10)
            asleep.sendall(f"GET /api/v1/{what}/follow HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            followers.append(asleep)
        half = socket.create_connection(monitor.http, 10)
        half.sendall(b"GET /api/v1/status HTTP/1.1\r\nHo")
        live = monitor.stop(signal.SIGTERM)
        assert link.wait_for("error")["error"] == "stopping"
        for other in [*crowd, *pages, *followers, half]:
            other.close()
    account, _ = live.closed()
    assert account["pulses"] == 3 and live.rows("exposures.csv")


def test_a_second_interrupt_ends_at_once(bench):
    """While the first one still waits for an analysis that has seconds of work in front of it."""
    config, path = bench.config(spectrum__overlap=0.95, receive__channels=64)
    monitor = bench.monitor(path, "--workers", 1)
    scene = write(bench.folder, "heavy", config, baseline_emissions((0.3,), each=1), 81)
    [whole] = frames(scene, 25000)
    payload = whole[-25000 * 128 :]
    with monitor.link(hello(config)) as link:
        for n in range(24):
            said = {"flags": FIRST | LAST, "pulse": n, "pulse_time_ns": n * 200_000_000, "stage": EXPOSURE}
            link.send(frame(n, 25000 * n, payload, 128, **said))
        monitor.process.send_signal(signal.SIGINT)
        wait_until(lambda: "again to end at once" in monitor.said(), every_s=0.001)
        assert monitor.process.poll() is None, "the first interrupt found nothing to wait for"
        begun = time.monotonic()
        monitor.process.send_signal(signal.SIGINT)
        assert monitor.process.wait(5) == 130
        assert time.monotonic() - begun < 0.5
    # At once: nobody wrote the session's end.
    assert monitor.session.about()["state"] == "running"


def test_samples_that_came_before_a_stop_are_in_the_session(bench):
    """What is acknowledged is accounted for, whenever the signal comes."""
    folder = bench.place("before")
    folder.mkdir()
    scene = write(folder, "before", with_alarms(), timed([Emission() for _ in range(40)]), 82)
    replayed = bench.replay(scene.path, *scene.recordings)
    monitor = bench.monitor(scene.path)
    with monitor.link(hello(scene.config)) as link:
        link.send(*frames(scene, 5000)[:-1])
        link.acknowledged(199)
        live = monitor.stop()
        said = link.wait_for("error")
        assert (said["error"], said["sequence"]) == ("stopping", 199)
    account, stream = live.closed()
    assert (stream["frames"], stream["pulses_unfinished"], account["pulses"]) == (199, 1, 40)
    # All whole pulses as a replay has them; the last lost its end.
    assert live.bytes().splitlines()[:40] == replayed.bytes().splitlines()[:40]
    assert live.rows()[39]["verdict"] == "indeterminate"


def test_an_alarm_makes_the_exit_code_10_where_that_is_asked(bench):
    folder = bench.place("alarmed")
    folder.mkdir()
    emissions = baseline_emissions((0.3,), each=12) + [Emission(broadband_v=3e-3)]
    scene = write(folder, "alarmed", with_alarms(), timed(emissions), 83)
    for options, code in ((["--fail-on", "alarm"], 10), ([], 130)):
        monitor = bench.monitor(scene.path, *options)
        monitor.send("-c", scene.path, "--speed", "max", *scene.recordings)
        assert monitor.stop(code=code).events("alarm raised")


def test_what_cannot_be_listened_on_is_told(bench):
    _, path = bench.config()
    monitor = bench.monitor(path)
    stream = "%s:%d" % monitor.stream
    done = run("monitor", "-c", path, "--listen", "127.0.0.1:0", "--stream", stream, code=1)
    assert stream in done.stderr and "samples" in done.stderr and "in use" in done.stderr.lower()
    for flag in ("--listen", "--stream"):
        other = "--stream" if flag == "--listen" else "--listen"
        done = run("monitor", "-c", path, flag, "0.0.0.0:0", other, "127.0.0.1:0", code=2)
        assert "0.0.0.0:0" in done.stderr and "token_file" in done.stderr
        done = run("monitor", "-c", path, flag, "nowhere", other, "127.0.0.1:0", code=2)
        assert "nowhere" in done.stderr
    monitor.stop()


def test_a_unix_socket_in_use_is_left_alone_and_a_forgotten_one_is_replaced(bench):
    config, path = bench.config()
    address = bench.folder / "s.sock"
    path.write_text(path.read_text() + f'\n[serve]\nstream_unix = "{address}"\n')
    first = bench.monitor(path, unix=str(address))
    wait_until(address.exists)
    done = run("monitor", "-c", path, "--listen", "127.0.0.1:0", code=1)
    assert str(address) in done.stderr
    first.alive(config)
    # Killed, it leaves its socket behind.
    first.process.kill()
    first.process.wait(10)
    assert address.exists()
    second = bench.monitor(path, unix=str(address))
    wait_until(lambda: answers(address))
    second.alive(config)
    second.stop().closed()
    # What is no socket is nobody's to remove.
    address.write_text("notes")
    run("monitor", "-c", path, "--listen", "127.0.0.1:0", code=1)
    assert address.read_text() == "notes"


def answers(address):
    """Whether somebody listens there."""
    try:
        with socket.socket(socket.AF_UNIX) as raw:
            raw.connect(str(address))
        return True
    except OSError:
        return False


def test_a_folder_that_holds_a_session_is_not_written_over(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    monitor.alive(config)
    before = monitor.stop().bytes()
    where = ["--listen", "127.0.0.1:0", "--stream", "127.0.0.1:0"]
    # Exit code 73: cannot create output.
    done = run("monitor", "-c", path, *where, "--out", monitor.folder, code=73)
    assert str(monitor.folder) in done.stderr
    assert monitor.session.bytes() == before
    blocked = bench.folder / "a file"
    blocked.write_text("x")
    done = run("monitor", "-c", path, *where, "--out", blocked / "session", code=73)
    assert str(blocked) in done.stderr


@pytest.mark.parametrize(
    "content,code",
    [(None, 66), ("", 78), ("fifteen-letters", 78), ("two words of sixteen", 78), ("x" * 5000, 78), (b"\xff" * 20, 1)],
)
def test_a_token_file_without_a_token_is_told_by_name(bench, content, code):
    _, path = bench.config()
    token = bench.folder / "the token"
    if content is not None:
        token.write_bytes(content if isinstance(content, bytes) else content.encode())
    path.write_text(path.read_text() + f'\n[serve]\nhttp = "0.0.0.0:0"\ntoken_file = "{token}"\n')
    done = run("monitor", "-c", path, "--stream", "127.0.0.1:0", code=code)
    assert str(token) in done.stderr, done.stderr
    if isinstance(content, str) and content:
        assert content not in done.stderr, "a token is not for the log"


def test_a_token_file_that_is_a_folder_is_told(bench):
    _, path = bench.config()
    path.write_text(path.read_text() + f'\n[serve]\nhttp = "0.0.0.0:0"\ntoken_file = "{bench.folder}"\n')
    done = run("monitor", "-c", path, "--stream", "127.0.0.1:0", code=1)
    assert str(bench.folder) in done.stderr


def test_an_end_of_stream_before_a_stop_needs_no_farewell(bench):
    config, path = bench.config()
    monitor = bench.monitor(path)
    with monitor.link(hello(config)) as link:
        link.send(pulse(0), end(1, 8))
        link.wait_for("end")
        live = monitor.stop()
        assert monitor.stopped_after_s < 3
    account, stream = live.closed()
    assert (account["pulses"], stream["pulses_unfinished"]) == (1, 0)
    assert not [e for e in live.events("gap") if "cut" in e["text"]]


def test_real_time_is_had_or_its_remedy_is_told(bench):
    """Where it is permitted the analysis' threads, and no others, are SCHED_RR (2, proc(5)) and memory is locked."""
    config = with_alarms()
    path = write_config(config, bench.place("real").with_suffix(".toml"))
    monitor = bench.monitor(path, "--real-time")
    monitor.alive(config)
    process = Path("/proc") / str(monitor.process.pid)
    # Field 41 of stat; the name in brackets may hold blanks.
    fields = [(t / "stat").read_text().rsplit(")", 1)[1].split() for t in (process / "task").iterdir()]
    raised = [policy for f in fields if (policy := f[38]) == "2"]
    locked = int(re.search(r"VmLck:\s+(\d+)", (process / "status").read_text())[1])
    said = monitor.said()
    assert raised or ("no real-time priority: " in said and "limits.conf" in said), said
    assert len(raised) < len(fields)
    assert locked > 0 or ("memory is not locked" in said and "memlock unlimited" in said), said
    monitor.stop()
    quiet = bench.monitor(path)
    quiet.alive(config)
    tasks = (Path("/proc") / str(quiet.process.pid) / "task").iterdir()
    assert all((t / "stat").read_text().rsplit(")", 1)[1].split()[38] == "0" for t in tasks)
    quiet.stop()
