"""A monitor for each test, ended whatever happens; a skipped test is a failure."""

import pytest

from daemon import Monitor, Session, run
from make import configuration, write_config


def pytest_sessionfinish(session, exitstatus):
    """What cannot be run has not been shown."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    left = [kind for kind in ("skipped", "xfailed", "xpassed") if reporter and reporter.stats.get(kind)]
    if left and exitstatus == 0:
        session.exitstatus = 1


class Bench:
    """A folder in which monitors are started and recordings replayed."""

    def __init__(self, folder):
        self.folder, self.count, self.monitors = folder, 0, []

    def place(self, name):
        self.count += 1
        return self.folder / f"{name}-{self.count}"

    def config(self, **changes):
        """A configuration and the path it is written to."""
        config = configuration(**changes)
        return config, write_config(config, self.place("config").with_suffix(".toml"))

    def monitor(self, config, *options, **how):
        monitor = Monitor(self.place("live"), config, *options, **how)
        self.monitors.append(monitor)
        return monitor

    def replay(self, config, *recordings, options=()):
        out = self.place("replayed")
        run("replay", "-c", config, *options, "--out", out, *recordings)
        return Session(out)

    def end(self):
        for monitor in self.monitors:
            monitor.end()


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    yield bench
    bench.end()


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A bench of all tests of a file."""
    bench = Bench(tmp_path_factory.mktemp("shared"))
    yield bench
    bench.end()
