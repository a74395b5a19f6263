"""Whatever the documentation shows, runs: the examples of every --help, and the README's Python lines."""

import contextlib
import csv
import json
import re
import shlex
import signal
import subprocess
import sys

import pytest

from conftest import TIMEOUT_S, binary

# Commands that have an example for demo-data; those of later work join when they exist.
COMMANDS = ("replay", "baseline", "check", "demo", "monitor", "send")


def examples(text):
    """The example command lines in a help text; a backslash at the end joins lines."""
    joined = re.sub(r"\\\n\s*", " ", text)
    lines = [line.strip().removeprefix("$ ").strip("`") for line in joined.splitlines()]
    return [line for line in lines if line.startswith("simmer ") and "[OPTIONS]" not in line]


def commands_of(text):
    """The names under `Commands:` in the top help."""
    block = re.search(r"^Commands:\n((?:  .*\n|\n)+)", text, re.M)
    assert block, text
    names = re.findall(r"^  (\S+)", block.group(1), re.M)
    return [name for name in names if name != "help"]


def test_every_example_of_every_help_runs(bench):
    names = commands_of(bench.run("--help").stdout)
    assert set(COMMANDS) <= set(names)
    for name in names:
        shown = examples(bench.run(name, "--help").stdout)
        assert shown, f"simmer {name} --help shows no example"
        for line in shown:
            if name not in ("monitor", "send"):
                bench.run(*shlex.split(line)[1:])


@contextlib.contextmanager
def started(line, folder):
    """The monitor of an example, taking samples; at the end it is stopped as a person would."""
    running = subprocess.Popen(
        [str(binary()), *shlex.split(line)[1:]],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # Some shells start jobs with SIGINT ignored, which children inherit.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        said = iter(running.stderr.readline, "")
        assert any(text.startswith("stream on 127.0.0.1:8788") for text in said)
        yield
        running.send_signal(signal.SIGINT)
        _, rest = running.communicate(timeout=TIMEOUT_S)
    finally:
        running.kill()
    assert running.returncode == 130, rest


def test_the_examples_of_monitor_and_send_belong_together(bench):
    [monitor] = examples(bench.run("monitor", "--help").stdout)
    [send] = examples(bench.run("send", "--help").stdout)
    with started(monitor, bench.folder):
        bench.run(*shlex.split(send)[1:])
    about = json.loads((bench.folder / "out" / "live" / "session.json").read_text())
    assert about["account"]["closes"] and about["account"]["pulses"] == 135
    assert about["stream"]["streams"] == 2 and about["stream"]["frames_lost"] == 0


def test_the_demonstration_finds_what_it_put_in(simmer):
    done = simmer.run("demo", "--seconds", "30", "--speed", "max", "--seed", "7", "--out", simmer.folder / "demo")
    pulses = (simmer.folder / "demo" / "pulses.csv").read_text()
    for verdict in ("not_detected", "stable", "inertial", "indeterminate"):
        assert f",{verdict}," in pulses
    assert done.stdout


def test_the_same_seed_gives_the_same_demonstration(simmer):
    texts = []
    for name in ("first", "second"):
        simmer.run("demo", "--seconds", "30", "--speed", "max", "--seed", "7", "--out", simmer.folder / name)
        texts.append((simmer.folder / name / "pulses.csv").read_bytes())
    assert texts[0] == texts[1]


def test_demo_data_are_what_their_readme_says(bench):
    folder = bench.folder / "demo-data"
    size = sum(path.stat().st_size for path in folder.iterdir())
    assert size < 8_000_000
    assert "simulated" in (folder / "README.md").read_text().lower()
    session = bench.replay(
        folder / "config.toml", folder / "baseline.sigmf-meta", folder / "exposure.sigmf-meta"
    )
    stages = [row["stage"] for row in session.rows]
    assert stages == ["baseline"] * 90 + ["exposure"] * 45
    assert [row["pulse"] for row in session.rows] == [str(n) for n in range(135)]


def blocks(text):
    """Fenced blocks of a README as (language, text), in order."""
    return re.findall(r"^```(\w*)\n(.*?)^```", text, re.M | re.S)


NUMBER = r"-?\d+\.?\d*(?:e[+-]?\d+)?"


def same_line(shown, printed):
    """Whether two lines have the same words and numbers; the last digit shown may differ by one or two."""
    if re.split(r"\s+", re.sub(NUMBER, "#", shown).strip()) != re.split(r"\s+", re.sub(NUMBER, "#", printed).strip()):
        return False
    pairs = zip(re.findall(NUMBER, shown), re.findall(NUMBER, printed))
    return all(
        abs(float(a) - float(b)) <= 2.01 * 10.0 ** -len(a.partition(".")[2].partition("e")[0]) if "." in a else a == b
        for a, b in pairs
    )


@pytest.fixture
def readme(bench):
    """The README's blocks, and what each of its simmer commands printed, in order."""
    found, told = blocks((bench.folder / "README.md").read_text()), []
    with contextlib.ExitStack() as monitors:
        for language, text in found:
            printed = ""
            for line in [] if language == "python" else examples(text):
                if line.startswith("simmer monitor "):
                    monitors.enter_context(started(line, bench.folder))
                else:
                    printed += bench.run(*shlex.split(line)[1:]).stdout
            told.append(printed)
    return found, told, bench.folder


def test_the_readmes_worked_example_prints_what_is_shown(readme):
    found, told, _ = readme
    compared = 0
    for (language, text), printed in zip(found[1:], told):
        # A block without a command after one with a command shows what that one prints.
        if not printed or language == "python" or re.search(r"^\s*(simmer|cargo|bash) ", text, re.M):
            continue
        compared += 1
        for line in filter(None, map(str.rstrip, text.splitlines())):
            if line == "…":
                # Lines left out of what is shown.
                continue
            assert any(same_line(line, other) for other in printed.splitlines()), f"not printed: {line}"
    assert compared, "README.md shows no output of its example"


def test_the_readmes_python_lines_reproduce_a_number_of_its_example(readme):
    found, _, folder = readme
    python = [text for language, text in found if language == "python"]
    assert python, "README.md has no python block"
    rows = {
        row["pulse"]: row
        for row in csv.DictReader((folder / "out" / "session" / "pulses.csv").read_text().splitlines())
    }
    for text in python:
        done = subprocess.run(
            [sys.executable, "-c", text], cwd=folder, capture_output=True, text=True, timeout=TIMEOUT_S, check=False
        )
        assert done.returncode == 0, done.stderr
        # Each print says in a comment which cell of the example's pulses.csv it reproduces.
        cells = re.findall(r"print\(.*\)\s+# (\w+) of pulse (\d+)", text)
        printed = [float(x) for x in re.findall(NUMBER, done.stdout)]
        assert cells and len(cells) == len(printed), f"{text}\nprints\n{done.stdout}"
        for (column, pulse), number in zip(cells, printed):
            # Method §3 allows the band's √P a share of 5e-5, and a little of the whole spectrum's.
            assert number == pytest.approx(float(rows[pulse][column]), rel=2e-4, abs=0.0)
