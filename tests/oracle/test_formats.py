"""Recordings that nobody here wrote, read sample for sample; and ours, read by others."""

import importlib.metadata
import json
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pytest
import sigmf
from scipy.io import wavfile

from conftest import REPO
from foreign import count, crates
from make import FORMATS, Emission, Recording, baseline_emissions, configuration, format_changes, record
from make import write_config
from method import Plan
from test_signal import check_spectrum


def spectra_agree(session, recording):
    """Every pulse's spectrum, as the binary read the samples and as the oracle holds them."""
    plan = Plan(recording.config)
    spectra = session.spectra()
    pulses = recording.pulses_heard(plan)
    assert spectra.shape[:2] == (len(pulses), recording.counts.shape[1])
    for got, pulse in zip(spectra, pulses):
        for channel, reading in zip(got, pulse.readings):
            check_spectrum(channel, reading.spectrum)


# --- SigMF, written and read by the reference library -------------------------------------------------


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("channels", [1, 3])
def test_a_recording_of_the_sigmf_library_reads_back(simmer, name, channels):
    config = configuration(receive__channels=channels, **format_changes(name))
    recording = record(config, [Emission() for _ in range(3)], 71)
    data = simmer.folder / "library.sigmf-data"
    np.ascontiguousarray(recording.counts).astype(FORMATS[name][0]).tofile(data)
    # The library writes metadata, checksum and annotations; the samples are the oracle's.
    file = sigmf.SigMFFile(data_file=data, global_info={
        "core:datatype": name, "core:sample_rate": 10_000_000, "core:num_channels": channels,
        "core:extensions": [{"name": "simmer", "version": "1.0.0", "optional": True}],
    })  # fmt: skip
    file.add_capture(0, metadata={"core:datetime": "2026-05-04T09:30:00Z"})
    for pulse in recording.pulses:
        note = recording.annotation(pulse)
        start, count = note.pop("core:sample_start"), note.pop("core:sample_count")
        file.add_annotation(start, length=count, metadata=note)
    file.validate()
    file.tofile(simmer.folder / "library.sigmf-meta")
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, simmer.folder / "library.sigmf-meta", options=["--spectra"])
    spectra_agree(session, recording)


def test_the_generators_complex_samples_are_refused_by_name(simmer):
    made = sigmf.SigMFGenerator(seed=3).tone(700e3).sample_rate(10e6).duration(5e-3).generate()
    made.tofile(simmer.folder / "complex.sigmf-meta", overwrite=True)
    path = write_config(configuration(), simmer.folder / "config.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", simmer.folder / "complex.sigmf-meta", code=65)
    assert made.get_global_field("core:datatype") in done.stderr


# --- ours, read by the reference library ---------------------------------------------------------------


@pytest.mark.parametrize("name", ["baseline", "exposure"])
def test_demo_data_validate_and_read_equal(name, bench):
    meta = bench.folder / "demo-data" / f"{name}.sigmf-meta"
    file = sigmf.fromfile(meta, autoscale=False)
    file.validate()
    declared = {extension["name"]: extension["optional"] for extension in file.get_global_field("core:extensions")}
    assert declared == {"simmer": True}
    raw = np.fromfile(meta.with_suffix(".sigmf-data"), FORMATS[file.get_global_field("core:datatype")][0])
    assert np.array_equal(np.ravel(file.read_samples()), raw)
    notes = file.get_annotations()
    assert [note["simmer:pulse"] for note in notes] == list(range(90) if name == "baseline" else range(90, 135))
    assert all(note["core:label"] == "pulse" for note in notes)


# --- the same samples in other clothes -----------------------------------------------------------------


def write_cues(recording, path):
    """The recording's pulses as a cue list."""
    rows = ["start_sample,sample_count,pulse,drive_mpa,stage,target"]
    for p in recording.pulses:
        rows.append(f"{p['start']},{p['count']},{p['number']},{p['drive_mpa']},{p['stage']},{p['target']}")
    path.write_text("\n".join(rows) + "\n")
    return path


def without_clock(session):
    """Rows without the time of day, which only SigMF knows."""
    return [{**row, "time_utc": ""} for row in session.rows]


