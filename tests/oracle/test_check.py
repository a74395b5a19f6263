"""`simmer check` on recordings: what it measures, against NumPy; what it drafts, against itself."""

import re

import numpy as np
import pytest

from make import Emission, Scene, baseline_emissions, configuration, record, write_config
from method import Plan
from test_formats import every_wav, plain


def checked(simmer, emissions, seed, scene=None, **changes):
    """What check prints of a recording, the recording, its plan and the files."""
    config = configuration(**changes)
    recording = record(config, emissions, seed, scene)
    path, meta = write_config(config, simmer.folder / "config.toml"), recording.write(simmer.folder / "looked")
    before = sorted(simmer.folder.iterdir())
    done = simmer.run("check", "-c", path, meta)
    # No side effects: nothing is written.
    assert sorted(simmer.folder.iterdir()) == before
    return done, recording, Plan(config), path, meta


def number_after(text, label, unit):
    """The number before a unit on the line with a label."""
    line = next(line for line in text.splitlines() if line.strip().startswith(label))
    return float(re.search(rf"([-+]?[\d.]+(?:e[-+]?\d+)?) {re.escape(unit)}", line)[1])


def test_what_is_measured_is_what_numpy_measures(simmer):
    def offset(counts, rng):
        counts += 7

    emissions = [Emission(after=offset, drive_mpa=0.3) for _ in range(6)]
    done, recording, plan, _, _ = checked(simmer, emissions, 91)
    pulses = recording.pulses_heard(plan)
    noise = np.mean([p.readings[0].noise_v2_per_hz for p in pulses])
    assert number_after(done.stdout, "noise density", "V2/Hz") == pytest.approx(noise, rel=2e-3, abs=0.0)
    assert number_after(done.stdout, "noise density", "nV/sqrt(Hz)") == pytest.approx(1e9 * np.sqrt(noise), rel=1e-3, abs=0.0)
    assert number_after(done.stdout, "offset", "counts") == pytest.approx(7, abs=0.2)
    gates = [recording.read_back()[p["start"] + 7000 : p["start"] + 24000] for p in recording.pulses]
    headroom_db = 20 * np.log10(8191 / np.max(np.abs(gates)))
    assert number_after(done.stdout, "headroom", "dB") == pytest.approx(headroom_db, abs=0.1)


def test_a_drive_beside_the_configured_one_is_measured(simmer):
    emissions = [Emission(frequency_hz=0.7023e6) for _ in range(4)]
    done, _, _, _, _ = checked(simmer, emissions, 92)
    line = next(line for line in done.stdout.splitlines() if "measured" in line)
    measured_mhz, configured_mhz = (float(x) for x in re.findall(r"(\d\.\d+)", line)[:2])
    assert measured_mhz == pytest.approx(0.7023, abs=2e-5)
    assert configured_mhz == pytest.approx(0.7, abs=1e-9)


def test_clipping_is_counted(simmer):
    emissions = [Emission(), Emission(broadband_v=0.3), Emission()]
    done, _, _, _, _ = checked(simmer, emissions, 93)
    line = next(line for line in done.stdout.splitlines() if "clipped" in line)
    assert "1 of 3" in line


def test_a_tone_that_stays_without_drive_becomes_a_notch_that_removes_it(simmer):
    hum_hz = 1.62e6
    scene = Scene(hum_v={hum_hz: 1.2e-3})
    emissions = [Emission() for _ in range(12)]
    done, recording, _, path, meta = checked(simmer, emissions, 94, scene)
    line = next(line for line in done.stdout.splitlines() if "notches_hz" in line)
    pasted = re.search(r"notches_hz = (\[\[.*\]\])", line)[1]
    assert any(low <= hum_hz <= high for low, high in eval(pasted, {}))
    text = path.read_text()
    path.write_text(re.sub(r"notches_hz = .*", f"notches_hz = {pasted}", text))
    again = simmer.run("check", "-c", path, meta)
    # The notch is taken: the line that remains lists it or nothing, never a further tone.
    lines = [line for line in again.stdout.splitlines() if "notches_hz = " in line]
    assert all(re.search(r"notches_hz = (\[\[.*\]\])", row)[1] == pasted for row in lines)


def test_a_first_configuration_is_one_that_check_takes(simmer):
    _, _, _, _, meta = checked(simmer, baseline_emissions((0.3,), each=4), 95)
    draft = simmer.run("check", "--frequency-hz", "0.7e6", meta).stdout
    first = simmer.folder / "first.toml"
    first.write_text(draft)
    simmer.run("check", "-c", first, meta)
    # What decides an alarm is left to a person, and says so.
    for key in ("false_alarms_per_exposure", "stable_from", "rule", "repeatability_db", "fundamental_drop_db"):
        line = next(line for line in draft.splitlines() if line.startswith(f"{key} ="))
        assert "DECIDE" in line


@pytest.mark.parametrize("path", [p for p in every_wav() if plain(p.read_bytes())], ids=lambda path: path.stem)
def test_a_first_configuration_knows_the_files_own_range(simmer, path):
    tag, width, channels = plain(path.read_bytes())
    draft = simmer.run("check", "--frequency-hz", "100", path).stdout
    low, high = (-(2 ** (8 * width - 1)), 2 ** (8 * width - 1) - 1) if tag == 1 else (-1, 1)
    assert f"full_scale_counts = [{low}, {high}]" in draft
    assert f"channels = {channels}\n" in draft


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        # 0.700123 MHz has no candidate within 25 % of 5 kHz that puts f0/2 on a bin.
        ({"drive__frequency_hz": 0.700123e6}, "between bins"),
        # 500 Hz between two bins 5 kHz apart.
        ({"bands__notches_hz": [[3.3310e6, 3.3315e6]]}, "notch"),
        # In no band, flank or reference at all.
        ({"bands__notches_hz": [[4.9e6, 4.95e6]]}, "notch"),
        ({"receive__noise_gate_start_s": -0.4e-3}, "noise gate"),
        ({"bands__flank_half_width_hz": 80e3}, "contrast"),
    ],
)
def test_what_weakens_the_result_is_warned_of(simmer, changes, word):
    path = write_config(configuration(**changes), simmer.folder / "config.toml")
    done = simmer.run("check", "-c", path)
    assert word in (done.stdout + done.stderr).lower()
