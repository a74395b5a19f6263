"""NumPy arrays as recordings: every order, byte order and version, and arrays that nobody here wrote."""

import io

import numpy as np
import pytest

from foreign import count, crates
from make import Emission, Recording, baseline_emissions, configuration, record, write_config
from test_formats import WAV_FORMAT, spectra_agree, wav_recording, write_cues

# How NumPy's numbers reach the analysis.
SAMPLE_FORMAT = {
    "i1": "ri8", "u1": "ri16_le", "i2": "ri16_le", "u2": "ri32_le", "i4": "ri32_le", "u4": "rf64_le",
    "i8": "rf64_le", "u8": "rf64_le", "f2": "rf32_le", "f4": "rf32_le", "f8": "rf64_le",
}  # fmt: skip
CLOCK = ("time_utc", "time_s")


def without_clock(session):
    """Rows without their times, which depend on where pulses lie in a file."""
    return [{**row, **dict.fromkeys(CLOCK, "")} for row in session.rows]


def write_names(recording, path, extra=""):
    """The recording's pulses as a list without places."""
    rows = ["pulse,drive_mpa,stage,target" + (f",{extra}" if extra else "")]
    for p in recording.pulses:
        row = f"{p['number']},{p['drive_mpa']},{p['stage']},{p['target']}"
        rows.append(row + (f",{extra} {p['number']}" if extra else ""))
    path.write_text("\n".join(rows) + "\n")
    return path


def pulses(recording):
    """Counts as pulses × channels × samples."""
    cut = [recording.counts[p["start"] : p["start"] + p["count"]].T for p in recording.pulses]
    return np.stack(cut)


def written(array, path, version=(1, 0)):
    """Writes an array in a version of the format; NumPy itself chooses the lowest that holds it."""
    out = io.BytesIO()
    np.lib.format.write_array(out, array, version=version)
    path.write_bytes(out.getvalue())
    # Whatever stands in the file is what NumPy says it is.
    assert np.array_equal(np.load(path), array)
    return path


def short_session(simmer, channels, seed, **changes):
    """A recording with a baseline and a few exposure pulses, and its SigMF replay."""
    config = configuration(receive__channels=channels)
    exposure = [Emission(), Emission(broadband_v=2e-3), Emission(lines_v={1.5: 2e-3})]
    recording = record(config, baseline_emissions((0.3,), each=12) + exposure, seed)
    plain = simmer.replay(write_config(config, simmer.folder / "plain.toml"), recording.write(simmer.folder / "plain"))
    path = write_config(configuration(receive__channels=channels, **changes), simmer.folder / "config.toml")
    return recording, path, plain


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
@pytest.mark.parametrize("name", ["<i2", ">i2", "<i4", ">i4", "<i8", "<f4", ">f4", "<f8", ">f8"])
def test_pulses_and_samples_of_one_channel_give_the_same_rows(simmer, name, version):
    recording, path, plain = short_session(simmer, 1, 81, receive__sample_format=SAMPLE_FORMAT[name[1:]])
    cues = write_names(recording, simmer.folder / "names.csv")
    array = pulses(recording)[:, 0, :].astype(name)
    for order in "CF":
        file = written(np.asarray(array, order=order), simmer.folder / f"{order}.npy", version)
        session = simmer.replay(path, file, options=["--cues", cues])
        assert without_clock(session) == without_clock(plain)
    # Rows come one a period of the drive's repetition.
    assert session.number(1, "time_s") == pytest.approx(0.2, rel=1e-12, abs=0.0)


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize(
    "axes", ["pulses channels samples", "pulses samples channels", "samples pulses channels", "channels samples pulses"]
)
def test_three_axes_give_the_same_rows_whatever_their_order(simmer, axes, order):
    recording, _, plain = short_session(simmer, 2, 82)
    axes = axes.split()
    config = configuration(receive__channels=2) | {"recordings": {"array_axes": axes}}
    path = write_config(config, simmer.folder / "axes.toml")
    places = [["pulses", "channels", "samples"].index(axis) for axis in axes]
    array = np.asarray(pulses(recording).transpose(places).astype("<i2"), order=order)
    file = written(array, simmer.folder / "axes.npy")
    cues = write_names(recording, simmer.folder / "names.csv")
    session = simmer.replay(path, file, options=["--cues", cues])
    assert without_clock(session) == without_clock(plain)
    if axes == ["pulses", "channels", "samples"]:
        # By rule the same, and said by check.
        plain_path = write_config(configuration(receive__channels=2), simmer.folder / "rule.toml")
        again = simmer.replay(plain_path, file, options=["--cues", cues])
        assert again.rows == session.rows
        assert "pulses × channels × samples" in simmer.run("check", "-c", plain_path, "--cues", cues, file).stdout


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("turned", [False, True], ids=["samples-channels", "channels-samples"])
def test_samples_with_a_cue_list_give_the_same_rows(simmer, turned, order):
    recording, path, plain = short_session(simmer, 2, 83)
    counts = recording.counts.astype("<i2")
    file = written(np.asarray(counts.T if turned else counts, order=order), simmer.folder / "samples.npy")
    session = simmer.replay(path, file, options=["--cues", write_cues(recording, simmer.folder / "cues.csv")])
    rows = [{**row, "time_utc": ""} for row in plain.rows]
    assert [{**row, "time_utc": ""} for row in session.rows] == rows


