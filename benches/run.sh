#!/usr/bin/env bash
# The measures of speed, one after the other, on a machine that does nothing else; the stages alone are
# taken by `cargo bench --bench stages`.
# --quick (a few minutes): replay beside bare transforms and SciPy, latency, a short load, growth.
# --long (about an hour): the same with more rounds, 5000 pulses, ten minutes of load, 4 GB.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
case "${1:-}" in
--quick) rounds=(--quick) pulses=400 load=() grow=() ;;
--long) rounds=() pulses=5000 load=(--long) grow=(--long) ;;
*)
    echo "usage: bash benches/run.sh --quick|--long" >&2
    exit 64
    ;;
esac
if [ ! -x .venv/bin/python ]; then
    echo "no .venv: bash tests/run.sh makes the Python that is compared with" >&2
    exit 69
fi
grep -m1 'model name' /proc/cpuinfo || true
echo "$(nproc) cores"
bench() { # name, arguments
    printf '\n== %s\n' "$*"
    cargo bench --quiet --bench "$1" -- "${@:2}"
}
bench compare "${rounds[@]}"
bench latency --pulses "$pulses"
bench load "${load[@]}"
bench replay "${grow[@]}"
bench bubbles
