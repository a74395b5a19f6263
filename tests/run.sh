#!/usr/bin/env bash
# All checks of the project, from a fresh clone: format, lints, Rust tests, release build, and the
# outside oracle (pytest against SciPy). A step that cannot run is a failure, a skipped test as well.
# Needs Rust, Python 3.11 or later and, where Python comes without venv, apt as root.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
repo=$PWD

say() { printf '\n== %s\n' "$*"; }

say "Python tools in .venv"
if ! .venv/bin/python -c 'import pip' 2>/dev/null; then
    rm -rf .venv
    if ! python3 -m venv .venv; then
        rm -rf .venv
        apt-get update -qq
        apt-get install -y -qq python3-venv
        python3 -m venv .venv
    fi
fi
.venv/bin/python -m pip install --quiet --disable-pip-version-check -r tests/oracle/requirements.txt

# One profile for everything, so that dependencies are built once.
say "cargo fmt"
cargo fmt --check
say "cargo clippy"
cargo clippy --release --locked --all-targets -- -D warnings
say "release build"
cargo build --release --locked

logs=$(mktemp -d)
trap 'rm -rf "$logs"' EXIT
failed_steps=0

say "cargo test"
if ! cargo test --release --locked --no-fail-fast 2>&1 | tee "$logs/cargo"; then
    failed_steps=$((failed_steps + 1))
fi

say "pytest"
export SIMMER_BIN=${SIMMER_BIN:-${CARGO_TARGET_DIR:-$repo/target}/release/simmer}
if ! PYTHONDONTWRITEBYTECODE=1 .venv/bin/python -m pytest tests/oracle \
    -p no:cacheprovider -W error::pytest.PytestUnknownMarkWarning -ra \
    --junitxml="$logs/pytest.xml" 2>&1 | tee "$logs/pytest"; then
    failed_steps=$((failed_steps + 1))
fi

# Counts of both runners; an ignored Rust test counts as failed, as a skipped Python test does.
.venv/bin/python - "$logs" "$failed_steps" <<'PY'
import pathlib, re, sys
import xml.etree.ElementTree as tree

logs, failed_steps = pathlib.Path(sys.argv[1]), int(sys.argv[2])
rows = re.findall(
    r"^test result: \S+ (\d+) passed; (\d+) failed; (\d+) ignored", (logs / "cargo").read_text(), re.M
)
rust = [sum(int(row[i]) for row in rows) for i in range(3)]
print(f"\ncargo test: {rust[0]} passed, {rust[1]} failed, {rust[2]} ignored")
python = [0, 0, 0]
if (logs / "pytest.xml").exists():
    for case in tree.parse(logs / "pytest.xml").iter("testcase"):
        kinds = {child.tag for child in case}
        which = 1 if kinds & {"failure", "error"} else 2 if "skipped" in kinds else 0
        python[which] += 1
summary = [line for line in (logs / "pytest").read_text().splitlines() if line.startswith("=")]
print(f"pytest: {python[0]} passed, {python[1]} failed, {python[2]} skipped")
print(summary[-1] if summary else "pytest did not run")
passed, failed = rust[0] + python[0], rust[1] + rust[2] + python[1] + python[2]
if not rust[0] or not python[0]:
    print("a test runner ran no test")
    failed += 1
if failed_steps and not failed:
    # A runner can fail without a failed test, for example when a test does not compile.
    failed = failed_steps
print(f"{passed} passed, {failed} failed")
sys.exit(1 if failed else 0)
PY
