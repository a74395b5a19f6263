"""Files of other makes: each is read to the same numbers as its own reader has of it, or refused by a reason that
names what it is."""

import collections
import re
import sqlite3
import subprocess
import warnings
import wave
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.io
import sigmf
import sigmf.validate
from sigmf.convert.wav import wav_to_sigmf

from conftest import REPO, binary
from foreign import count, npm_package, sdist
from make import FORMATS, Emission, configuration, format_changes, record, write_config
from test_arrays import as_recording, write_names
from test_formats import spectra_agree, wav_recording, write_cues
from test_import import read_back
from test_mutated import LIMIT_KIB, LIMIT_S

REFUSED = "refused with the reason"


def bounded(simmer, *args):
    """Runs a command in bounded memory and time; its exit code is one of its own, and no panic is told."""
    limits = f'ulimit -v {LIMIT_KIB}; ulimit -c 0; MALLOC_ARENA_MAX=1 exec timeout {LIMIT_S} "$@"'
    command = ["bash", "-c", limits, "bash", binary(), *args]
    done = subprocess.run(list(map(str, command)), cwd=simmer.folder, capture_output=True, text=True, check=False)
    told = f"{args}: exit {done.returncode}\n{done.stderr}"
    assert done.returncode in (0, 2, 65, 66, 78) and "panicked" not in done.stderr, told
    assert done.returncode == 0 or done.stderr.strip(), args
    return done


def numbers_in_its_type(data, dtype):
    """Samples as written, in the type they came from; that both types hold the numbers is asserted."""
    back = data.astype(dtype.newbyteorder("="))
    assert np.array_equal(back.astype(data.dtype), data, equal_nan=data.dtype.kind == "f")
    return back


def check_imported(simmer, path, name, array, reason=None):
    """A variable of one to three axes, as pulses, channels and samples: its numbers bit for bit.

    With a reason it may be refused by it. Whether it was read."""
    base = simmer.folder / f"imported-{len(list(simmer.folder.iterdir()))}"
    axes = ["pulses", "channels", "samples"]
    say = ["--axes", ",".join(axes[:: 2] if array.ndim == 2 else axes[-array.ndim :])]
    say += ["--stage", "noise"] if array.ndim > 1 else []
    say += ["--sample-rate-hz", "1e7", "--volts-per-count", "1", "--out", base]
    done = bounded(simmer, "import", path, "--variable", name, *say)
    if reason and done.returncode == 65:
        assert re.search(reason, done.stderr) and not Path(f"{base}.sigmf-meta").exists(), done.stderr
        return False
    assert done.returncode == 0, f"{path}: {name}\n{done.stderr}"
    meta, data = read_back(base)
    cube = array.reshape([1] * (3 - array.ndim) + list(array.shape)) if array.ndim != 2 else array[:, None, :]
    expected = cube.transpose(0, 2, 1).reshape(-1, cube.shape[1])
    got = numbers_in_its_type(data, array.dtype)
    plain = np.ascontiguousarray(expected.astype(got.dtype))
    assert got.shape == plain.shape and got.tobytes() == plain.tobytes(), f"{path}: {name} is misread"
    assert len(meta["annotations"]) == (array.shape[0] if array.ndim > 1 else 0)
    return True


# --- HDF5 ------------------------------------------------------------------------------------------------


def why_not(dataset):
    """What of a dataset is no array of plain numbers, as simmer has to say it; None where it is one."""
    dtype = dataset.dtype
    if dataset.shape is None:
        # A dataspace without elements. That it is empty is not said yet, only that it has no numbers to read.
        return "empty|damaged: .*shape"
    if h5py.check_vlen_dtype(dtype) or (told := h5py.check_string_dtype(dtype)) and told.length is None:
        return "elements of different lengths"
    if dtype.subdtype:
        return "arrays as its elements"
    if dtype.names or dtype.kind == "c":
        return r"compound \(complex, or a table\)"
    if dtype.kind == "b" or h5py.check_enum_dtype(dtype):
        return "enumeration"
    if dtype.kind in "SO" or h5py.check_ref_dtype(dtype):
        return "text|reference"
    return "16-bit" if dtype == np.float16 else None


def shown_shape(dataset):
    """A shape as the list of variables has it."""
    return " × ".join(map(str, dataset.shape)) if dataset.shape else "one number"


