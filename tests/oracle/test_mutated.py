"""Damaged files of every format: an end in words with an exit code of ours, in bounded memory and time."""

import collections
import copy
import json
import subprocess

import numpy as np
import pytest

from conftest import binary
from foreign import count
from make import Emission, configuration, record, write_config
from test_arrays import pulses, write_names
from test_formats import wav_bytes

# Address space of one run; thread stacks and the program itself are in it.
LIMIT_KIB = 512 << 10
LIMIT_S = 10
EACH = 1000


def run_bounded(folder, commands, at_once=2):
    """Exit code and standard error of each command line, run in the folder, each within its memory and time.

    A run that takes too long ends with 124, which is no exit code of ours."""
    loop = f"""
ulimit -v {LIMIT_KIB}
ulimit -c 0
export MALLOC_ARENA_MAX=1
while read -r number line; do
    timeout {LIMIT_S} '{binary()}' $line >/dev/null 2>$number.err </dev/null
    echo "$number $?"
done
"""
    shells = []
    for lane in range(at_once):
        lines = folder / f"lane-{lane}.txt"
        lines.write_text("".join(f"{n} {line}\n" for n, line in enumerate(commands) if n % at_once == lane))
        with lines.open() as told, (folder / f"codes-{lane}.txt").open("w") as codes:
            shells.append(subprocess.Popen(["bash", "-c", loop], cwd=folder, stdin=told, stdout=codes))
    ends = [shell.wait(timeout=600) for shell in shells]
    assert ends == [0] * at_once
    rows = [line.split() for lane in range(at_once) for line in (folder / f"codes-{lane}.txt").open()]
    codes = {int(number): int(code) for number, code in rows}
    assert sorted(codes) == list(range(len(commands)))
    return [(codes[n], (folder / f"{n}.err").read_text(errors="replace")) for n in range(len(commands))]


def check_ends(kind, ends, own_codes, whole=1):
    """Every end is in words and of our own; the first files are whole and are read. How often which code."""
    for number, (code, words) in enumerate(ends):
        assert code in own_codes and "panicked" not in words, f"{number}.{kind}: exit {code}\n{words}"
        assert code == 0 or words.strip(), f"{number}.{kind}: exit {code} without a word"
        assert code == 0 or number >= whole, words
        if number >= whole:
            count(kind, "damaged: read" if code == 0 else "damaged: refused")
    return collections.Counter(code for code, _ in ends)


def specimens(simmer, recording):
    """Whole files by format, small enough to be damaged often."""
    array = pulses(recording)[:, 0, :].astype("<i2")
    folder = simmer.folder
    np.save(folder / "c.npy", array)
    np.save(folder / "f.npy", np.asfortranarray(array))
    np.savez(folder / "s.npz", received=array)
    np.savez_compressed(folder / "d.npz", received=np.asfortranarray(array))
    read = lambda name: (folder / name).read_bytes()
    return {
        "wav": [wav_bytes(recording.counts, "i2", kind) for kind in ("RIFF", "RIFX", "RF64")],
        "npy": [read("c.npy"), read("f.npy")],
        "npz": [read("s.npz"), read("d.npz")],
    }


def damaged(data, rng):
    """One of the ways files are damaged; most of the damage where formats keep their numbers."""
    data = bytearray(data)
    kind = rng.integers(6)
    if kind == 0:
        return bytes(data[: rng.integers(len(data))])
    if kind == 1:
        return bytes(data[: rng.integers(min(400, len(data)))])
    ends = [int(rng.integers(min(160, len(data)))), len(data) - 1 - int(rng.integers(min(160, len(data))))]
    for _ in range(rng.integers(1, 6)):
        at = ends[0] if rng.integers(2) else ends[1]
        if kind == 2:
            data[at] = rng.integers(256)
        elif kind == 3:
            data[at : at + 4] = b"\xff" * len(data[at : at + 4])
        elif kind == 4:
            data[at : at + 8] = bytes(len(data[at : at + 8]))
        else:
            data[at] ^= 1 << rng.integers(8)
        ends = [int(rng.integers(min(160, len(data)))), len(data) - 1 - int(rng.integers(min(160, len(data))))]
    return bytes(data)