@pytest.mark.parametrize("save", [np.savez, np.savez_compressed], ids=["stored", "deflated"])
def test_a_member_of_an_archive_gives_the_same_rows(simmer, save):
    recording, path, plain = short_session(simmer, 1, 84)
    file = simmer.folder / "both.npz"
    array = pulses(recording)[:, 0, :].astype("<i2")
    save(file, fs=np.array(10e6), received=array, turned=np.asfortranarray(array))
    cues = write_names(recording, simmer.folder / "names.csv")
    for member in ("received", "turned", "received.npy"):
        session = simmer.replay(path, f"{file}:{member}", options=["--cues", cues])
        assert without_clock(session) == without_clock(plain)
    done = simmer.run("check", "-c", path, f"{file}:sent", code=65)
    assert 'no array "sent"' in done.stderr and "received" in done.stderr
    done = simmer.run("check", "-c", path, file, code=65)
    assert "holds 3 arrays" in done.stderr and "both.npz:NAME" in done.stderr


def test_a_deflated_array_that_is_damaged_is_65(simmer):
    recording, path, _ = short_session(simmer, 1, 85)
    file = simmer.folder / "one.npz"
    np.savez_compressed(file, received=pulses(recording)[:, 0, :].astype("<i2"))
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 0x10
    file.write_bytes(data)
    cues = write_names(recording, simmer.folder / "names.csv")
    done = simmer.run("replay", "-c", path, "--cues", cues, "--out", simmer.folder / "out", file, code=65)
    assert "one.npz" in done.stderr and "damaged" in done.stderr


def test_recordings_without_names_are_told_by_options_and_numbered_on(simmer):
    recording, path, plain = short_session(simmer, 1, 86)
    array = pulses(recording)[:, 0, :].astype("<i2")
    base, exposed = written(array[:12], simmer.folder / "a.npy"), written(array[12:], simmer.folder / "b.npy")
    options = ["--stage", "baseline", "--stage", "exposure", "--drive-mpa", "0.3"]
    session = simmer.replay(path, base, exposed, options=options)
    blank = dict.fromkeys((*CLOCK, "target"), "")
    assert [{**row, **blank} for row in session.rows] == [{**row, **blank} for row in plain.rows]
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", base, code=65)
    assert "--stage" in done.stderr and "pulse,drive_mpa,stage" in done.stderr