def datasets(file):
    """Every dataset of an open file by its name."""
    held = {}
    file.visititems(lambda name, item: held.update({name: item}) if isinstance(item, h5py.Dataset) else None)
    return held


def hdf5_files():
    """The files that h5py's wheel and npm's h5wasm carry for their own tests."""
    own = sorted((Path(h5py.__file__).parent / "tests" / "data_files").glob("*.h5"))
    return own + sorted((npm_package("h5wasm") / "test").glob("*.h5"))


def test_hdf5_files_are_equal_bit_for_bit_or_refused_by_name(simmer, capsys):
    files, equal, refused = hdf5_files(), 0, collections.Counter()
    assert len(files) == 8
    for path in files:
        shown = bounded(simmer, "import", path)
        with h5py.File(path) as file:
            held = datasets(file)
            ours = dict(re.findall(r"^  (.+?): (.*)$", shown.stdout, re.M))
            assert set(ours) == set(held), f"{path}\n{shown.stdout}"
            for name, dataset in held.items():
                told, reason = ours[name], why_not(dataset)
                assert told.startswith(shown_shape(dataset) + ", "), f"{path}: {name}: {told}"
                if reason is None:
                    check_imported(simmer, path, name, dataset[()])
                    equal += 1
                    continue
                say = ["--sample-rate-hz", "1e7", "--volts-per-count", "1", "--out", "no"]
                done = bounded(simmer, "import", path, "--variable", name, *say)
                assert done.returncode == 65 and name in done.stderr
                assert re.search(reason, told) and re.search(reason, done.stderr), f"{path}: {name}: {done.stderr}"
                refused[reason] += 1
    assert not list(simmer.folder.glob("no.*"))
    with capsys.disabled():
        print(f"\n{len(files)} HDF5 files: {equal} datasets equal; refused: {dict(refused)}")
    count("h5", "read equal", equal)
    count("h5", REFUSED, sum(refused.values()))
    # Of h5wasm gzip, shuffled gzip, scale-offset and szip, big-endian and 64-bit numbers; of h5py four kinds.
    assert (equal, sum(refused.values())) == (10, 17)


def allocated_early(file, name, array, maxshape=None):
    """Writes chunks that lie one after another without any index, which h5py only reaches by HDF5's own calls."""
    kept = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    kept.set_chunk((4, 300))
    kept.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
    space, group = h5py.h5s.create_simple(array.shape, maxshape), file.require_group(Path(name).parent.as_posix())
    h5py.h5d.create(group.id, Path(name).name.encode(), h5py.h5t.py_create(array.dtype), space, kept)
    file[name][...] = array


# How a dataset may be laid out, as HDF5 names the index of its chunks; datasets with a fixed array, or allocated
# early, may grow up to a bound.
LAYOUTS = {
    "contiguous": {},
    "chunked": {"chunks": (4, 300)},
    "single chunk": {"chunks": (6, 700), "compression": "gzip"},
    "many chunks": {"chunks": (1, 7), "compression": "gzip", "shuffle": True},
    "checked": {"chunks": (4, 300), "fletcher32": True},
    "szip": {"chunks": (4, 300), "compression": "szip"},
    "lzf": {"chunks": (4, 300), "compression": "lzf"},
    "extensible array": {"chunks": (1, 7), "maxshape": (None, 700)},
    "extensible array within a bound": {"chunks": (1, 7), "maxshape": (None, 900)},
    "b-tree": {"chunks": (1, 7), "maxshape": (None, None), "compression": "gzip"},
    "fixed array that may grow along pulses": {"chunks": (4, 300), "maxshape": (60, 700)},
    "fixed array that may grow along samples": {"chunks": (4, 300), "maxshape": (6, 7000)},
    "allocated early": {"early": True},
    "allocated early that may grow along samples": {"early": True, "maxshape": (6, 7000)},
}
# What may be refused, by a word of the reason; whatever is read is equal.
MAY_BE_REFUSED = {"lzf": "unsupported filter", "that may grow along samples": "grow|chunk|larger"}
# Formats of the file by the oldest library that reads it and the newest whose forms it may use.
AGES = [None, ("earliest", "v108"), ("v108", "v108"), ("v110", "v110"), ("v112", "v112"), ("latest", "latest")]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_hdf5_of_every_age_and_layout_is_equal_bit_for_bit_or_refused_by_name(simmer, layout):
    rng, how = np.random.default_rng(131), dict(LAYOUTS[layout])
    reason = next((told for word, told in MAY_BE_REFUSED.items() if word in layout), None)
    early = how.pop("early", False)
    for at, age in enumerate(AGES):
        path = simmer.folder / f"age-{at}.h5"
        kinds = {"f8": rng.normal(size=(6, 700)), "i2": rng.integers(-9000, 9000, (6, 700)).astype(">i2")}
        with h5py.File(path, "w", libver=age, track_order=at % 2 == 1) as file:
            for name, array in kinds.items():
                if early:
                    allocated_early(file, f"scan/{name}", array, **how)
                else:
                    file.create_dataset(f"scan/{name}", data=array, **how)
            if not early:
                # Two of six pulses are written, one chunk of them in part; the others are the fill value.
                part = file.create_dataset("scan/part", (6, 700), "f4", fillvalue=0.25, **how)
                part[1:3, :650] = kinds["f8"][1:3, :650]
            file["other name"] = file["scan/f8"]
        with h5py.File(path) as file:
            held = {f"scan/{name}": dataset[()] for name, dataset in file["scan"].items()}
        for name, array in held.items():
            read = check_imported(simmer, path, name, array, reason)
            count("h5", "read equal" if read else REFUSED)