def session_of(simmer, channels=2, seed=72):
    """A short session with all verdicts' ingredients, its configuration file and its SigMF replay."""
    config = configuration(receive__channels=channels)
    exposure = [Emission(), Emission(broadband_v=2e-3), Emission(count=20000), Emission(trigger=5300)]
    recording = record(config, baseline_emissions((0.3,), each=12) + exposure, seed)
    path = write_config(config, simmer.folder / "config.toml")
    return recording, path, simmer.replay(path, recording.write(simmer.folder / "plain"))


def test_a_wav_file_with_a_cue_list_gives_the_same_rows(simmer):
    recording, path, plain = session_of(simmer)
    wavfile.write(simmer.folder / "same.wav", 10_000_000, recording.counts.astype("<i2"))
    cues = write_cues(recording, simmer.folder / "same.csv")
    lines = cues.read_text().splitlines()
    lines = [f"{line},{'trigger_sample' if i == 0 else ''}" for i, line in enumerate(lines)]
    lines[-1] += str(recording.pulses[-1]["start"] + 5300)
    cues.write_text("\n".join(lines) + "\n")
    session = simmer.replay(path, simmer.folder / "same.wav", options=["--cues", cues])
    assert without_clock(session) == without_clock(plain)


def test_a_headerless_file_with_a_cue_list_gives_the_same_rows(simmer):
    config = configuration(receive__channels=2)
    recording = record(config, baseline_emissions((0.3,), each=12) + [Emission() for _ in range(2)], 73)
    path = write_config(config, simmer.folder / "config.toml")
    plain = simmer.replay(path, recording.write(simmer.folder / "plain"))
    recording.counts.astype("<i2").tofile(simmer.folder / "same.raw")
    cues = write_cues(recording, simmer.folder / "same.csv")
    session = simmer.replay(path, simmer.folder / "same.raw", options=["--cues", cues])
    assert without_clock(session) == without_clock(plain)


def test_a_cue_list_overrides_annotations(simmer):
    config = configuration()
    recording = record(config, baseline_emissions((0.3,), each=12) + [Emission() for _ in range(2)], 74)
    path = write_config(config, simmer.folder / "config.toml")
    plain = simmer.replay(path, recording.write(simmer.folder / "plain"))
    cues = write_cues(recording, simmer.folder / "same.csv")
    wrong = [recording.annotation(p) | {"simmer:stage": "noise", "core:sample_start": p["start"] + 7} for p in recording.pulses]
    meta = recording.write(simmer.folder / "wrong", annotations=wrong)
    session = simmer.replay(path, meta, options=["--cues", cues])
    assert session.rows == plain.rows


@pytest.mark.parametrize("name", FORMATS)
def test_every_sample_format_is_read_as_numpy_reads_it(simmer, name):
    config = configuration(receive__channels=2, **format_changes(name))
    recording = record(config, [Emission(broadband_v=5e-3) for _ in range(2)], 75)
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / name), options=["--spectra"])
    spectra_agree(session, recording)


# --- WAV -------------------------------------------------------------------------------------------


def wav_folder(package, *parts):
    """A folder inside an installed Python package."""
    files = importlib.metadata.distribution(package).locate_file("")
    return Path(files).joinpath(*parts)


def hound_folder():
    """The samples of the hound crate, in the source that cargo fetched for the build."""
    told = subprocess.run(
        ["cargo", "metadata", "--format-version", "1", "--locked"],
        cwd=REPO,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    packages = json.loads(told.stdout)["packages"]
    manifest = next(p["manifest_path"] for p in packages if p["name"] == "hound")
    return Path(manifest).parent / "testsamples"


BYTE_ORDERS = {b"RIFF": "little", b"RIFX": "big", b"RF64": "little", b"BW64": "little"}


def chunks(data):
    """Offsets and sizes of a WAV file's chunks, by their four letters."""
    found, at, order = {}, 12, BYTE_ORDERS[data[:4]]
    while at + 8 <= len(data):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], order)
        if name == b"data" and size == 0xFFFFFFFF and b"ds64" in found:
            size = int.from_bytes(data[found[b"ds64"][0] + 8 :][:8], "little")
        found.setdefault(name, (at + 8, size))
        at += 8 + size + size % 2
    return found


