"""Runs `simmer monitor` and its like, and reads what they leave. SIMMER_BIN names the binary."""

import csv
import http.client
import json
import os
import queue
import re
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path

from wire import DEADLINE_S, EXPOSURE, FIRST, LAST, Link, end, frame, hello

REPO = Path(__file__).resolve().parents[2]
# The promise of the issue: a graceful stop within 5 s.
STOP_WITHIN_S = 5.0


def binary():
    """The binary under test."""
    default = Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target")) / "release" / "simmer"
    return Path(os.environ.get("SIMMER_BIN", default)).absolute()


def environment():
    """Ours without anything that changes what simmer does."""
    return {k: v for k, v in os.environ.items() if not k.startswith("SIMMER_")} | {"NO_COLOR": "1"}


def run(*args, code=0, within_s=60):
    """Runs a command to its end and asserts its exit code."""
    done = subprocess.run(
        [str(binary()), *map(str, args)],
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=within_s,
        check=False,
    )
    told = f"simmer {' '.join(map(str, args))}\nexit {done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "panicked" not in done.stderr, told
    assert done.returncode == code, f"expected exit {code}\n{told}"
    return done


class Session:
    """A session folder."""

    def __init__(self, folder):
        self.folder = Path(folder)

    def bytes(self, name="pulses.csv"):
        return (self.folder / name).read_bytes()

    def rows(self, name="pulses.csv"):
        """The rows of a table that are there so far, whole lines only."""
        text = (self.folder / name).read_text()
        return list(csv.DictReader(text[: text.rfind("\n") + 1].splitlines()))

    def events(self, kind=None):
        text = (self.folder / "events.ndjson").read_text()
        whole = text[: text.rfind("\n") + 1].splitlines()
        return [e for e in map(json.loads, whole) if kind in (None, e["event"])]

    def about(self):
        return json.loads((self.folder / "session.json").read_text())

    def closed(self):
        """Asserts that the account closes, in the engine and over the socket; gives both."""
        about = self.about()
        account, stream = about["account"], about["stream"]
        assert account["closes"] is True
        # What came in is wanted or outside the gates; what was wanted is used or lost.
        assert account["samples_received"] == stream["samples_to_analysis"], about
        assert account["pulses"] == stream["pulses"], about
        assert account["pulses"] == len({r["pulse"] for r in self.rows() if r["pulse"]}), about
        return account, stream