def test_hdf5_whose_numbers_lie_in_other_files_opens_none_of_them(simmer):
    array = np.random.default_rng(135).normal(size=(6, 700))
    other, path = simmer.folder / "other.h5", simmer.folder / "views.h5"
    with h5py.File(other, "w") as file:
        file["x"] = array
    with h5py.File(path, "w") as file:
        file["own"], file["linked"] = array, h5py.ExternalLink("other.h5", "x")
        file.create_dataset("outside", array.shape, "f8", external=[(simmer.folder / "raw.bin", 0, array.nbytes)])
        file["outside"][...] = array
    assert np.array_equal(np.fromfile(simmer.folder / "raw.bin"), array.ravel())
    say = ["--axes", "pulses,samples", "--sample-rate-hz", "1e7", "--stage", "noise", "--out", "no"]
    for name, word in {"linked": 'no variable "linked"; there are', "outside": "external raw data file"}.items():
        done = bounded(simmer, "import", path, "--variable", name, *say)
        assert done.returncode == 65 and word in done.stderr, done.stderr
        count("h5", REFUSED)
    check_imported(simmer, path, "own", array)
    count("h5", "read equal")
    with h5py.File(simmer.folder / "virtual.h5", "w") as file:
        view = h5py.VirtualLayout(shape=array.shape, dtype="f8")
        view[:] = h5py.VirtualSource("other.h5", "x", shape=array.shape)
        file.create_virtual_dataset("view", view)
    done = bounded(simmer, "import", "virtual.h5", "--variable", "view", *say)
    assert done.returncode == 65 and "view" in done.stderr and "unsupported layout" in done.stderr, done.stderr
    count("h5", REFUSED)
    assert not list(simmer.folder.glob("no.*"))


# --- SigMF -----------------------------------------------------------------------------------------------


def write_wav(path, counts, tail=b""):
    """A WAV file by Python's own writer, with bytes after its samples where asked for."""
    with wave.open(str(path), "wb") as out:
        out.setnchannels(counts.shape[1])
        out.setsampwidth(counts.dtype.itemsize)
        out.setframerate(10_000_000)
        out.writeframes(counts.tobytes())
    with path.open("ab") as out:
        out.write(tail)


# Before it knows of bytes around the samples the library warns that they are no whole samples.
AROUND = pytest.mark.filterwarnings("ignore:Data source does not contain an integer number of samples")


