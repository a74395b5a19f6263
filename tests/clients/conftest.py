"""A real `simmer monitor`, and a relay that cuts and silences links on purpose."""

import csv
import json
import os
import re
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
DEADLINE_S = 60


def binary():
    """The binary under test."""
    default = Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target")) / "release" / "simmer"
    return Path(os.environ.get("SIMMER_BIN", default)).absolute()


class Monitor:
    """A running `simmer monitor` on free ports, and the session folder that it leaves."""

    def __init__(self, folder, edit=lambda text: text, stream="127.0.0.1:0"):
        folder.mkdir(parents=True)
        self.out, self._log = folder / "session", folder / "stderr"
        text = (REPO / "config" / "bench-phantom.toml").read_text()
        text = text.replace("127.0.0.1:8787", "127.0.0.1:0").replace("127.0.0.1:8788", stream)
        (folder / "config.toml").write_text(edit(text))
        with self._log.open("w") as log:
            self._process = subprocess.Popen(
                [binary(), "monitor", "-c", folder / "config.toml", "--out", self.out],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                env={k: v for k, v in os.environ.items() if not k.startswith("SIMMER_")},
            )
        self.page = self._printed(r"page on (http://\S+?)/?\s").rstrip("/")
        self.stream = self._printed(r"stream on (\S+)\s")

    def log(self):
        """What it wrote to standard error so far."""
        return self._log.read_text()

    def _printed(self, pattern):
        deadline = time.monotonic() + DEADLINE_S
        while not (found := re.search(pattern, self.log())):
            assert self._process.poll() is None, f"simmer monitor ended\n{self.log()}"
            assert time.monotonic() < deadline, f"no {pattern}\n{self.log()}"
            time.sleep(0.02)
        return found[1]

    def kill(self):
        """Ends it as a power cut does."""
        self._process.kill()
        self._process.wait(DEADLINE_S)

    def stop(self):
        """Ends it as Ctrl-C does and returns the rows of pulses.csv."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            try:
                self._process.wait(DEADLINE_S)
            except subprocess.TimeoutExpired:
                self.kill()
                raise
        assert "panicked" not in self.log(), self.log()
        return self.rows()

    def rows(self):
        """The rows of pulses.csv, as text."""
        return list(csv.DictReader((self.out / "pulses.csv").read_text().splitlines()))

    def events(self):
        """The lines of events.ndjson."""
        return [json.loads(line) for line in (self.out / "events.ndjson").read_text().splitlines()]

    def exposures(self):
        """The rows of exposures.csv."""
        return list(csv.DictReader((self.out / "exposures.csv").read_text().splitlines()))

    def about(self):
        """session.json."""
        return json.loads((self.out / "session.json").read_text())


@pytest.fixture
def start_monitor(tmp_path):
    """Starts monitors; those that still run at the end of the test are stopped."""
    monitors = []

    def start(**options):
        monitors.append(Monitor(tmp_path / f"monitor-{len(monitors)}", **options))
        return monitors[-1]

    yield start
    for monitor in monitors:
        if monitor._process.poll() is None:
            monitor.stop()


class Relay:
    """Stands between sender and monitor. Each connection has a plan; when they are used up, None.

    None: passes everything on.
    ("cut", n): passes hello and n bytes of frames on, nothing back from then on, then cuts.
    ("mute",): passes hello on and nothing back, then cuts.
    ("freeze", n): passes hello and n bytes of frames on, then nothing in either direction.
    """

    def __init__(self, to, plans):
        host, _, port = to.rpartition(":")
        self._to, self._plans = (host, int(port)), [*plans, None]
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = "127.0.0.1:%d" % self._listener.getsockname()[1]
        self.sent = []  # what senders sent, one bytearray a connection
        self._links = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                sender, _ = self._listener.accept()
            except OSError:
                return
            plan = self._plans[min(len(self.sent), len(self._plans) - 1)]
            self.sent.append(bytearray())
            try:
                monitor = socket.create_connection(self._to)
            except OSError:
                sender.close()
                continue
            self._links += [sender, monitor]
            quiet = threading.Event()
            if plan == ("mute",):
                quiet.set()
            for target in (self._forth, self._back):
                arguments = (sender, monitor, plan, self.sent[-1], quiet)
                threading.Thread(target=target, args=arguments, daemon=True).start()

    @staticmethod
    def _cut(*links):
        for link in links:
            try:
                link.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass  # it is cut already

    def _forth(self, sender, monitor, plan, sent, quiet):
        try:
            while data := sender.recv(1 << 16):
                sent += data
                hello_bytes = sent.find(b"\n") + 1
                if plan and plan[0] != "mute" and hello_bytes and len(sent) >= hello_bytes + plan[1]:
                    quiet.set()
                    monitor.sendall(data[: len(data) - (len(sent) - hello_bytes - plan[1])])
                    if plan[0] == "cut":
                        break
                    return
                monitor.sendall(data)
                if plan == ("mute",) and hello_bytes:
                    time.sleep(0.3)  # so that the monitor has taken the hello before the cut
                    break
        except OSError:
            pass  # the monitor or the sender cut it
        self._cut(sender, monitor)

    def _back(self, sender, monitor, _plan, _sent, quiet):
        try:
            while data := monitor.recv(1 << 16):
                if not quiet.is_set():
                    sender.sendall(data)
        except OSError:
            pass  # the monitor or the sender cut it
        if not quiet.is_set():
            self._cut(sender, monitor)

    def close(self):
        """Cuts everything."""
        self._listener.close()
        self._cut(*self._links)


@pytest.fixture
def relay():
    """Starts relays to a monitor; they are closed at the end of the test."""
    relays = []

    def start(to, *plans):
        relays.append(Relay(to, plans))
        return relays[-1]

    yield start
    for one in relays:
        one.close()


def pytest_sessionfinish(session, exitstatus):
    """A skipped test is a failure: what cannot be run has not been shown."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    left = [kind for kind in ("skipped", "xfailed", "xpassed") if reporter and reporter.stats.get(kind)]
    if left and exitstatus == 0:
        session.exitstatus = 1
