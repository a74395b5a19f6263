"""Files of MATLAB and HDF5 become SigMF: against scipy.io.loadmat and h5py, on files that these wrote and on
files that nobody here wrote."""

import collections
import json
import re
import warnings
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.io
import scipy.io.matlab

from foreign import count
from test_mutated import EACH, check_ends, run_bounded

RNG_SEED = 811
DTYPES = {"ri8": "i1", "ri16_le": "<i2", "ri16_be": ">i2", "ri32_le": "<i4", "rf32_le": "<f4", "rf64_le": "<f8"}


def read_back(base):
    """Metadata and samples × channels of a recording."""
    meta = json.loads(Path(f"{base}.sigmf-meta").read_text())
    told = meta["global"]
    data = np.fromfile(f"{base}.sigmf-data", dtype=DTYPES[told["core:datatype"]])
    return meta, data.reshape(-1, told["core:num_channels"])


def interleaved(array, axes):
    """An array of named axes as samples × channels, pulse after pulse, as the format's page has it."""
    for axis in ("pulses", "channels", "samples"):
        if axis not in axes:
            array, axes = array[..., None], [*axes, axis]
    order = [axes.index(axis) for axis in ("pulses", "samples", "channels")]
    turned = array.transpose(order)
    return turned.reshape(-1, turned.shape[2])


def save_v73(path, variables):
    """A file as MATLAB 7.3 writes it: a user block, axes in reverse, the class as an attribute."""
    names = {"float64": "double", "float32": "single"}
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, array in variables.items():
            array = np.atleast_2d(array)
            kept = file.create_dataset(name, data=array.T, chunks=True, compression="gzip", shuffle=True)
            kept.attrs["MATLAB_class"] = np.bytes_(names.get(array.dtype.name, array.dtype.name))
    head = b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(116) + bytes(8) + b"\x00\x02IM"
    with open(path, "r+b") as file:
        file.write(head)


WRITERS = {
    "v5": lambda path, variables: scipy.io.savemat(path, variables),
    "v7": lambda path, variables: scipy.io.savemat(path, variables, do_compression=True),
    "v73": save_v73,
}


def save_h5(path, variables):
    """Plain HDF5 with groups, chunked and contiguous."""
    with h5py.File(path, "w") as file:
        for at, (name, array) in enumerate(variables.items()):
            options = {"chunks": True, "compression": "gzip"} if at % 2 == 0 and np.ndim(array) else {}
            file.create_dataset(f"scan/{name}", data=array, **options)


def noise(dtype, shape, rng):
    """Numbers that fill a type."""
    if np.dtype(dtype).kind == "f":
        return rng.normal(size=shape).astype(dtype)
    told = np.iinfo(dtype)
    low, high = max(told.min, -(2**53)), min(told.max, 2**53)
    native = np.dtype(dtype).newbyteorder("=")
    return rng.integers(low, high, size=shape, dtype=native, endpoint=True).astype(dtype)