@AROUND
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("name", ["ri8", "ri16_le", "ri32_le"])
def test_what_the_sigmf_converter_makes_of_wav_reads_equal(simmer, name, channels):
    config = configuration(receive__channels=channels, **format_changes(name))
    recording = record(config, [Emission(broadband_v=5e-3) for _ in range(2)], 132)
    counts = recording.counts.astype(FORMATS[name][0])
    source = simmer.folder / "source.wav"
    write_wav(source, counts, b"LIST\x04\0\0\0INFO")
    path = write_config(config, simmer.folder / "config.toml")
    cues = write_cues(recording, simmer.folder / "cues.csv")
    wav_to_sigmf(source, simmer.folder / "pair")
    # The metadata alone, over the WAV file as it is: bytes before and after the samples.
    around = wav_to_sigmf(source, simmer.folder / "around", create_ncd=True)
    assert around.get_captures()[0]["core:header_bytes"] == 44 and around.get_global_field("core:trailing_bytes") == 12
    for base in ("pair", "around"):
        meta = simmer.folder / f"{base}.sigmf-meta"
        theirs = sigmf.fromfile(meta, autoscale=False).read_samples()
        assert np.array_equal(np.ravel(theirs)[: counts.size], counts.ravel())
        session = simmer.replay(path, meta, options=["--spectra", "--cues", cues])
        spectra_agree(session, recording)
        count("sigmf", "read equal")
    wav_to_sigmf(source, simmer.folder / "whole", create_archive=True)
    done = bounded(simmer, "check", "-c", path, "whole.sigmf")
    assert done.returncode == 65 and "is a SigMF archive, which is not read; unpack it first" in done.stderr
    count("sigmf", REFUSED)


@AROUND
@pytest.mark.parametrize("name", FORMATS)
def test_captures_with_heads_of_their_own_and_jumps_read_as_the_library_reads_them(simmer, name):
    config = configuration(receive__channels=2, **format_changes(name))
    recording = record(config, [Emission(broadband_v=5e-3) for _ in range(3)], 133)
    counts = np.ascontiguousarray(recording.counts).astype(FORMATS[name][0])
    second, third = recording.pulses[1]["start"], recording.pulses[2]["start"]
    parts = [(b"head", counts[:second]), (b"another head", counts[second:third]), (b"", counts[third:])]
    data = simmer.folder / "parts.sigmf-data"
    data.write_bytes(b"".join(head + part.tobytes() for head, part in parts) + b"tail!")
    file = sigmf.SigMFFile(global_info={
        "core:datatype": name, "core:sample_rate": 10_000_000, "core:num_channels": 2, "core:trailing_bytes": 5,
        "core:extensions": [{"name": "simmer", "version": "1.0.0", "optional": True}],
    })  # fmt: skip
    file.set_data_file(data_file=data, skip_checksum=True)
    # The stream's own index: 5 s and 7 s pass between the captures.
    for start, index, head in ((0, 1000, 4), (second, 50_000_000, 12), (third, 120_000_000, 0)):
        file.add_capture(start, metadata={"core:global_index": index, "core:header_bytes": head})
    for pulse in recording.pulses:
        note = recording.annotation(pulse)
        start, length = note.pop("core:sample_start"), note.pop("core:sample_count")
        file.add_annotation(start, length=length, metadata=note)
    file.validate()
    file.tofile(simmer.folder / "parts.sigmf-meta")
    read = sigmf.fromfile(simmer.folder / "parts.sigmf-meta", autoscale=False, skip_checksum=True)
    for at, (_, part) in enumerate(parts):
        # The library gives every datatype in single precision.
        assert np.array_equal(read.read_samples_in_capture(at), part.astype("f4"))
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, simmer.folder / "parts.sigmf-meta", options=["--spectra"])
    spectra_agree(session, recording)
    # Session time begins with the recording, whose first sample has the index 1000; triggers lie 5000 samples on.
    times = [session.number(pulse, "time_s") for pulse in range(3)]
    assert np.diff(times) == pytest.approx([(50_000_000 - 1000) / 1e7, 7.0], rel=0, abs=1e-9)
    count("sigmf", "read equal")


@pytest.mark.parametrize(
    ("name", "word"),
    [(f"c{kind}_le", "complex") for kind in ("f32", "f64", "i16", "i32", "u16")]
    + [("ci8", "complex"), ("cu8", "complex"), ("ru8", "unsigned"), ("ru16_le", "unsigned"), ("ru32_be", "unsigned")]
    + [(name, "is not read") for name in ("ri32_be", "rf32_be", "rf64_be")],
)
def test_other_datatypes_of_the_format_are_refused_by_name(simmer, name, word):
    data = simmer.folder / "other.sigmf-data"
    data.write_bytes(bytes(16 * 1000))
    file = sigmf.SigMFFile(data_file=data, global_info={"core:datatype": name, "core:sample_rate": 10_000_000})
    file.add_capture(0)
    file.validate()
    file.tofile(simmer.folder / "other.sigmf-meta")
    done = bounded(simmer, "check", "--frequency-hz", "7e5", "other.sigmf-meta")
    assert done.returncode == 65 and f'core:datatype is "{name}"' in done.stderr and word in done.stderr
    count("sigmf", REFUSED)


