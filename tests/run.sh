#!/usr/bin/env bash
# All checks of the project, from a fresh clone: format, lints, Rust tests, release build, the quick
# calibration of what the tool promises, the outside oracle (pytest against SciPy), the live way in,
# example clients, the page alone and in Chromium. A step that cannot run is a failure, a skipped test
# as well.
# Needs Rust, Python 3.11 or later and Node 20 or later; what else is missing (Chromium, Octave, venv)
# is installed with apt, which wants Debian and root.
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

say "Chromium, Octave, node packages"
export DEBIAN_FRONTEND=noninteractive
if ! command -v chromium >/dev/null; then
    apt-get update -qq
    # With the fonts the page's layout is tested in.
    apt-get install -y -qq chromium fonts-liberation fonts-dejavu-core
fi
if ! command -v octave-cli >/dev/null ||
    ! ls /usr/share/octave/packages 2>/dev/null | grep -q instrument-control; then
    apt-get update -qq
    apt-get install -y -qq --no-install-recommends octave octave-instrument-control
fi
npm ci --prefix tests/page --silent --no-audit --no-fund

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

say "calibration"
if ! cargo test --release --locked --bench calibration -- --quick 2>&1 | tee "$logs/calibration"; then
    failed_steps=$((failed_steps + 1))
fi

say "pytest"
export SIMMER_BIN=${SIMMER_BIN:-${CARGO_TARGET_DIR:-$repo/target}/release/simmer}
for folder in oracle live clients report; do
    if ! PYTHONDONTWRITEBYTECODE=1 .venv/bin/python -m pytest "tests/$folder" --rootdir="tests/$folder" \
        -p no:cacheprovider -W error::pytest.PytestUnknownMarkWarning -ra \
        --junitxml="$logs/pytest-$folder.xml" 2>&1 | tee "$logs/pytest-$folder"; then
        failed_steps=$((failed_steps + 1))
    fi
done

say "page"
if ! node --test --test-reporter=tap web/test/*.mjs tests/page/*.test.mjs 2>&1 | tee "$logs/node"; then
    failed_steps=$((failed_steps + 1))
fi

# Counts of all runners; an ignored or skipped test counts as failed.
.venv/bin/python - "$logs" "$failed_steps" <<'PY'
import pathlib, re, sys
import xml.etree.ElementTree as tree

logs, failed_steps = pathlib.Path(sys.argv[1]), int(sys.argv[2])
rows = re.findall(
    r"^test result: \S+ (\d+) passed; (\d+) failed; (\d+) ignored", (logs / "cargo").read_text(), re.M
)
rust = [sum(int(row[i]) for row in rows) for i in range(3)]
print(f"\ncargo test: {rust[0]} passed, {rust[1]} failed, {rust[2]} ignored")
kept = [
    len(re.findall(rf"^ *\d+  .* {word}$", (logs / "calibration").read_text(), re.M))
    for word in ("met", "NOT MET")
]
print(f"calibration: {kept[0]} promises met, {kept[1]} not met")
python = [0, 0, 0]
for folder in ("oracle", "live", "clients", "report"):
    report, counts = logs / f"pytest-{folder}.xml", [0, 0, 0]
    for case in tree.parse(report).iter("testcase") if report.exists() else ():
        kinds = {child.tag for child in case}
        counts[1 if kinds & {"failure", "error"} else 2 if "skipped" in kinds else 0] += 1
    print(f"pytest tests/{folder}: {counts[0]} passed, {counts[1]} failed, {counts[2]} skipped")
    python = [a + b for a, b in zip(python, counts)]
    if not counts[0]:
        python[1] += 1
node = [
    sum(int(n) for n in re.findall(rf"^# {word} (\d+)$", (logs / "node").read_text(), re.M))
    for word in ("pass", "fail", "cancelled", "skipped", "todo")
]
print(f"node --test: {node[0]} passed, {node[1] + node[2]} failed, {node[3] + node[4]} skipped")
passed = rust[0] + kept[0] + python[0] + node[0]
failed = rust[1] + rust[2] + kept[1] + python[1] + python[2] + sum(node[1:])
if not rust[0] or not kept[0] or not python[0] or not node[0]:
    print("a test runner ran no test")
    failed += 1
if failed_steps and not failed:
    # A runner can fail without a failed test, for example when a test does not compile.
    failed = failed_steps
print(f"{passed} passed, {failed} failed")
sys.exit(1 if failed else 0)
PY