@pytest.mark.parametrize(
    ("array", "word"),
    [
        (np.array([{"a": 1}, None], dtype=object), "objects"),
        (np.zeros(4, dtype=[("a", "<i2"), ("b", "<f8")]), "structured"),
        (np.zeros((4, 4), dtype="<c8"), "complex"),
        (np.zeros((4, 4), dtype=bool), "truth values"),
        (np.array(["a", "b"]), "texts"),
        (np.zeros(4, dtype="<M8[ns]"), "times"),
        (np.zeros((2, 2, 2, 2)), "one to three axes"),
        (np.array(1.0), "no axis"),
        (np.zeros((0, 5)), "no samples"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_no_recording_is_refused_by_name(simmer, array, word):
    path = write_config(configuration(receive__sample_format="rf64_le"), simmer.folder / "config.toml")
    np.save(simmer.folder / "odd.npy", array, allow_pickle=True)
    done = simmer.run("check", "-c", path, simmer.folder / "odd.npy", code=65)
    assert "odd.npy" in done.stderr and word in done.stderr


# --- arrays that nobody here wrote -----------------------------------------------------------------


def foreign_arrays():
    """Name, path as simmer takes it, and what NumPy reads there (None when it refuses)."""
    folders = {"ndarray-npy": crates()["ndarray-npy"] / "resources", "npyz": crates()["npyz"] / "test-data"}
    for source, folder in folders.items():
        for path in sorted(folder.rglob("*.np[yz]")):
            try:
                held = np.load(path, allow_pickle=False)
            except ValueError:
                yield source, str(path), None
                continue
            if path.suffix == ".npy":
                yield source, str(path), held
                continue
            for member in held.files:
                yield source, f"{path}:{member}", held[member]


def longer(array, rng):
    """An array of the same kind, order and number of axes, long enough to be heard."""
    shape = {1: (416,), 2: (3, 416), 3: (2, 3, 416)}[array.ndim]
    drawn = rng.choice(array.ravel(), size=shape).astype(array.dtype)
    return np.asarray(drawn, order="F" if np.isfortran(array) else "C")


def as_recording(array):
    """The oracle's recording of it: every row or the whole is a pulse."""
    kind = np.dtype(array.dtype).str[1:]
    width = {"ri8": 1, "ri16_le": 2, "ri32_le": 4, "rf32_le": 4, "rf64_le": 8}[SAMPLE_FORMAT[kind]]
    tag = 3 if SAMPLE_FORMAT[kind].startswith("rf") else 1
    assert WAV_FORMAT[(tag, width)] == SAMPLE_FORMAT[kind]
    cube = {1: lambda: array[None, None, :], 2: lambda: array[:, None, :], 3: lambda: array}[array.ndim]()
    counts = cube.transpose(0, 2, 1).reshape(-1, cube.shape[1]).astype(float)
    # The configuration is that of one pulse of 416 samples.
    first = wav_recording(10_000, cube[0].T.astype("f8" if tag == 3 else f"i{width}"), tag, width)
    if tag == 1:
        first.config["receive"]["volts_per_count"] = 0.01
    else:
        first.config["receive"]["full_scale_counts"] = [-(2.0**53), 2.0**53]
    marks = [first.pulses[0] | {"number": n, "start": 416 * n} for n in range(cube.shape[0])]
    return Recording(first.config, counts, marks)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("kind", SAMPLE_FORMAT)
def test_every_kind_of_number_is_read_as_numpy_reads_it(simmer, kind, order):
    rng = np.random.default_rng(88)
    low = 0 if kind[0] == "u" else -100
    array = rng.integers(low, 100, size=(3, 416)).astype(order + kind)
    recording = as_recording(array)
    np.save(simmer.folder / "kind.npy", array)
    config = write_config(recording.config, simmer.folder / "config.toml")
    cues = write_names(recording, simmer.folder / "names.csv")
    session = simmer.replay(config, simmer.folder / "kind.npy", options=["--cues", cues, "--spectra"])
    spectra_agree(session, recording)


def test_every_foreign_array_reads_as_numpy_reads_it_or_is_refused_with_the_reason(simmer, capsys):
    counts, rng = {}, np.random.default_rng(87)
    for source, path, array in foreign_arrays():
        kind = "npz member" if ".npz:" in path else "npy"
        tally = counts.setdefault((source, kind), {"equal": 0, "refused": 0})
        numeric = array is not None and array.dtype.str[1:] in SAMPLE_FORMAT and 1 <= array.ndim <= 3
        options = ["--sample-rate-hz", "10000", "--frequency-hz", "100"]
        done = simmer.run("check", *options, path, code=0 if numeric else 65)
        if not numeric:
            reasons = ("pickle", "structured", "complex", "truth values", "texts", "no axis")
            assert any(reason in done.stderr for reason in reasons), done.stderr
            tally["refused"] += 1
            continue
        # The head as its writer wrote it, then numbers enough for a spectrum under a head of its kind.
        assert f'sample_format = "{SAMPLE_FORMAT[array.dtype.str[1:]]}"' in done.stdout
        more = longer(array, rng)
        recording = as_recording(more)
        file = simmer.folder / "longer.npy"
        np.save(file, more)
        if kind == "npz member":
            file = simmer.folder / "longer.npz"
            (np.savez_compressed if "compressed.npz" in path else np.savez)(file, more=more)
        config = write_config(recording.config, simmer.folder / "config.toml")
        cues = (write_cues if array.ndim == 1 else write_names)(recording, simmer.folder / "cues.csv")
        spectra_agree(simmer.replay(config, file, options=["--cues", cues, "--spectra"]), recording)
        tally["equal"] += 1
    with capsys.disabled():
        print("\nfiles           kind         equal  refused with the reason")
        for (source, kind), tally in counts.items():
            print(f"{source:<14}  {kind:<11}  {tally['equal']:>5}  {tally['refused']:>7}")
    for (_, kind), tally in counts.items():
        count(kind.removesuffix(" member"), "read equal", tally["equal"])
        count(kind.removesuffix(" member"), "refused with the reason", tally["refused"])
    assert counts[("ndarray-npy", "npy")] == {"equal": 5, "refused": 6}
    assert counts[("npyz", "npy")] == {"equal": 3, "refused": 5}
    assert counts[("npyz", "npz member")]["equal"] >= 30