def test_what_import_writes_passes_the_validator_and_reads_back(simmer):
    rng = np.random.default_rng(134)
    arrays = {
        "i1": rng.integers(-99, 99, (4, 3, 500)).astype("i1"),
        "i2": rng.integers(-9000, 9000, (4, 3, 500)).astype("i2"),
        "i4": rng.integers(-(2**30), 2**30, (4, 3, 500)).astype("i4"), "f4": rng.normal(size=(4, 3, 500)).astype("f4"),
        "f8": rng.normal(size=(4, 3, 500)),
    }  # fmt: skip
    scipy.io.savemat(simmer.folder / "all.mat", arrays, do_compression=True)
    for name, array in arrays.items():
        say = ["--axes", "pulses,channels,samples", "--sample-rate-hz", "2e7", "--volts-per-count", "1e-4"]
        say += ["--stage", "exposure", "--drive-mpa", "0.3", "--repetition-hz", "5"]
        simmer.run("import", "all.mat", "--variable", name, *say, "--out", name)
        meta = simmer.folder / f"{name}.sigmf-meta"
        with warnings.catch_warnings():
            # An extension that is used and not declared is only a warning, yet.
            warnings.simplefilter("error")
            sigmf.validate.main((str(meta),))
            read = sigmf.fromfile(meta, autoscale=False)
        read.validate()
        assert read.calculate_hash() == read.get_global_field("core:sha512")
        # The library gives every datatype in single precision.
        assert np.array_equal(read.read_samples(), array.transpose(0, 2, 1).reshape(-1, 3).astype("f4"))
        assert [note["simmer:pulse"] for note in read.get_annotations()] == list(range(4))
        for at in range(4):
            assert np.array_equal(read.read_samples_in_capture(at), array[at].T.astype("f4"))
        count("sigmf", "read equal")


def test_demo_data_pass_the_validator_of_the_command_line():
    for name in ("baseline", "exposure"):
        sigmf.validate.main((str(REPO / "demo-data" / f"{name}.sigmf-meta"),))


# --- recordings of real transducers ----------------------------------------------------------------------


def test_undersampled_echoes_are_equal_and_their_band_is_refused_by_name(simmer):
    folder = sdist("pymust") / "examples" / "data"
    for file, name in {"PWI_disk.mat": "RF", "bmode_PWI_disk.mat": "I", "RFsignal@20MHz.mat": "RF"}.items():
        theirs = scipy.io.loadmat(folder / file)[name]
        check_imported(simmer, folder / file, name, theirs.reshape([n for n in theirs.shape if n != 1]))
        count("mat", "read equal")
    path = folder / "PWI_disk.mat"
    done = bounded(simmer, "import", path, "--variable", "param", "--sample-rate-hz", "1", "--out", "no")
    assert done.returncode == 65 and 'variable "param": is a struct' in done.stderr and "save its field" in done.stderr
    count("mat", REFUSED)
    # 334 samples of 128 channels, 32 shots; sampled at 4/3 of the centre frequency, as its own settings say.
    settings = scipy.io.loadmat(path, squeeze_me=True)["param"][()]
    fs_hz, centre_hz = float(settings["fs"]), float(settings["fc"])
    assert (centre_hz, round(fs_hz)) == (5e6, 6_666_667)
    say = ["--axes", "samples,channels,pulses", "--sample-rate-hz", fs_hz, "--volts-per-count", "1"]
    say += ["--stage", "exposure", "--repetition-hz", "1e4", "--out", "echoes"]
    assert bounded(simmer, "import", path, "--variable", "RF", *say).returncode == 0
    done = bounded(simmer, "check", "--frequency-hz", centre_hz, "echoes.sigmf-meta")
    assert done.returncode == 2
    assert "--frequency-hz is 5000000, it must lie between 0 and fs/2 = 3333333.3" in done.stderr
    config = configuration(
        drive__frequency_hz=centre_hz, drive__repetition_hz=1e4, drive__pulse_s=45e-6, receive__sample_rate_hz=fs_hz,
        receive__channels=128, receive__volts_per_count=1.0, receive__pretrigger_s=3e-6, receive__gate_start_s=5e-6,
        receive__gate_end_s=45e-6, receive__noise_gate_start_s=-3e-6, receive__noise_gate_end_s=0.0,
        receive__first_arrival_s=1e-6,
    )  # fmt: skip
    settings = write_config(config, simmer.folder / "echoes.toml")
    for command in (["check"], ["replay", "--out", "session"]):
        done = bounded(simmer, *command, "-c", settings, "echoes.sigmf-meta")
        told = "`drive.frequency_hz` is 5e6, must be below half the sample rate, 3.33333"
        assert done.returncode == 78 and told in done.stderr and "echoes.toml:" in done.stderr, done.stderr
    assert not (simmer.folder / "session").exists()