def plain(data):
    """(format tag, bytes a sample, channels) of a plain PCM file with whole header, else None."""
    order = BYTE_ORDERS.get(data[:4])
    found = chunks(data) if order and data[8:12] == b"WAVE" else {}
    if b"fmt " not in found or b"data" not in found or found[b"data"][0] >= len(data):
        return None
    at, size = found[b"fmt "]
    u16 = lambda offset: int.from_bytes(data[at + offset : at + offset + 2], order)
    tag = u16(24 if order == "little" else 26) if u16(0) == 0xFFFE and size >= 26 else u16(0)
    channels, block, bits = u16(2), u16(12), u16(14)
    if channels == 0 or block % channels or bits > 8 * block // channels:
        return None
    width = block // channels
    known = (tag == 1 and width in (1, 2, 3, 4)) or (tag == 3 and width in (4, 8))
    return (tag, width, channels) if known else None


def lengthened(data, rng, frames=400):
    """The file with its own header over frames drawn at random from its own, where it has few."""
    _, width, channels = plain(data)
    found, order = chunks(data), BYTE_ORDERS[data[:4]]
    at, size = found[b"data"]
    block = width * channels
    own = [data[i : i + block] for i in range(at, min(at + size, len(data)) - block + 1, block)]
    if len(own) >= 96:
        return data
    drawn = b"".join(own[i] for i in rng.integers(len(own), size=frames))
    whole = data[: at - 4] + len(drawn).to_bytes(4, order) + drawn
    if b"ds64" in found:
        begin = found[b"ds64"][0]
        sizes = [len(whole) - 8, len(drawn), len(drawn) // block]
        sizes = b"".join(size.to_bytes(8, "little") for size in sizes)
        return whole[:begin] + sizes + whole[begin + 24 :]
    return whole[:4] + (len(whole) - 8).to_bytes(4, order) + whole[8:]


WAV_FORMAT = {(1, 1): "ri8", (1, 2): "ri16_le", (1, 3): "ri32_le", (1, 4): "ri32_le", (3, 4): "rf32_le", (3, 8): "rf64_le"}


def wav_recording(fs_hz, samples, tag, width):
    """A recording whose one pulse is the whole file; lines on every fourth bin of 40 samples."""
    if samples.ndim == 1:
        samples = samples[:, None]
    bin_hz, silence, name = fs_hz / 40, 16, WAV_FORMAT[(tag, width)]
    low, high = (-(2 ** (8 * width - 1)), 2 ** (8 * width - 1) - 1) if tag == 1 else (-1, 1)
    config = configuration(
        drive__frequency_hz=8 * bin_hz,
        drive__pulse_s=(len(samples) - silence) / fs_hz,
        drive__repetition_hz=1.0,
        receive__sample_rate_hz=float(fs_hz),
        receive__channels=samples.shape[1],
        receive__sample_format=name,
        receive__volts_per_count=1.0 / high,
        receive__full_scale_counts=[low, high],
        receive__pretrigger_s=silence / fs_hz,
        receive__gate_start_s=0.0,
        receive__gate_end_s=(len(samples) - silence) / fs_hz,
        receive__noise_gate_start_s=-silence / fs_hz,
        receive__noise_gate_end_s=0.0,
        receive__first_arrival_s=4 / fs_hz,
        spectrum__resolution_hz=bin_hz,
        bands__harmonics=[2],
        bands__ultraharmonics=[1.5],
        bands__line_half_width_hz=0.3 * bin_hz,
        bands__guard_half_width_hz=1.5 * bin_hz,
        bands__flank_half_width_hz=3 * bin_hz,
        bands__broadband_hz=[[5 * bin_hz, 19 * bin_hz]],
        bands__notches_hz=[],
    )
    # SciPy gives 8 bits unsigned about 128 and 24 bits at the top of 32; counts are signed and of 24 bits.
    counts = samples.astype(float) - (128 if samples.dtype == np.uint8 else 0)
    counts /= 256 if (tag, width) == (1, 3) else 1
    pulse = {"number": 0, "start": 0, "count": len(counts), "stage": "exposure", "drive_mpa": 0.3, "target": "tube"}
    return Recording(config, counts, [pulse | {"trigger": None, "extra": {}}])


def every_wav():
    """The WAV files of the scipy wheel and of the hound crate."""
    scipy_files = sorted(wav_folder("scipy", "scipy", "io", "tests", "data").glob("*.wav"))
    return scipy_files + sorted(hound_folder().glob("*.wav"))


WAVS = every_wav()


def test_the_foreign_files_are_there():
    # The scipy wheel has 22 WAV files, the hound crate 16.
    assert len(WAVS) >= 38
    assert sum(plain(path.read_bytes()) is not None for path in WAVS) >= 28


def read_or_refused(simmer, path):
    """Reads a WAV file as SciPy does, or is refused; which of the two."""
    data = path.read_bytes()
    if plain(data) is None:
        # Compressed, wider than 32 bits or broken: refused by name, never misread.
        done = simmer.run("check", "--frequency-hz", "100", path, code=65)
        reasons = ("are not read", "without a data chunk", "not a whole number each", "bits in samples of", "not a WAV file")
        assert path.name in done.stderr and any(reason in done.stderr for reason in reasons), done.stderr
        return "refused"
    tag, width, channels = plain(data)
    copy = simmer.folder / path.name
    copy.write_bytes(lengthened(data, np.random.default_rng(76)))
    with warnings.catch_warnings():
        # SciPy warns of chunks that it passes over and of an early end.
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        fs_hz, samples = wavfile.read(copy)
    # Of a long file, as many samples as make it heard.
    recording = wav_recording(fs_hz, samples[:5000], tag, width)
    assert recording.counts.shape[1] == channels
    config = write_config(recording.config, simmer.folder / "config.toml")
    cues = write_cues(recording, simmer.folder / "cues.csv")
    session = simmer.replay(config, copy, options=["--cues", cues, "--spectra"])
    spectra_agree(session, recording)
    return "equal"


@pytest.mark.parametrize("path", WAVS, ids=lambda path: path.stem)
def test_a_foreign_wav_file_reads_as_scipy_reads_it(simmer, path):
    read_or_refused(simmer, path)


def test_foreign_wav_files_by_the_count(simmer, capsys):
    folders = {
        "scipy": wav_folder("scipy", "scipy", "io", "tests", "data"),
        "hound": hound_folder(),
        "wavers": crates()["wavers"] / "test_resources",
    }
    counts = {}
    for source, folder in folders.items():
        for path in sorted(folder.glob("*.wav")):
            counts.setdefault(source, []).append(read_or_refused(simmer, path))
    with capsys.disabled():
        print("\nWAV files       equal  refused with the reason")
        for source, told in counts.items():
            print(f"{source:<14}  {told.count('equal'):>5}  {told.count('refused'):>7}")
    told = {source: (told.count("equal"), told.count("refused")) for source, told in counts.items()}
    count("wav", "read equal", sum(equal for equal, _ in told.values()))
    count("wav", "refused with the reason", sum(refused for _, refused in told.values()))
    assert sum(told["scipy"]) >= 22 and sum(told["hound"]) >= 16 and sum(told["wavers"]) >= 9
    # Of SciPy's files five are wider than 32 bits or compressed, one is inconsistent, two end before their data.
    assert told["scipy"] == (14, 8) and told["wavers"][1] == 0


# Format tag and bytes of a sample by its name, and the sample format it reaches the analysis in.
WAV_NUMBERS = {"i2": (1, 2), "i3": (1, 3), "i4": (1, 4), "f4": (3, 4), "f8": (3, 8)}


def wav_bytes(counts, name, kind="RIFF", extended=False, length=None):
    """A WAV file of counts (samples × channels), its lengths as they are or as said."""
    tag, width = WAV_NUMBERS[name]
    order = BYTE_ORDERS[kind.encode()]
    sign = "<" if order == "little" else ">"
    if name == "i3":
        whole = counts.astype("<i4").view("u1").reshape(*counts.shape, 4)[..., :3]
        data = (whole if order == "little" else whole[..., ::-1]).tobytes()
    else:
        data = counts.astype(sign + name).tobytes()
    number = lambda value, size: int(value).to_bytes(size, order)
    channels, rate = counts.shape[1], 10_000_000
    fmt = number(0xFFFE if extended else tag, 2) + number(channels, 2) + number(rate, 4)
    fmt += number(rate * width * channels % 2**32, 4) + number(width * channels, 2) + number(8 * width, 2)
    if extended:
        # Valid bits, speakers, and the sub-format's GUID, whose first three parts have the file's order.
        fmt += number(22, 2) + number(8 * width, 2) + number(0, 4)
        fmt += number(tag, 4) + number(0, 2) + number(0x10, 2) + bytes.fromhex("800000aa00389b71")
    chunk = lambda name, body: name + number(len(body), 4) + body + b"\0" * (len(body) % 2)
    said = len(data) if length is None else length
    head = b"WAVE"
    if kind in ("RF64", "BW64"):
        sizes = [len(data) + 200, len(data), len(data) // (width * channels)]
        head += chunk(b"ds64", b"".join(number(size, 8) for size in sizes) + number(0, 4))
        said = 0xFFFFFFFF
    head += chunk(b"odd ", b"abc") + chunk(b"fmt ", fmt) + b"data" + number(said, 4)
    return kind.encode() + number(0xFFFFFFFF if kind in ("RF64", "BW64") else len(head) + len(data), 4) + head + data


@pytest.mark.parametrize("extended", [False, True], ids=["plain", "extended"])
@pytest.mark.parametrize("kind", ["RIFF", "RIFX", "RF64", "BW64"])
@pytest.mark.parametrize("name", WAV_NUMBERS)
def test_every_form_of_wav_gives_the_same_rows(simmer, name, kind, extended):
    recording, _, sigmf_session = session_of(simmer)
    cues = write_cues(recording, simmer.folder / "same.csv")
    # The last pulse has a trigger of its own.
    lines = [f"{line},{'trigger_offset' if i == 0 else ''}" for i, line in enumerate(cues.read_text().splitlines())]
    lines[-1] += "5300"
    cues.write_text("\n".join(lines) + "\n")
    file = simmer.folder / "form.wav"
    file.write_bytes(wav_bytes(recording.counts, name, kind, extended))
    config = configuration(receive__channels=2, receive__sample_format=WAV_FORMAT[WAV_NUMBERS[name]])
    path = write_config(config, simmer.folder / "form.toml")
    session = simmer.replay(path, file, options=["--cues", cues])
    assert without_clock(session) == without_clock(sigmf_session)
    assert "WAV" not in session.done.stderr


@pytest.mark.parametrize("length", [0, 0xFFFFFFFF, 10**9])
def test_a_length_that_is_not_true_is_recovered_and_said(simmer, length):
    recording, path, sigmf_session = session_of(simmer)
    cues = write_cues(recording, simmer.folder / "same.csv")
    (simmer.folder / "open.wav").write_bytes(wav_bytes(recording.counts, "i2", length=length))
    (simmer.folder / "whole.wav").write_bytes(wav_bytes(recording.counts, "i2"))
    session = simmer.replay(path, simmer.folder / "open.wav", options=["--cues", cues])
    whole = simmer.replay(path, simmer.folder / "whole.wav", options=["--cues", cues])
    assert session.rows == whole.rows
    assert f"says {length} bytes" in session.done.stderr and "says" not in whole.done.stderr


@pytest.mark.parametrize("path", sorted((hound_folder() / "fuzz").iterdir()), ids=lambda path: path.stem)
def test_a_file_that_once_crashed_a_reader_crashes_nothing(simmer, path):
    copy = simmer.folder / "fuzz.wav"
    copy.write_bytes(path.read_bytes())
    if plain(copy.read_bytes()) is None:
        assert "fuzz.wav" in simmer.run("check", "--frequency-hz", "100", copy, code=65).stderr
    else:
        # Whole as a header goes; whatever is said of it, it is said in words.
        assert simmer.run("check", "--frequency-hz", "100", copy, code=None).returncode in (0, 65)