@pytest.mark.parametrize("kind", ["v5", "v7", "v73", "h5"])
def test_every_type_and_order_of_axes_comes_back_exactly(simmer, kind):
    rng = np.random.default_rng(RNG_SEED)
    types = ["i1", "u1", "<i2", ">i2", "u2", "i4", "u4", "i8", "u8", "f4", "f8"]
    orders = [
        ["pulses", "channels", "samples"], ["samples", "channels", "pulses"], ["channels", "samples", "pulses"],
        ["pulses", "samples"], ["samples", "pulses"], ["channels", "samples"], ["samples", "channels"], ["samples"],
        ["samples", "pulses", "channels"], ["pulses", "samples", "channels"], ["channels", "pulses", "samples"],
    ]
    lengths = {"pulses": 6, "channels": 3, "samples": 700}
    arrays = {f"x{at}": noise(dtype, [lengths[axis] for axis in orders[at]], rng) for at, dtype in enumerate(types)}
    arrays["drive"] = np.linspace(0.1, 0.6, 6)
    path = simmer.folder / f"x.{'h5' if kind == 'h5' else 'mat'}"
    (WRITERS.get(kind) or save_h5)(path, arrays)
    group = "scan/" if kind == "h5" else ""
    for at, axes in enumerate(orders):
        expected = interleaved(arrays[f"x{at}"], axes)
        # MATLAB has no axis fewer than two; axes of one number may be left out of --axes.
        options = ["--axes", ",".join(axes), "--sample-rate-hz", "2e7", "--volts-per-count", "1e-4"]
        if "pulses" in axes:
            options += ["--drive-mpa", f"{group}drive", "--stage", "exposure", "--repetition-hz", "5"]
        base = simmer.folder / f"out-{at}"
        simmer.run("import", path, "--variable", f"{group}x{at}", *options, "--out", base)
        meta, data = read_back(base)
        assert meta["global"]["core:sample_rate"] == 2e7
        assert meta["global"]["simmer:volts_per_count"] == [1e-4] * expected.shape[1]
        np.testing.assert_array_equal(data.astype(expected.dtype.newbyteorder("=")), expected, strict=False)
        assert data.shape == expected.shape
        marks = meta["annotations"]
        assert len(marks) == (6 if "pulses" in axes else 0)
        for number, mark in enumerate(marks):
            assert mark["simmer:drive_mpa"] == arrays["drive"][number]
            assert (mark["core:sample_start"], mark["core:sample_count"]) == (700 * number, 700)
            assert (mark["simmer:pulse"], mark["simmer:stage"]) == (number, "exposure")
        starts = [capture["core:global_index"] for capture in meta["captures"]]
        assert starts == ([4_000_000 * number for number in range(6)] if marks else [0])
    assert not list(simmer.folder.glob("*.part"))


@pytest.mark.parametrize("kind", ["v5", "v7", "v73"])
def test_variables_are_shown_and_the_time_axis_gives_the_rate(simmer, kind):
    rng = np.random.default_rng(RNG_SEED + 1)
    counts = rng.integers(-8000, 8000, size=(30, 2000)).astype(float)
    time = np.arange(2000) / 20e6 - 1e-5
    variables = {"received": counts, "t": time, "t_us": (time * 1e6).astype("f4"), "drive": np.full(30, 0.3), "fs": 20e6}
    WRITERS[kind](simmer.folder / "scope.mat", variables)
    shown = simmer.run("import", "scope.mat").stdout
    assert re.search(r"received: 30 × 2000, double.*480000 bytes|received: 30 × 2000, double kept as int16, 120000 bytes", shown), shown
    assert re.search(r"  t: 1 × 2000, .*steps of 5\S*e-8 from -1e-5: likely a time axis, 2e7 Hz if in s\n", shown), shown
    assert re.search(r"  t_us: .*likely a time axis, 2e7 Hz if in us\n", shown), shown
    assert "value 20000000" in shown
    assert {path.name for path in simmer.folder.iterdir()} == {"scope.mat"}
    # Nothing is written before the person says where, and nothing over what is there.
    options = ["--variable", "received", "--drive-mpa", "drive", "--stage", "baseline", "--volts-per-count", "6.1e-5"]
    simmer.run("import", "scope.mat", *options, "--time", "t")
    assert {path.name for path in simmer.folder.iterdir()} == {"scope.mat"}
    for name in ("t", "t_us"):
        done = simmer.run("import", "scope.mat", *options, "--time", name, "--out", f"out-{name}")
        assert "pulses × samples (the longest axis is samples, 30 pulses are named)" in done.stdout
        assert "integer data kept as doubles" in done.stderr or "kept as int16" in done.stdout
        meta, data = read_back(simmer.folder / f"out-{name}")
        assert meta["global"]["core:sample_rate"] == 20e6
        assert meta["global"]["core:datatype"] == "ri16_le"
        np.testing.assert_array_equal(data[:, 0], counts.reshape(-1))
    again = simmer.run("import", "scope.mat", *options, "--time", "t", "--out", "out-t", code=73)
    assert "out-t.sigmf-meta: is there already" in again.stderr