def bursts(path):
    """Samples in counts, channel, rate and volts a count of every burst of a database, that are kept uncompressed."""
    with sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True) as base:
        rows = base.execute(
            "SELECT Data, d.Chan, SampleRate, Samples, DataFormat, TR_mV "
            "FROM tr_data d JOIN tr_params p ON p.ID = ParamID ORDER BY SetID"
        ).fetchall()
    base.close()
    for data, channel, rate_hz, samples, form, millivolts in rows:
        counts = np.frombuffer(data, "<i2")
        assert form == 0 and len(counts) == samples
        yield counts, channel, rate_hz, millivolts * 1e-3


def calibrated(recording, volts_per_count):
    """The recording in volts as its digitiser says."""
    recording.config["receive"] |= {"volts_per_count": volts_per_count, "full_scale_counts": [-32768, 32767]}
    return recording


def test_bursts_of_acoustic_emission_read_as_numpy_reads_them(simmer):
    folder = sdist("vallenae") / "examples"
    held = list(bursts(folder / "steel_plate" / "sample_plain.tradb"))
    assert [(channel, rate_hz) for _, channel, rate_hz, _ in held] == [(at, 5_000_000) for at in (3, 2, 4, 1)]
    # One after another, headerless and as an array of one axis.
    for at, (counts, _, rate_hz, volts) in enumerate(held):
        recording = calibrated(wav_recording(rate_hz, counts, 1, 2), volts)
        config = write_config(recording.config, simmer.folder / "config.toml")
        cues = write_cues(recording, simmer.folder / "cues.csv")
        counts.tofile(simmer.folder / f"{at}.raw")
        np.save(simmer.folder / f"{at}.npy", counts)
        plain = simmer.replay(config, simmer.folder / f"{at}.raw", options=["--cues", cues, "--spectra"])
        array = simmer.replay(config, simmer.folder / f"{at}.npy", options=["--cues", cues, "--spectra"])
        spectra_agree(plain, recording)
        assert array.rows == plain.rows and array.spectra().tobytes() == plain.spectra().tobytes()
        count("npy", "read equal")
    # All four receivers side by side, as samples × channels.
    together = np.stack([counts[:96_000] for counts, *_ in held], axis=1)
    recording = calibrated(wav_recording(5_000_000, together, 1, 2), [volts for *_, volts in held])
    np.save(simmer.folder / "all.npy", together)
    config = write_config(recording.config, simmer.folder / "all.toml")
    cues = write_cues(recording, simmer.folder / "all.csv")
    spectra_agree(simmer.replay(config, simmer.folder / "all.npy", options=["--cues", cues, "--spectra"]), recording)
    count("npy", "read equal")


def test_a_stream_of_bursts_reads_row_by_row_as_numpy_reads_it(simmer):
    held = list(bursts(sdist("vallenae") / "examples" / "bearing" / "bearing_plain.tradb"))
    array = np.stack([counts for counts, *_ in held])
    assert array.shape == (490, 5000)
    recording = calibrated(wav_recording(500_000, array[0], 1, 2), held[0][3])
    recording.counts = array.reshape(-1, 1).astype(float)
    recording.pulses = [recording.pulses[0] | {"number": n, "start": 5000 * n} for n in range(len(array))]
    config = write_config(recording.config, simmer.folder / "config.toml")
    names = write_names(recording, simmer.folder / "names.csv")
    np.save(simmer.folder / "stream.npy", array)
    np.savez_compressed(simmer.folder / "stream.npz", data=array)
    session = simmer.replay(config, simmer.folder / "stream.npy", options=["--cues", names, "--spectra"])
    spectra_agree(session, recording)
    again = simmer.replay(config, f"{simmer.folder / 'stream.npz'}:data", options=["--cues", names, "--spectra"])
    assert again.rows == session.rows
    count("npy", "read equal")
    count("npz", "read equal")


