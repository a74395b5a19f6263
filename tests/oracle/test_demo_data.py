"""Whatever the documentation shows, runs: the examples of every --help, and the README's Python lines."""

import re
import shlex
import subprocess
import sys

import numpy as np
import pytest

from conftest import TIMEOUT_S

# Commands that have an example for demo-data; those of later work join when they exist.
COMMANDS = ("replay", "baseline", "check", "demo")


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
            bench.run(*shlex.split(line)[1:])


def test_the_demonstration_finds_what_it_put_in(simmer):
    done = simmer.run("demo", "--seconds", "30", "--seed", "7", "--out", simmer.folder / "demo")
    pulses = (simmer.folder / "demo" / "pulses.csv").read_text()
    for verdict in ("not_detected", "stable", "inertial", "indeterminate"):
        assert f",{verdict}," in pulses
    assert done.stdout


def test_the_same_seed_gives_the_same_demonstration(simmer):
    texts = []
    for name in ("first", "second"):
        simmer.run("demo", "--seconds", "30", "--seed", "7", "--out", simmer.folder / name)
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


def test_the_readmes_python_lines_reproduce_its_number(bench):
    found = blocks((bench.folder / "README.md").read_text())
    python = [i for i, (language, _) in enumerate(found) if language == "python"]
    assert python, "README.md has no python block"
    # What the lines read, the README's commands before them have made.
    for language, text in found[: python[0]]:
        if language in ("sh", "console", "bash"):
            for line in examples(text):
                bench.run(*shlex.split(line)[1:])
    for i in python:
        done = subprocess.run(
            [sys.executable, "-c", found[i][1]],
            cwd=bench.folder,
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.strip(), "the README's Python lines print nothing"
        shown = found[i + 1][1] if i + 1 < len(found) and found[i + 1][0] in ("", "text") else ""
        assert shown, "the README's python block is not followed by a text block with what it prints"
        numbers = [np.array(re.findall(r"-?\d+\.?\d*(?:e[+-]?\d+)?", s), float) for s in (done.stdout, shown)]
        assert numbers[0] == pytest.approx(numbers[1], rel=1e-4)