def test_pulses_by_a_list(simmer):
    rng = np.random.default_rng(RNG_SEED + 2)
    volts = rng.normal(size=(2, 5000))
    rows = rng.normal(size=(3, 900))
    scipy.io.savemat(simmer.folder / "x.mat", {"long": volts, "rows": rows}, do_compression=True)
    (simmer.folder / "places.csv").write_text(
        "start_sample,sample_count,pulse,drive_mpa,stage\n100,400,1,0.2,baseline\n2000,400,2,0.3,exposure\n"
    )
    (simmer.folder / "names.csv").write_text("pulse,drive_mpa,stage\n5,0.2,noise\n6,0.3,baseline\n7,,exposure\n")
    say = ["--sample-rate-hz", "1e7", "--cues"]
    done = simmer.run("import", "x.mat", "--variable", "long", *say, "places.csv", "--out", "long")
    assert "channels × samples (the longest axis is samples, the list says where pulses lie)" in done.stdout
    meta, data = read_back(simmer.folder / "long")
    np.testing.assert_array_equal(data, np.concatenate([volts[:, 100:500], volts[:, 2000:2400]], axis=1).T)
    assert [mark["simmer:stage"] for mark in meta["annotations"]] == ["baseline", "exposure"]
    assert [capture["core:global_index"] for capture in meta["captures"]] == [100, 2000]
    simmer.run("import", "x.mat", "--variable", "rows", *say, "names.csv", "--out", "rows")
    meta, data = read_back(simmer.folder / "rows")
    np.testing.assert_array_equal(data[:, 0], rows.reshape(-1))
    assert [mark["simmer:pulse"] for mark in meta["annotations"]] == [5, 6, 7]


@pytest.mark.parametrize("kind", ["v5", "v7"])
def test_refusals_name_what_and_why(simmer, kind):
    variables = {
        "z": np.ones((3, 90)) * 1j, "text": "abc", "s": {"a": 1}, "c": np.array([1, "x"], dtype=object),
        "sp": scipy.sparse.eye_array(9).tocsc(), "yes": np.array([True, False]), "no": np.zeros((0, 4)),
        "x": np.ones((4, 90)) / 3, "nan": np.array([0.1, np.nan, 2.0]), "far": np.array([2**60, 1, 2], dtype="i8"),
        "whole": np.arange(90) ** 2, "t": np.arange(90) * 5e-6,
    }
    WRITERS[kind](simmer.folder / "x.mat", variables)
    rate = ["--sample-rate-hz", "1e7", "--out", "out"]
    for name, word in {
        "z": "complex", "text": "char", "s": "struct", "c": "cell", "sp": "sparse", "yes": "logical", "no": "empty",
    }.items():
        told = simmer.run("import", "x.mat", "--variable", name, *rate, code=65).stderr
        assert f'variable "{name}"' in told and word in told
    for options, code, word in [
        (["--variable", "q", *rate], 65, "no variable \"q\""),
        (["--variable", "x", *rate], 2, "pulses or channels"),
        (["--variable", "x", "--out", "out"], 2, "nothing says the sample rate"),
        (["--variable", "x", "--time", "t", "--out", "out"], 2, "--time-unit"),
        (["--variable", "x", "--time", "whole", "--out", "out"], 65, "equal steps"),
        (["--variable", "x", "--axes", "pulses,samples", *rate], 65, "--stage"),
        (["--variable", "x", "--axes", "pulses,samples", "--stage", "noise", "--drive-mpa", "nan", *rate], 65, "3 pulses are named"),
        (["--variable", "x", "--axes", "pulses,pulses", *rate], 2, "twice"),
        (["--variable", "far", *rate, "--volts-per-count", "1"], 65, "2^53"),
        (["--variable", "whole", *rate], 65, "--volts-per-count"),
        (["--out", "out"], 2, "say which variable"),
    ]:
        # A drive that is not finite is refused before its count is looked at.
        told = simmer.run("import", "x.mat", *options, code=None)
        if "nan" in options:
            assert told.returncode == 65 and "nan[1] is NaN" in told.stderr
            continue
        assert told.returncode == code and word in told.stderr, (options, told.stderr)
    assert {path.name for path in simmer.folder.iterdir()} == {"x.mat"}
    assert "not found" in simmer.run("import", "y.mat", code=66).stderr
    assert "simmer import" in simmer.run("check", "x.mat", "--sample-rate-hz", "1e7", "--frequency-hz", "7e5", code=65).stderr