def test_a_table_of_another_reader_is_refused_and_its_waveforms_read_equal(simmer):
    path = sdist("mistrasdta") / "tests" / "reference" / "210527-CH1-15.npz"
    done = bounded(simmer, "check", "--sample-rate-hz", "1e7", "--frequency-hz", "1e6", path)
    assert done.returncode == 65 and "holds 2 arrays" in done.stderr and "rec, wfm" in done.stderr
    for member in ("rec", "wfm"):
        done = bounded(simmer, "check", "--sample-rate-hz", "1e7", "--frequency-hz", "1e6", f"{path}:{member}")
        told = f'"{member}": NumPy head: descr is a structured type; arrays of plain numbers are read'
        assert done.returncode == 65 and told in done.stderr, done.stderr
        count("npz", REFUSED)
    # What a person makes of it in one line: the bytes of each waveform as volts in double precision.
    table = np.load(path, allow_pickle=False)["wfm"]
    array = np.stack([np.frombuffer(row, "<f8") for row in table["WAVEFORM"]])
    assert array.shape == (8, 3072) and set(table["SRATE"]) == {10_000_000}
    first = wav_recording(10_000_000, array[0], 3, 8)
    first.config["receive"] |= {"volts_per_count": 1.0, "full_scale_counts": [-10, 10]}
    first.counts = array.reshape(-1, 1)
    first.pulses = [first.pulses[0] | {"number": n, "start": 3072 * n} for n in range(8)]
    np.save(simmer.folder / "waves.npy", array)
    config = write_config(first.config, simmer.folder / "config.toml")
    names = write_names(first, simmer.folder / "names.csv")
    spectra_agree(simmer.replay(config, simmer.folder / "waves.npy", options=["--cues", names, "--spectra"]), first)
    count("npy", "read equal")


# --- MATLAB ----------------------------------------------------------------------------------------------


def test_structs_cells_and_level_4_are_refused_and_it_says_what_to_do(simmer):
    rf = np.arange(1200).reshape(4, 300) * 0.1
    shots = np.zeros(3, dtype=[("rf", object), ("drive", float)])
    shots[:] = [(rf[n], 0.1 * n) for n in range(3)]
    cell = np.empty(2, dtype=object)
    cell[:] = [rf, rf[:2]]
    nested = {"rf": rf, "fs": 2e7, "deep": {"t": np.arange(300) / 2e7}}
    variables = {"scan": nested, "shots": shots, "cell": cell, "plain": rf}
    for packed in (False, True):
        path = simmer.folder / f"packed-{packed}.mat"
        scipy.io.savemat(path, variables, do_compression=packed)
        shown = bounded(simmer, "import", path)
        assert shown.returncode == 0
        struct = "struct, which holds other variables; save its field alone"
        for name, word in {"scan": struct, "shots": struct, "cell": "cell array, which holds other variables"}.items():
            assert re.search(rf"^  {name}: .*; not read: is a {word}", shown.stdout, re.M), shown.stdout
            done = bounded(simmer, "import", path, "--variable", name, "--sample-rate-hz", "2e7", "--out", "no")
            assert done.returncode == 65 and f'variable "{name}": is a {word}' in done.stderr, done.stderr
            count("mat", REFUSED)
        # A field is no variable; the variables that there are, are named.
        done = bounded(simmer, "import", path, "--variable", "scan.rf", "--sample-rate-hz", "2e7", "--out", "no")
        assert done.returncode == 65 and 'no variable "scan.rf"; there are scan, shots, cell, plain' in done.stderr
        check_imported(simmer, path, "plain", rf)
        count("mat", "read equal")
    scipy.io.savemat(simmer.folder / "old.mat", {"rf": rf, "fs": 2e7}, format="4")
    for options in ([], ["--variable", "rf", "--sample-rate-hz", "2e7", "--out", "no"]):
        done = bounded(simmer, "import", "old.mat", *options)
        assert done.returncode == 65 and "level 4" in done.stderr and "save it in MATLAB with -v7" in done.stderr
    count("mat", REFUSED)
    assert not list(simmer.folder.glob("no.*"))
