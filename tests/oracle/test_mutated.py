"""Damaged files of every format: an end in words with an exit code of ours, in bounded memory and time."""

import collections
import subprocess

import numpy as np
import pytest

from conftest import binary
from make import Emission, configuration, record, write_config
from test_arrays import pulses, write_names
from test_formats import wav_bytes

# Address space of one run; thread stacks and the program itself are in it.
LIMIT_KIB = 512 << 10
EACH = 320


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
    ways = [f"check -c {path} --cues {names}", "check --sample-rate-hz 1e7 --frequency-hz 7e5"]
    for number in range(EACH):
        data = whole[number % len(whole)]
        # The first ones are whole: what is tested can be read at all.
        data = data if number < len(whole) else damaged(data, rng)
        (simmer.folder / f"{number}.{kind}").write_bytes(data)
    # One shell for all of them, with a bound of memory for each and 10 s. Every eighth is looked at
    # without a configuration.
    loop = f"""
ulimit -v {LIMIT_KIB}
export MALLOC_ARENA_MAX=1
for number in $(seq 0 {EACH - 1}); do
    way='{ways[0]}'
    if [ $((number % 8)) = 7 ]; then way='{ways[1]}'; fi
    timeout 10 {binary()} $way $number.{kind} >out.txt 2>$number.err
    echo "$number $? $(grep -c panicked $number.err) $(wc -c <$number.err)"
done
"""
    done = subprocess.run(["bash", "-c", loop], cwd=simmer.folder, capture_output=True, text=True, timeout=120, check=True)
    rows = [tuple(map(int, line.split())) for line in done.stdout.splitlines()]
    assert len(rows) == EACH
    codes = collections.Counter(code for _, code, _, _ in rows)
    for number, code, panics, told in rows:
        words = (simmer.folder / f"{number}.err").read_text(errors="replace")
        assert code in (0, 65) and panics == 0, f"{number}.{kind}: exit {code}\n{words}"
        assert code == 0 or told > 0, f"{number}.{kind}: exit {code} without a word"
        if number < len(whole):
            assert code == 0, words
    # Damage that is found and damage that does not matter, both in numbers.
    assert codes[65] > EACH / 4 and codes[0] > EACH / 10, codes