@pytest.mark.parametrize("kind", ["wav", "npy", "npz"])
def test_damaged_files_end_in_words_within_bounds(simmer, kind):
    config = configuration(drive__repetition_hz=10e6 / 26_000)
    recording = record(config, [Emission() for _ in range(2)], 121)
    names = write_names(recording, simmer.folder / "names.csv")
    if kind == "wav":
        cutting = {"cut_by": "repetition", "record_s": 2.5e-3, "first_pulse_s": 0.0}
        config = config | {"recordings": cutting}
    path = write_config(config, simmer.folder / "config.toml")
    rng = np.random.default_rng(122)
    whole = specimens(simmer, recording)[kind]
    # Every eighth is looked at without a configuration.
    ways = [f"check -c {path} --cues {names}"] * 7 + ["check --sample-rate-hz 1e7 --frequency-hz 7e5"]
    for number in range(EACH):
        data = whole[number % len(whole)]
        # The first ones are whole: what is tested can be read at all.
        data = data if number < len(whole) else damaged(data, rng)
        (simmer.folder / f"{number}.{kind}").write_bytes(data)
    ends = run_bounded(simmer.folder, [f"{ways[number % 8]} {number}.{kind}" for number in range(EACH)])
    codes = check_ends(kind, ends, (0, 65), len(whole))
    # Damage that is found and damage that does not matter, both in numbers.
    assert codes[65] > EACH / 4 and codes[0] > EACH / 10, codes
    for number in range(EACH):
        (simmer.folder / f"{number}.{kind}").unlink()


# What a value of metadata is put in place of: of another type, out of every bound, or nothing at all.
STRANGE = [
    None, True, "", "x", [], {}, [[]], 0, -1, 0.5, -0.0, 1e308, 2**31, 2**53, 2**63, 2**64, 2**70, "7", "NaN",
    "\x00", "ä" * 300, [None], {"core:sample_start": 0}, "../up", "2026-02-30T00:00:00Z",
]  # fmt: skip


def leaves(value, place=()):
    """Places of all values of some JSON, containers as well."""
    yield place
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield from leaves(inner, (*place, key))


def damaged_metadata(meta, rng):
    """Metadata as bytes with some values replaced or left out, or with damage to its text."""
    if rng.integers(3) == 0:
        return damaged(json.dumps(meta).encode(), rng)
    meta = copy.deepcopy(meta)
    for _ in range(rng.integers(1, 3)):
        places = [place for place in leaves(meta) if place]
        if not places:
            break
        *outer, last = places[rng.integers(len(places))]
        holder = meta
        for key in outer:
            holder = holder[key]
        if rng.integers(4) == 0:
            del holder[last]
        else:
            holder[last] = copy.deepcopy(STRANGE[rng.integers(len(STRANGE))])
    return json.dumps(meta).encode()


def test_damaged_sigmf_ends_in_words_within_bounds(simmer):
    config = configuration(receive__channels=2)
    recording = record(config, [Emission() for _ in range(2)], 123)
    path = write_config(config, simmer.folder / "config.toml")
    recording.write(simmer.folder / "whole")
    samples = (simmer.folder / "whole.sigmf-data").read_bytes()
    rng = np.random.default_rng(124)
    # Samples of several lengths, whole sets or not, which metadata takes for its own.
    lengths = [len(samples), len(samples) - 3, 4 * 26_000, 4 * 100 + 1, 0]
    for at, length in enumerate(lengths):
        (simmer.folder / f"samples-{at}").write_bytes(samples[:length])
    ends = len(recording.counts)
    captures = [
        {"core:sample_start": 0, "core:global_index": 1000, "core:datetime": "2026-05-04T09:30:00Z"},
        {"core:sample_start": ends // 2, "core:global_index": 10**6},
    ]
    for number in range(EACH):
        at = 0 if number == 0 or rng.integers(4) else int(rng.integers(len(lengths)))
        meta = recording.metadata(captures=captures, **{"core:dataset": f"samples-{at}", "core:trailing_bytes": 0})
        data = json.dumps(meta).encode() if number == 0 else damaged_metadata(meta, rng)
        (simmer.folder / f"{number}.sigmf-meta").write_bytes(data)
    ways = [f"check -c {path}"] * 7 + ["check --frequency-hz 7e5"]
    done = run_bounded(simmer.folder, [f"{ways[number % 8]} {number}.sigmf-meta" for number in range(EACH)])
    # 66: samples whose name was damaged are not there. 2: without a configuration, no rate is said any more.
    codes = check_ends("sigmf", done, (0, 2, 65, 66))
    assert codes[65] > EACH / 4 and codes[0] > EACH / 10, codes