def by_scipy(path):
    """Variables as scipy reads them; an empty table and the reason when it does not."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return scipy.io.loadmat(path, squeeze_me=False, mat_dtype=False), None
        except Exception as error:  # whatever it is, it is scipy's reason
            return {}, f"{type(error).__name__}: {error}"


def convert(simmer, path, name, array, counts):
    """A real array of a foreign file: equal to what the other reader has of it, sample by sample."""
    base = simmer.folder / f"equal-{sum(counts.values())}"
    axes = ["pulses", "channels", "samples"][-max(1, sum(n != 1 for n in array.shape)):]
    say = ["--variable", name, "--sample-rate-hz", "1e7", "--volts-per-count", "1", "--stage", "noise"]
    done = simmer.run("import", path, *say, "--axes", ",".join(axes), "--out", base, code=None)
    if array.size <= 1 or sum(n != 1 for n in array.shape) > 3:
        assert done.returncode == 2
        counts["one number, or too many axes"] += 1
        return
    assert done.returncode == 0, f"{path}\n{done.stderr}"
    plain = array.reshape([n for n in array.shape if n != 1])
    np.testing.assert_array_equal(read_back(base)[1], interleaved(plain, axes))
    counts["equal"] += 1


def lines(shown):
    """What is shown of each variable, by its name."""
    return dict(re.match(r"  (.+?): (.*)", line).groups() for line in shown.splitlines() if line.startswith("  "))


def test_scipys_own_files_are_equal_or_refused_by_name(simmer, capsys):
    files = sorted((Path(scipy.io.matlab.__file__).parent / "tests" / "data").glob("*.mat"))
    assert len(files) >= 100
    counts, refused = collections.Counter(), collections.Counter()
    for path in files:
        theirs, reason = by_scipy(path)
        done = simmer.run("import", path, code=None)
        if done.returncode != 0:
            assert done.returncode == 65 and done.stderr.strip(), path
            if path.name.startswith("testhdf5"):
                # A form of before HDF5 1.8: h5py reads it, we refuse it, and say so.
                assert "before HDF5 1.8" in done.stderr
                refused["file: HDF5 before 1.8"] += 1
                count("mat", "refused with the reason")
                continue
            known = re.search(r"level 4|damaged|more than|neither a MATLAB", done.stderr)
            assert known, done.stderr
            # What scipy reads and we do not is of level 4 alone.
            assert known.group() == "level 4" or reason, f"{path}: scipy reads it\n{done.stderr}"
            refused["file: " + known.group()] += 1
            count("mat", "refused with the reason")
            continue
        for name, shown in lines(done.stdout).items():
            if "; not read: " in shown:
                refused["variable: " + shown.split("; not read: ")[1]] += 1
                told = simmer.run("import", path, "--variable", name, "--sample-rate-hz", "1", "--out", "no", code=65)
                assert "variable" in told.stderr
                count("mat", "refused with the reason")
                continue
            if name.startswith("(without name"):
                counts["without name"] += 1
                continue
            if reason:
                # scipy gives up the whole file for one variable, or for a name; we read the others.
                told = simmer.run("import", path, "--variable", name, "--sample-rate-hz", "1", code=None)
                assert told.returncode in (0, 2, 65)
                counts["scipy refuses the file, we " + ("read it" if told.returncode != 65 else "refuse it")] += 1
                continue
            assert name in theirs, f"{path}: {name}: scipy has {list(theirs)}"
            convert(simmer, path, name, theirs[name], counts)
        # Nothing that scipy shows is missing.
        ours = lines(done.stdout)
        missing = [name for name in theirs if not name.startswith("__") and name not in ours]
        assert not missing, f"{path}: {missing}\n{done.stdout}"
    with capsys.disabled():
        print(f"\n{len(files)} files of scipy: {dict(counts)}; refused: {dict(refused)}")
    count("mat", "read equal", counts["equal"])
    assert counts["equal"] >= 20


def test_h5pys_own_files_are_equal_or_refused_by_name(simmer, capsys):
    files = sorted((Path(h5py.__file__).parent / "tests" / "data_files").glob("*.h5"))
    assert files
    counts, refused = collections.Counter(), collections.Counter()
    for path in files:
        done = simmer.run("import", path, code=None)
        assert done.returncode in (0, 65)
        with h5py.File(path) as file:
            theirs = {}
            file.visititems(lambda name, item: theirs.update({name: item}) if isinstance(item, h5py.Dataset) else None)
            ours = lines(done.stdout)
            assert set(ours) == set(theirs), f"{path}\n{done.stdout}{done.stderr}"
            for name, shown in ours.items():
                if "; not read: " in shown:
                    refused[shown.split("; not read: ")[1]] += 1
                else:
                    convert(simmer, path, name, theirs[name][()], counts)
    with capsys.disabled():
        print(f"\n{len(files)} files of h5py: {dict(counts)}; refused: {dict(refused)}")


def mutated(data, rng, near):
    """One of the ways files are damaged."""
    data = bytearray(data)
    if rng.integers(6) == 0:
        return bytes(data[: rng.integers(len(data))])
    for _ in range(rng.integers(1, 8)):
        # Half of the damage near the beginning, where formats keep their numbers.
        at = int(rng.integers(len(data) if rng.integers(2) else min(near, len(data))))
        kind = rng.integers(4)
        if kind == 0:
            data[at] = rng.integers(256)
        elif kind == 1:
            data[at : at + 4] = b"\xff" * len(data[at : at + 4])
        elif kind == 2:
            data[at : at + 8] = bytes(len(data[at : at + 8]))
        else:
            data[at] ^= 1 << rng.integers(8)
    return bytes(data)


@pytest.mark.parametrize("kind", ["v5", "v7", "v73", "h5"])
def test_damaged_files_end_in_words_within_bounds(simmer, kind, capsys):
    rng = np.random.default_rng(RNG_SEED + 3)
    variables = {"received": rng.integers(-99, 99, size=(4, 300)).astype("i2"), "t": np.arange(300) * 5e-8, "fs": 2e7}
    suffix = "h5" if kind == "h5" else "mat"
    (WRITERS.get(kind) or save_h5)(simmer.folder / f"whole.{suffix}", variables)
    whole = (simmer.folder / f"whole.{suffix}").read_bytes()
    # Level 5 keeps no sum of plain numbers: damage there is only found in heads.
    near = 400 if kind == "v5" else 2048
    for number in range(EACH):
        # The first one is whole: what is tested can be read at all.
        data = whole if number == 0 else mutated(whole, rng, near)
        (simmer.folder / f"{number}.{suffix}").write_bytes(data)
    name = "scan/received" if kind == "h5" else "received"
    options = f"--variable {name} --axes pulses,samples --sample-rate-hz 2e7 --volts-per-count 1 --stage noise"
    # Of every fourth the variables are only shown.
    ways = [f"{options} --out {number}" if number % 4 != 3 else "" for number in range(EACH)]
    ends = run_bounded(simmer.folder, [f"import {number}.{suffix} {ways[number]}" for number in range(EACH)])
    # 2: axes of a shape that damage has changed.
    codes = check_ends("h5" if kind == "h5" else "mat", ends, (0, 2, 65))
    for number, (code, words) in enumerate(ends):
        if code == 0 and ways[number]:
            assert (simmer.folder / f"{number}.sigmf-meta").exists()
        else:
            assert not (simmer.folder / f"{number}.sigmf-data").exists(), words
    assert not list(simmer.folder.glob("*.part"))
    assert codes[65] > EACH / 4 and codes[0] > EACH / 20, codes
    failed = sum("the HDF5 reader" in words for _, words in ends)
    with capsys.disabled():
        print(f"\n{EACH} damaged files, {kind}: exit codes {dict(codes)}, reader itself died: {failed}")