class Monitor:
    """A running `simmer monitor`."""

    def __init__(self, folder, config, *options, keep=True, unix=None, listen="127.0.0.1:0"):
        self.folder = Path(folder)
        where = ["--listen", listen] + ([] if unix else ["--stream", "127.0.0.1:0"])
        where += ["--out", str(self.folder)] if keep else []
        self.process = subprocess.Popen(
            [str(binary()), "monitor", "-c", str(config), *where, *map(str, options)],
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # Some shells start jobs with SIGINT ignored, which children inherit.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        self.lines, self.fresh = [], queue.Queue()
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()
        self.out = ""
        self.outer = threading.Thread(target=self._read_out, daemon=True)
        self.outer.start()
        self.http = self._address(r"page on http://([\d.]+):(\d+)/")
        self.stream = unix or self._address(r"stream on ([\d.]+):(\d+)$")
        self.session = Session(self.folder)

    def _read(self):
        for text in self.process.stderr:
            self.lines.append(text.rstrip("\n"))
            self.fresh.put(self.lines[-1])
        self.fresh.put(None)

    def _read_out(self):
        self.out = self.process.stdout.read()

    def _address(self, pattern):
        due = time.monotonic() + DEADLINE_S
        while True:
            text = self.fresh.get(timeout=max(0.0, due - time.monotonic()))
            assert text is not None, f"the monitor ended:\n{self.said()}"
            if found := re.search(pattern, text):
                return found[1], int(found[2])

    def said(self):
        return "\n".join(self.lines)

    def link(self, greeting=None, **options):
        return Link(self.stream, greeting, **options)

    @property
    def to(self):
        """The address as `simmer send --to` takes it."""
        return f"unix:{self.stream}" if isinstance(self.stream, str) else "%s:%d" % self.stream

    def send(self, *args, code=0):
        return run("send", "--to", self.to, *args, code=code)

    def alive(self, config):
        """Asserts that a good stream of ri16_le gets its totals."""
        greeting, set_bytes = hello(config), 2 * config["receive"]["channels"]
        due = time.monotonic() + DEADLINE_S
        with self.link(greeting) as link:
            assert link.reply["ok"], link.reply
            link.send(frame(0, 0, bytes(8 * set_bytes), set_bytes, flags=FIRST | LAST, stage=EXPOSURE))
            link.send(end(1, 8))
            totals = link.wait_for("end", due - time.monotonic())
            assert totals == {"end": True, "received": 1, "lost": 0, "pulses": 1}

    def resident_kib(self, key="VmRSS"):
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(rf"{key}:\s+(\d+) kB", text)[1])

    def stop(self, how=signal.SIGINT, code=None, within_s=STOP_WITHIN_S):
        """Ends it and asserts that it does so in time and well; gives the session."""
        expected = {signal.SIGINT: 130, signal.SIGTERM: 143}[how] if code is None else code
        self.process.send_signal(how)
        begun = time.monotonic()
        self.process.wait(within_s)
        self.stopped_after_s = time.monotonic() - begun
        self.reader.join(DEADLINE_S)
        assert "panicked" not in self.said(), self.said()
        assert self.process.returncode == expected, f"exit {self.process.returncode}\n{self.said()}"
        return self.session

    def end(self):
        """Ends it whatever it does, if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(DEADLINE_S)

    # HTTP

    def ask(self, method, path, body=None, headers=None):
        """One request; status, headers and body, JSON where it is some."""
        connection = http.client.HTTPConnection(*self.http, timeout=DEADLINE_S)
        sent = {} if body is None else {"Content-Type": "application/json"}
        data = body if body is None or isinstance(body, bytes) else json.dumps(body)
        connection.request(method, path, data, sent | (headers or {}))
        answer = connection.getresponse()
        raw = answer.read()
        connection.close()
        kind = answer.getheader("Content-Type", "")
        return answer.status, answer.headers, json.loads(raw) if "json" in kind and raw else raw

    def act(self, **mark):
        """POST /marks; the mark's id."""
        status, _, said = self.ask("POST", "/api/v1/marks", mark)
        assert status == 202, said
        assert said["holds_from"] == "the next pulse"
        return said["id"]

    def stage(self, stage):
        status, _, said = self.ask("POST", "/api/v1/stage", {"stage": stage})
        assert status == 202, said

    def status(self):
        code, _, said = self.ask("GET", "/api/v1/status")
        assert code == 200
        return said

    def follow(self, what):
        return Follower(self.http, what)


class Follower:
    """An NDJSON follower of `pulses` or `events`."""

    def __init__(self, address, what, query=""):
        self.connection = http.client.HTTPConnection(*address, timeout=DEADLINE_S)
        self.connection.request("GET", f"/api/v1/{what}/follow{query}")
        self.answer = self.connection.getresponse()
        assert self.answer.status == 200
        assert self.answer.getheader("Content-Type").startswith("application/x-ndjson")
        self.got = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        try:
            while text := self.answer.readline():
                self.got.put((time.monotonic(), json.loads(text)))
        except (OSError, ValueError, AttributeError):
            # The test has closed it.
            pass
        self.got.put(None)

    def next(self, within_s=DEADLINE_S):
        """The next line and when it came; None at the end."""
        try:
            return self.got.get(timeout=within_s)
        except queue.Empty:
            raise TimeoutError(f"no line within {within_s} s") from None

    def until(self, fits, within_s=DEADLINE_S):
        """The first line that fits, and when it came; those before it are passed over."""
        due = time.monotonic() + within_s
        while True:
            item = self.next(max(0.0, due - time.monotonic()))
            assert item is not None, "the follower ended"
            if fits(item[1]):
                return item

    def close(self):
        self.connection.sock and self.connection.sock.shutdown(socket.SHUT_RDWR)
        self.connection.close()


def wait_until(fits, within_s=DEADLINE_S, every_s=0.01):
    """Waits for something that shows in a file or a status; gives what fits found."""
    due = time.monotonic() + within_s
    while True:
        found = fits()
        if found:
            return found
        assert time.monotonic() < due, f"not within {within_s} s"
        time.sleep(every_s)
