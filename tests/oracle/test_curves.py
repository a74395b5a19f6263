"""Tables over frequency and of the drive: pascals, receive-path loss, MPa of a setting, and tables that are bad.

Every number in pascals or corrected for loss is formed anew from the samples by SciPy's Welch (curves.py). It
must agree to 1e-5 of the powers that enter it and 2e-8·√(P·ΣS·Δf) for what strong lines leave, a tenth of
what §3 of the method page leaves single precision. What follows from cells of the same table must agree to
1e-9. Where truth is a law of noise, bounds are three standard errors of that noise, from curves.py.
"""

import contextlib
import hashlib
import json
import os
import re
import signal
import subprocess
import tomllib

import numpy as np
import pytest
from scipy.io import wavfile

import curves
from conftest import REPO, TIMEOUT_S, binary
from curves import DOSE_COLUMNS, PULSE_COLUMNS, Receiver, Weights, between, dose_column, excess_column, expected
from make import Emission, Recording, Scene, baseline_emissions, configuration, format_changes, record, write_config
from method import QUANTITIES, Plan, degrees_of_freedom_k, overlap_samples
from replayed import small
from test_bad_input import check_message

SAME_TABLE = 1e-9
HZ = {"frequency_hz": 1.0, "frequency_khz": 1e3, "frequency_mhz": 1e6}
# A converter of doubles in volts: no rounding to counts stands between a known voltage and the spectrum.
VOLTS = {**format_changes("rf64_le"), "receive__volts_per_count": 1.0, "receive__full_scale_counts": [-1e3, 1e3]}
SILENT = {"fundamental_v": 0.0, "harmonics_v": {}, "feed_through_v": 0.0, "jitter_db": 0.0, "channel_gain_db": (0.0,)}


def put(simmer, name, points, column, frequency="frequency_hz"):
    """A table with these points (Hz, value) in the simmer's folder; gives its name."""
    lines = [f"{frequency},{column}"] + [f"{f / HZ[frequency]!r},{value!r}" for f, value in points]
    (simmer.folder / name).write_text("\n".join(lines) + "\n")
    return name


def replayed(simmer, config, recording, options=(), name="config"):
    """The session of a recording under a configuration."""
    path = write_config(config, simmer.folder / f"{name}.toml")
    return simmer.replay(path, recording.write(simmer.folder / name), options=options)


def used(config):
    """Numbers of the channels that are looked at."""
    return [c for c in range(config["receive"]["channels"]) if c not in config["receive"]["unused_channels"]]


def check(session, config, pulses, receivers):
    """Every cell in pascals or corrected must be the oracle's; gives what the oracle has."""
    names = used(config)
    rows, tables = expected(config, pulses, receivers, names)
    assert all(tuple(sorted(cells)) == tuple(sorted(PULSE_COLUMNS)) for cells in rows.values())
    faults = [
        f"pulse {pulse} channel {name}: {fault}"
        for (pulse, name), cells in rows.items()
        for fault in curves.faults(session.row(pulse, name), cells)
    ]
    exposures = session.exposures()
    assert len(exposures) == len(tables)
    faults += [f"exposure {i + 1}: {f}" for i, x in enumerate(zip(exposures, tables)) for f in curves.faults(*x)]
    assert not faults, f"{len(faults)} differences\n" + "\n".join(faults[:40])
    for row in session.rows:
        assert row["channel"] != "all" or not any(row[column] for column in PULSE_COLUMNS)
    return rows, tables


# --- known pressures -----------------------------------------------------------------------------


def tone(simmer, channels=1, **changes):
    """Three pulses of 1e-4 V peak at the drive and at its second harmonic, as good as without noise."""
    config = configuration(receive__channels=channels, bands__harmonics=[2], **VOLTS | changes)
    scene = Scene(**SILENT | {"noise_v": 1e-11, "fundamental_v": 2e-4})
    emissions = [Emission(drive_mpa=0.5, lines_v={2: 1e-4}) for _ in range(3)]
    return replayed(simmer, config, record(config, emissions, 7001, scene))


@pytest.mark.parametrize(
    ("column", "value", "frequency", "gain_db", "of"),
    [
        ("sensitivity_v_per_pa", 1e-7, "frequency_hz", 40.0, "receiver"),
        ("sensitivity_uv_per_pa", 0.1, "frequency_khz", 40.0, "receiver"),
        ("sensitivity_nv_per_pa", 100.0, "frequency_mhz", 40.0, "receiver"),
        ("sensitivity_v_per_mpa", 0.1, "frequency_hz", 40.0, "receiver"),
        ("sensitivity_mv_per_mpa", 100.0, "frequency_khz", 40.0, "receiver"),
        ("sensitivity_db_re_1v_per_upa", -260.0, "frequency_mhz", 40.0, "receiver"),
        ("sensitivity_db_re_1v_per_upa", -220.0, "frequency_hz", 40.0, "chain"),
        ("sensitivity_db_re_1v_per_upa", -220.0, "frequency_hz", 0.0, None),
        ("sensitivity_uv_per_pa", 1.0, "frequency_hz", 20.0, "receiver"),
    ],
)
def test_a_tone_of_ten_pascals_comes_back(simmer, column, value, frequency, gain_db, of):
    table = put(simmer, "receiver.csv", [(0.1e6, value), (4.9e6, value)], column, frequency)
    changes = {"receive__sensitivity_of": of} if of else {}
    session = tone(simmer, receive__sensitivity_file=table, receive__gain_db=gain_db, **changes)
    for pulse in range(3):
        for cell in ("fundamental_pa2", "harmonic_pa2"):
            # COMPUTED: 10 Pa peak, 100 mV/MPa, +40 dB -> 1e-4 V peak; (10 Pa)²/2 = 50 Pa². 0.01 dB is 0.23 %.
            assert session.number(pulse, cell) == pytest.approx(50.0, rel=1e-6, abs=0.0)
        assert session.number(pulse, "harmonic_v2") == pytest.approx(5e-9, rel=1e-6, abs=0.0)


# COMPUTED from the definition; −180 dB re 1 V/µPa = 1e-9 V per µPa (READ, boat-fundamentals.readthedocs.io).
CONVERSIONS = (
    ("sensitivity_db_re_1v_per_upa", -180.0, 1e-3),
    ("sensitivity_db_re_1v_per_upa", -260.0, 1e-7),
    ("sensitivity_db_re_1v_per_upa", -266.0, 50.1187234e-9),
    ("sensitivity_db_re_1v_per_upa", -266.020600, 50e-9),
    ("sensitivity_mv_per_mpa", 50.0, 50e-9),
    ("sensitivity_db_re_1v_per_upa", -246.935750, 450e-9),
    ("sensitivity_mv_per_mpa", 450.0, 450e-9),
    ("sensitivity_db_re_1v_per_upa", -300.0, 1e-9),
    ("sensitivity_mv_per_mpa", 1.0, 1e-9),
    ("sensitivity_db_re_1v_per_upa", -220.0, 10e-6),
)


def test_published_conversions_hold_for_a_tone(simmer):
    names = [
        put(simmer, f"{i}.csv", [(0.1e6, value), (4.9e6, value)], column)
        for i, (column, value, _) in enumerate(CONVERSIONS)
    ]
    session = tone(simmer, channels=len(names), receive__sensitivity_file=names)
    for channel, (column, value, v_per_pa) in enumerate(CONVERSIONS):
        found = session.number(1, "harmonic_pa2", channel)
        # (1e-4 V)²/2 over the square of the sensitivity; the table of conversions has nine digits.
        assert found == pytest.approx(5e-9 / v_per_pa**2, rel=1e-6, abs=0.0), (column, value)


def noise_only(simmer, config, pulses, noise_v, seed, stage="exposure", name="config"):
    """A session of nothing but the receiver's white noise, and the recording."""
    scene = Scene(**SILENT | {"noise_v": noise_v})
    recording = record(config, [Emission(stage=stage) for _ in range(pulses)], seed, scene)
    return replayed(simmer, config, recording, name=name), recording


def column_of(session, name, stage="exposure"):
    """The numbers of a column, of rows of a stage."""
    return np.array([float(row[name]) for row in session.rows if row["stage"] == stage])


def test_noise_of_a_preamplifier_is_a_pressure(simmer):
    table = put(simmer, "receiver.csv", [(0.1e6, 100.0), (4.9e6, 100.0)], "sensitivity_nv_per_pa")
    config = configuration(
        receive__sensitivity_file=table, receive__sensitivity_of="receiver", receive__gain_db=40.0, **VOLTS
    )
    # 5 nV/√Hz at the input are 500 nV/√Hz behind 40 dB; one-sided, over half the rate.
    session, _ = noise_only(simmer, config, 40, 5e-7 * np.sqrt(10e6 / 2), 7002)
    density = np.mean(column_of(session, "broadband_pa2_per_hz"))
    plan = Plan(config)
    hop = plan.n - overlap_samples(plan.n, plan.overlap)
    share = 3 / np.sqrt(40 * degrees_of_freedom_k(plan.n, hop, plan.segments, plan.broadband, plan.window))
    # Three standard errors are 0.7 %.
    assert share < 0.008
    # COMPUTED: 5 nV/√Hz / 100 nV/Pa = 0.05 Pa/√Hz.
    assert density == pytest.approx(0.05**2, rel=share, abs=0.0)
    # COMPUTED: against 50 Pa², as a tone of 10 Pa comes back, 3.010300 dB in 10 kHz.
    assert 10 * np.log10(50 / (density * 1e4)) == pytest.approx(3.010300, abs=10 * np.log10(1 + share))


def test_white_noise_behind_a_sloped_sensitivity_has_its_analytic_power(simmer):
    law = lambda f_hz: 1e-6 * (f_hz / 1e6) ** 1.5
    table = put(simmer, "receiver.csv", [(f, law(f)) for f in (0.1e6, 4.95e6)], "sensitivity_v_per_pa")
    config = configuration(receive__sensitivity_file=table, **VOLTS)
    session, recording = noise_only(simmer, config, 40, 1e-3, 7003)
    plan = Plan(config)
    density = 2 * 1e-3**2 / 10e6
    f_hz = np.arange(plan.n // 2 + 1) * plan.df_hz
    with np.errstate(divide="ignore"):
        # Log-log interpolation leaves a power law what it is, so two points say all of it.
        weights = Weights(plan, 1 / law(f_hz) ** 2)
    bands = {"broadband": plan.broadband, "fundamental": plan.lines["fundamental"][0].bins}
    bands |= {q: np.concatenate([x.bins for x in plan.lines[q]]) for q in ("harmonic", "ultraharmonic", "subharmonic")}
    for band, bins in bands.items():
        wanted = np.sum(weights.weight[bins]) * density * plan.df_hz
        error = weights.standard_error(bins, np.full(len(bins), density)) / np.sqrt(40)
        # A standard error is 0.3 % of the broadband and 1 to 2.1 % of lines.
        assert 0.002 < error / wanted < 0.022, band
        assert np.mean(column_of(session, f"{band}_pa2")) == pytest.approx(wanted, abs=3 * error, rel=0.0), band
        # The scatter from pulse to pulse is what the standard error says, too: 40 pulses, ±45 %.
        assert 0.55 < np.std(column_of(session, f"{band}_pa2"), ddof=1) / error / np.sqrt(40) < 1.45, band
    check(session, config, recording.pulses_heard(plan), [Receiver(((0.1e6, law(0.1e6)), (4.95e6, law(4.95e6))))])


# --- loss ----------------------------------------------------------------------------------------

LOSS = ((0.1e6, 2.0), (0.4e6, 4.0), (1.0e6, 11.0), (1.5e6, 18.0), (2.0e6, 26.0))
QUIET, LOUD, NOISE_V = 30, 60, 1e-3


def behind_loss(emitted_v2_per_hz):
    """An emission of this density at its place, white, as it arrives behind LOSS: added to a pulse's samples."""

    def add(samples, rng):
        f_hz = np.fft.rfftfreq(len(samples), 1 / 4e6)
        held = np.clip(f_hz, LOSS[0][0], LOSS[-1][0])
        loss_db = between(LOSS, [db for _, db in LOSS], held)
        white = np.sqrt(emitted_v2_per_hz * 4e6 / 2) * rng.standard_normal(len(samples))
        samples[:, 0] += np.fft.irfft(np.fft.rfft(white) * 10 ** (-loss_db / 20), len(samples))

    return add


def lifted(simmer, seed, emitted_v2_per_hz=0.0):
    """Noise alone as baseline, then noise with an emission behind the loss; session, plan and weights."""
    law = ((0.1e6, 2e-6), (2.0e6, 8e-6))
    config = small(
        receive__insertion_loss_file=put(simmer, "loss.csv", LOSS, "loss_db"),
        receive__sensitivity_file=put(simmer, "receiver.csv", law, "sensitivity_v_per_pa"),
        **VOLTS,
    )
    heard = {"after": behind_loss(emitted_v2_per_hz)} if emitted_v2_per_hz else {}
    emissions = [Emission(stage="baseline")] * QUIET + [Emission(**heard) for _ in range(LOUD)]
    recording = record(config, emissions, seed, Scene(**SILENT | {"noise_v": NOISE_V}))
    plan, receiver = Plan(config), Receiver(law, 0.0, LOSS)
    session = replayed(simmer, config, recording)
    check(session, config, recording.pulses_heard(plan), [receiver])
    return session, recording, {w: Weights.of(plan, receiver, w) for w in curves.WEIGHTINGS}


def excess_error(weights, emitted_v2_per_hz):
    """Standard error of the mean broadband excess of LOUD pulses over QUIET ones, and what is emitted."""
    plan, bins = weights.plan, weights.plan.broadband
    noise = np.full(len(bins), 2 * NOISE_V**2 / plan.fs_hz)
    arrived = emitted_v2_per_hz / 10 ** (between(LOSS, [db for _, db in LOSS], bins * plan.df_hz) / 10)
    quiet, loud = weights.standard_error(bins, noise), weights.standard_error(bins, noise + arrived)
    return np.sqrt(loud**2 / LOUD + quiet**2 / QUIET), np.sum(weights.weight[bins] * arrived) * plan.df_hz


def test_the_receivers_own_noise_is_not_lifted(simmer):
    session, recording, by_weighting = lifted(simmer, 7004)
    plan = by_weighting["corrected"].plan
    readings = [p.readings[0] for p in recording.pulses_heard(plan) if p.stage == "exposure"]
    for weighting in ("corrected", "corrected_pascal"):
        weights = by_weighting[weighting]
        error, _ = excess_error(weights, 0.0)
        found = np.mean(column_of(session, excess_column("broadband", weighting)))
        assert abs(found) < 3 * error
        # What lifting all of a pulse's power would say of the same silence.
        naive = np.mean([weights.heard(r).power_v2["broadband"] for r in readings])
        assert naive > 50 * error
        dose = float(session.exposures()[0][dose_column("broadband", weighting)])
        assert dose == pytest.approx(found * LOUD * plan.gate_s, rel=SAME_TABLE, abs=0.0)


def test_an_emission_behind_a_loss_comes_back_as_it_was_emitted(simmer):
    emitted = 2e-10
    session, _, by_weighting = lifted(simmer, 7005, emitted)
    for weighting in ("corrected", "corrected_pascal"):
        weights = by_weighting[weighting]
        bins, plan = weights.plan.broadband, weights.plan
        error, wanted = excess_error(weights, emitted)
        if weighting == "corrected":
            # All of it, as if nothing stood between: its density over the broadband's bins.
            assert wanted == pytest.approx(emitted * len(bins) * plan.df_hz, rel=1e-12, abs=0.0)
        # A standard error is under 1 % of it.
        assert error < 0.01 * wanted
        found = np.mean(column_of(session, excess_column("broadband", weighting)))
        assert found == pytest.approx(wanted, abs=3 * error, rel=0.0)
    # Without the correction the loss hides nine tenths of it and more.
    raw = np.mean(column_of(session, "broadband_v2")) - np.mean(column_of(session, "broadband_v2", "baseline"))
    assert 0 < raw < 0.1 * emitted * len(bins) * plan.df_hz


# --- every cell anew -----------------------------------------------------------------------------


def points_of(path, unit):
    """Points of one of the example's tables, in Hz and the unit."""
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    assert lines[0].startswith("frequency_mhz,")
    return tuple((float(f) * 1e6, float(v) * unit) for f, v in (line.split(",") for line in lines[1:]))


def demo_pulses(config):
    """The oracle's readings of the example recordings."""
    pulses = []
    for name in ("baseline", "exposure"):
        meta = json.loads((REPO / "demo-data" / f"{name}.sigmf-meta").read_text())
        counts = np.fromfile(REPO / "demo-data" / f"{name}.sigmf-data", "<i2")[:, None]
        marks = [
            {
                "number": note["simmer:pulse"],
                "start": note["core:sample_start"],
                "count": note["core:sample_count"],
                "stage": note["simmer:stage"],
                "drive_mpa": note["simmer:drive_mpa"],
                "target": note.get("simmer:target", ""),
                "trigger": note.get("simmer:trigger_offset"),
                "extra": {},
            }
            for note in meta["annotations"]
        ]
        pulses += Recording(config, counts, marks).pulses_heard(Plan(config))
    return pulses


def demo_receiver():
    """The receiver of the example's tables; the column of its sensitivity is in µV/Pa."""
    folder = REPO / "demo-data"
    return Receiver(points_of(folder / "receiver.csv", 1e-6), 0.0, points_of(folder / "plate-loss.csv", 1.0))


def test_all_cells_of_the_example(bench):
    folder = bench.folder / "demo-data"
    path, quiet, loud = folder / "calibrated.toml", folder / "baseline.sigmf-meta", folder / "exposure.sigmf-meta"
    config = tomllib.loads(path.read_text())
    session = bench.replay(path, quiet, loud)
    check(session, config, demo_pulses(config), [demo_receiver()])
    cells_follow_from_cells(session, Plan(config).gate_s)
    # A baseline file that was made without any table serves as well.
    bench.run("baseline", "-c", folder / "config.toml", "--out", bench.folder / "b.json", quiet)
    after = bench.replay(path, loud, options=["--baseline", bench.folder / "b.json"])
    assert len(after.rows) == 45
    for row in after.rows:
        whole = session.row(row["pulse"])
        for column in PULSE_COLUMNS:
            assert float(row[column]) == pytest.approx(float(whole[column]), rel=SAME_TABLE, abs=0.0), column


def cells_follow_from_cells(session, gate_s):
    """Excess, detection limit and dose are what other cells of the same table make them."""
    quiet = [row for row in session.rows if row["stage"] == "baseline"]
    exposure = [row for row in session.rows if row["stage"] == "exposure"]
    for q in QUANTITIES:
        for row in exposure:
            mean = np.mean([float(b[f"{q}_pa2"]) for b in quiet if b["drive_mpa"] == row["drive_mpa"]])
            power, excess = float(row[f"{q}_pa2"]), float(row[f"{q}_excess_pa2"])
            if q in ("harmonic", "broadband"):
                assert excess == pytest.approx(power - mean, rel=0.0, abs=SAME_TABLE * (power + mean))
            hear = mean * (10 ** (float(row[f"{q}_hear_db"]) / 10) - 1)
            assert float(row[f"{q}_hear_pa2"]) == pytest.approx(hear, rel=SAME_TABLE, abs=0.0)
        for weighting in curves.WEIGHTINGS:
            total = sum(float(row[excess_column(q, weighting)]) for row in exposure) * gate_s
            dose = float(session.exposures()[0][dose_column(q, weighting)])
            assert dose == pytest.approx(total, rel=SAME_TABLE, abs=0.0)


def scene_emissions(drives=(0.15, 0.3), seen=(0.15, 0.3)):
    """Baselines, and pulses with lines, broadband, without numbers, clipped, and beyond the baseline's drives."""
    lines = {"lines_v": {0.5: 3e-3, 1.5: 4e-3, 2.5: 2e-3}}
    loud = [{}, lines, lines, {"broadband_v": 2e-3}, {"lines_v": {2: 0.02}}]
    return (
        baseline_emissions(drives, each=15)
        + [Emission(stage="baseline", drive_mpa=drives[0], gain_db=30.0)]
        + [Emission(drive_mpa=d, **extra) for d in seen for extra in loud]
        + [Emission(count=18000), Emission(extra={"simmer:lost_samples": 5}), Emission(gain_db=30.0)]
        + [Emission(drive_mpa=0.9)]
    )


FLAT = ((0.1e6, 3e-6), (4.95e6, 3e-6))
SLOPED = ((0.1e6, 2e-6), (0.7e6, 9e-6), (1.6e6, 7e-6), (3.3e6, 2e-6), (4.99e6, 5e-7))
PLATE = ((0.2e6, 2.5), (1.0e6, 6.0), (2.2e6, 12.5), (4.9e6, 24.0))


def tables(simmer):
    """Files of FLAT, SLOPED and PLATE, each in another unit."""
    put(simmer, "flat.csv", [(f, v * 1e9) for f, v in FLAT], "sensitivity_mv_per_mpa")
    decibels = [(f, float(20 * np.log10(v)) - 120) for f, v in SLOPED]
    put(simmer, "sloped.csv", decibels, "sensitivity_db_re_1v_per_upa", "frequency_khz")
    put(simmer, "plate.csv", PLATE, "loss_db", "frequency_mhz")


def test_all_cells_of_channels_with_tables_of_their_own(simmer):
    tables(simmer)
    config = configuration(
        receive__channels=5,
        receive__unused_channels=[1],
        receive__gain_db=[20.0, 3.0, -6.0, 12.0, 0.5],
        receive__sensitivity_of="receiver",
        receive__sensitivity_file=["sloped.csv", "flat.csv", "flat.csv", "", ""],
        receive__insertion_loss_file=["", "plate.csv", "plate.csv", "plate.csv", ""],
    )
    recording = record(config, scene_emissions(), 7006, Scene(channel_gain_db=(0.0, 2.0, 0.4, -0.6, 1.0)))
    session = replayed(simmer, config, recording)
    receivers = [Receiver(SLOPED, 20.0), Receiver(FLAT, -6.0, PLATE), Receiver((), 0.0, PLATE), Receiver()]
    rows, doses = check(session, config, recording.pulses_heard(Plan(config)), receivers)
    # The test is of something: each of the three weightings has cells with and without a number.
    for column in ("broadband_excess_pa2", "harmonic_corrected_excess_v2", "subharmonic_corrected_excess_pa2"):
        found = [not cells[column].empty for cells in rows.values()]
        assert any(found) and not all(found), column
    assert not any(cell.empty for cell in doses[0].values())
    parts = session.about()["calibration"]["channels"]
    having = [[name for name in curves.WEIGHTINGS if part[name]] for part in parts]
    assert having == [["pascal"], list(curves.WEIGHTINGS), ["corrected"], []]
    assert [part["channel"] for part in parts] == [0, 2, 3, 4]


def test_a_dose_is_the_mean_over_the_channels_that_have_it(simmer):
    tables(simmer)
    config = configuration(
        receive__channels=2,
        receive__gain_db=[20.0, 14.0],
        receive__sensitivity_of="chain",
        receive__sensitivity_file=["", "sloped.csv"],
        receive__insertion_loss_file="plate.csv",
    )
    recording = record(config, scene_emissions(), 7007)
    session = replayed(simmer, config, recording)
    receivers = [Receiver((), 0.0, PLATE), Receiver(SLOPED, 0.0, PLATE)]
    check(session, config, recording.pulses_heard(Plan(config)), receivers)
    gate_s, [exposure] = Plan(config).gate_s, session.exposures()
    for q in QUANTITIES:
        for weighting, channels in (("pascal", [1]), ("corrected", [0, 1]), ("corrected_pascal", [1])):
            cells = [r[excess_column(q, weighting)] for r in session.rows if r["channel"] in map(str, channels)]
            total = sum(float(cell) for cell in cells if cell) * gate_s / len(channels)
            assert float(exposure[dose_column(q, weighting)]) == pytest.approx(total, rel=SAME_TABLE, abs=0.0)


def test_all_cells_between_the_drives_of_a_baseline(simmer):
    tables(simmer)
    config = configuration(receive__sensitivity_file="sloped.csv", receive__insertion_loss_file="plate.csv")
    # Between drives, at one, within the tolerance of the last, and beyond it.
    emissions = scene_emissions(drives=(0.12, 0.2, 0.33), seen=(0.15, 0.2, 0.27, 0.34))
    recording = record(config, emissions, 7008)
    session = replayed(simmer, config, recording)
    rows, _ = check(session, config, recording.pulses_heard(Plan(config)), [Receiver(SLOPED, 0.0, PLATE)])
    beyond = [p["number"] for p in recording.pulses if p["drive_mpa"] == 0.9]
    for pulse in beyond:
        # No baseline, no excess; a pressure all the same.
        assert session.row(pulse)["broadband_pa2"] and not session.row(pulse)["broadband_excess_pa2"]
        assert rows[pulse, "0"]["broadband_excess_pa2"].empty


def test_all_cells_of_two_exposures_under_another_window(simmer):
    tables(simmer)
    config = configuration(
        spectrum__window="blackman-harris",
        spectrum__overlap=0.66,
        bands__line_half_width_hz=20e3,
        receive__sensitivity_file="sloped.csv",
        receive__insertion_loss_file="plate.csv",
    )
    emissions = [
        Emission(**{"stage": stage, "target": target, "drive_mpa": 0.3} | extra)
        for target in ("left", "right")
        for stage, extra in [("baseline", {})] * 12 + [("exposure", {"broadband_v": 2e-3}), ("exposure", {})] * 2
    ]
    recording = record(config, emissions, 7016)
    session = replayed(simmer, config, recording)
    _, doses = check(session, config, recording.pulses_heard(Plan(config)), [Receiver(SLOPED, 0.0, PLATE)])
    assert len(doses) == 2
    # A dose is never carried over: both exposures hold two loud pulses and two silent ones.
    first, second = (float(row["broadband_corrected_excess_dose_pa2s"]) for row in session.exposures())
    assert second == pytest.approx(first, rel=0.1, abs=0.0)


# Ends between bins: 2.8 MHz ± 15 kHz is half covered by the one, 1.05 MHz by the other.
SHORT_EAR = ((0.501e6, 4e-6), (1.2e6, 8e-6), (2.803e6, 3e-6))
SHORT_PLATE = ((1.052e6, 6.0), (2.2e6, 12.5), (3.003e6, 16.0))


def test_a_table_that_covers_a_part_counts_whole_lines_and_its_bins_alone(simmer):
    put(simmer, "ear.csv", SHORT_EAR, "sensitivity_v_per_pa")
    put(simmer, "plate.csv", SHORT_PLATE, "loss_db", "frequency_khz")
    config = configuration(receive__sensitivity_file="ear.csv", receive__insertion_loss_file="plate.csv")
    recording = record(config, scene_emissions(), 7009)
    session = replayed(simmer, config, recording)
    receiver, plan = Receiver(SHORT_EAR, 0.0, SHORT_PLATE), Plan(config)
    check(session, config, recording.pulses_heard(plan), [receiver])
    exposed = next(row for row in session.rows if row["stage"] == "exposure")
    assert exposed["subharmonic_pa2"] == "" and exposed["subharmonic_corrected_excess_v2"] == ""
    assert session.exposures()[0]["subharmonic_excess_dose_pa2s"] == ""
    [part] = session.about()["calibration"]["channels"]
    lines = {
        "pascal": ({"harmonic": [1.4e6, 2.1e6], "ultraharmonic": [1.05e6, 1.75e6, 2.45e6]}, "1.035–2.74"),
        "corrected": ({"harmonic": [1.4e6, 2.1e6, 2.8e6], "ultraharmonic": [1.75e6, 2.45e6]}, "1.11–3.0"),
        "corrected_pascal": ({"harmonic": [1.4e6, 2.1e6], "ultraharmonic": [1.75e6, 2.45e6]}, "1.11–2.74"),
    }
    every = {q: [x.multiple * 0.7e6 for x in plan.lines[q]] for q in ("harmonic", "ultraharmonic", "subharmonic")}
    for weighting, (with_hz, label) in lines.items():
        weights, said = Weights.of(plan, receiver, weighting), part[weighting]
        for q, all_hz in every.items():
            assert said["lines_hz"][q] == pytest.approx(with_hz.get(q, [])), (weighting, q)
            missing = [f for f in all_hz if not any(abs(f - other) < 1 for other in with_hz.get(q, []))]
            assert said["lines_without_hz"][q] == pytest.approx(missing), (weighting, q)
        share = len(weights.broadband) / len(plan.broadband)
        assert said["broadband_share"] == pytest.approx(share, rel=1e-12, abs=0.0) and 0.3 < share < 0.7
        bins = np.concatenate([np.round(np.arange(a, b + 1, plan.df_hz) / plan.df_hz) for a, b in said["broadband_hz"]])
        assert np.array_equal(bins, weights.broadband)
        assert said["whole"] is False and f"{label} MHz" in said["label"], said["label"]
    assert part["corrected"]["label"].startswith("corrected for receive-path loss, ")


def test_a_table_that_covers_nothing_leaves_all_cells_empty(simmer):
    put(simmer, "ear.csv", [(10e3, 1e-6), (300e3, 1e-6)], "sensitivity_v_per_pa")
    config = configuration(receive__sensitivity_file="ear.csv")
    session = replayed(simmer, config, record(config, scene_emissions(seen=(0.3,)), 7010))
    assert not any(row[column] for row in session.rows for column in PULSE_COLUMNS)
    assert not any(row[column] for row in session.exposures() for column in DOSE_COLUMNS)
    [part] = session.about()["calibration"]["channels"]
    assert part["pascal"]["broadband_share"] == 0 and part["pascal"]["broadband_hz"] == []


@pytest.mark.parametrize("frequency", HZ)
@pytest.mark.parametrize(("low_hz", "high_hz"), [(2.015e6, 4.885e6), (0.3e6, 2.01e6), (2.4e6, 4.03e6)])
def test_a_bin_at_the_end_of_a_table_is_covered_in_every_unit(simmer, frequency, low_hz, high_hz):
    """Ends that are bins of the broadband; some of them in MHz are not the same double times 1e6."""
    put(simmer, "ear.csv", [(low_hz, 2e-6), (high_hz, 5e-6)], "sensitivity_v_per_pa", frequency)
    config = configuration(receive__sensitivity_file="ear.csv")
    session = replayed(simmer, config, record(config, [Emission()], 7011))
    [part] = session.about()["calibration"]["channels"]
    plan = Plan(config)
    low, high = round(low_hz / plan.df_hz), round(high_hz / plan.df_hz)
    assert {low, high} & set(plan.broadband)
    share = np.mean((plan.broadband >= low) & (plan.broadband <= high))
    assert part["pascal"]["broadband_share"] == pytest.approx(share, rel=1e-12, abs=0.0)


# --- what tables leave alone ---------------------------------------------------------------------


def test_nothing_else_changes_with_tables(simmer):
    tables(simmer)
    plain_config = configuration(receive__channels=2, receive__gain_db=[6.0, 0.0])
    config = configuration(
        receive__channels=2,
        receive__gain_db=[6.0, 0.0],
        receive__sensitivity_of="receiver",
        receive__sensitivity_file=["flat.csv", "sloped.csv"],
        receive__insertion_loss_file="plate.csv",
    )
    recording = record(config, scene_emissions(), 7012)
    with_tables, without = (replayed(simmer, c, recording, ["--spectra"]) for c in (config, plain_config))
    assert list(with_tables.rows[0]) == list(without.rows[0])
    exposures = with_tables.exposures()
    assert ",".join(PULSE_COLUMNS) in with_tables.text.splitlines()[0]
    assert ",".join(DOSE_COLUMNS) in ",".join(exposures[0])
    assert {row["verdict"] for row in without.rows} >= {"inertial", "stable", "indeterminate"}
    for rows, plain, added in (
        (with_tables.rows, without.rows, PULSE_COLUMNS),
        (exposures, without.exposures(), DOSE_COLUMNS),
    ):
        older = lambda row: {column: cell for column, cell in row.items() if column not in added}
        assert [older(row) for row in rows] == [older(row) for row in plain]
        assert not any(row[column] for row in plain for column in added)
        assert any(row[column] for row in rows for column in added)
    for name in ("events.ndjson", "spectra.npy"):
        assert (with_tables.folder / name).read_bytes() == (without.folder / name).read_bytes(), name
    assert without.about()["calibration"] is None and without.about()["tables"] == []


def test_numbers_with_tables_do_not_hang_on_workers_or_blocks(simmer):
    tables(simmer)
    config = configuration(
        receive__channels=2, receive__sensitivity_file=["flat.csv", ""], receive__insertion_loss_file="plate.csv"
    )
    recording = record(config, scene_emissions(), 7015)
    first = replayed(simmer, config, recording, ["--workers", "1"])
    second = replayed(simmer, config, recording, ["--workers", "2", "--block-bytes", "4099"])
    for name in ("pulses.csv", "exposures.csv"):
        assert (first.folder / name).read_bytes() == (second.folder / name).read_bytes(), name


def test_check_says_what_tables_cover(simmer):
    put(simmer, "ear.csv", SHORT_EAR, "sensitivity_v_per_pa")
    put(simmer, "plate.csv", SHORT_PLATE, "loss_db")
    changes = {"receive__sensitivity_file": "ear.csv", "receive__sensitivity_of": "receiver", "receive__gain_db": 12.5}
    config = configuration(receive__insertion_loss_file="plate.csv", drive__calibration_file="drive.csv", **changes)
    (simmer.folder / "drive.csv").write_text(DRIVE_TABLE)
    text = simmer.run("check", "-c", write_config(config, simmer.folder / "config.toml")).stdout
    for name in ("ear.csv", "plate.csv", "drive.csv"):
        assert hashlib.sha256((simmer.folder / name).read_bytes()).hexdigest() in text, name
    for words in ("1.035–2.74 MHz", "corrected for receive-path loss, 1.11–3.0 MHz", "1.11–2.74 MHz", "12.5 dB"):
        assert words in text, f"{words} is not in\n{text}"
    for words in ("0.35 MHz", "2.8 MHz", "1.05 MHz", "20 to 140", "0.05 to 0.5 MPa"):
        assert words in text, f"{words} is not in\n{text}"


def test_a_baseline_file_is_the_same_with_tables(bench):
    folder = bench.folder / "demo-data"
    for name in ("config", "calibrated"):
        out = bench.folder / f"{name}.json"
        bench.run("baseline", "-c", folder / f"{name}.toml", "--out", out, folder / "baseline.sigmf-meta")
    assert (bench.folder / "config.json").read_bytes() == (bench.folder / "calibrated.json").read_bytes()


@contextlib.contextmanager
def monitor(config, out):
    """A monitor that takes samples, and its address; at the end it is stopped as a person would."""
    running = subprocess.Popen(
        [str(binary()), "monitor", "-c", config, "--out", out, "--listen", "127.0.0.1:0", "--stream", "127.0.0.1:0"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        # Some shells start jobs with SIGINT ignored, which children inherit.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        found = (re.match(r"stream on (127\.0\.0\.1:\d+)$", line) for line in iter(running.stderr.readline, ""))
        yield next(filter(None, found))[1]
        running.send_signal(signal.SIGINT)
        _, rest = running.communicate(timeout=TIMEOUT_S)
    finally:
        running.kill()
    assert running.returncode == 130, rest


def test_a_session_keeps_its_tables_and_replays_from_them(bench):
    folder = bench.folder / "demo-data"
    path, out = folder / "calibrated.toml", bench.folder / "live"
    drive = folder / "drive.csv"
    drive.write_text("# set → driven\nsetting,mpa\n0,0\n10,1.0\n", encoding="utf-8")
    record_raw = "[record]\nraw = true\nrotate_bytes = 4294967296\nkeep_free_bytes = 1048576\n\n"
    text = path.read_text().replace("[drive]", record_raw + '[drive]\ncalibration_file = "drive.csv"', 1)
    path.write_text(text)
    recordings = [folder / "baseline.sigmf-meta", folder / "exposure.sigmf-meta"]
    with monitor(path, out) as address:
        bench.run("send", "--to", address, "-c", path, "--speed", "max", *recordings)
    kept = json.loads((out / "session.json").read_text())["tables"]
    files = {name: (folder / name).read_bytes() for name in ("receiver.csv", "plate-loss.csv", "drive.csv")}
    assert {table["name"] for table in kept} == set(files) and len(kept) == 3
    for table in kept:
        assert table["text"].encode() == files[table["name"]]
        assert table["sha256"] == hashlib.sha256(files[table["name"]]).hexdigest()
    # The folder alone says what the tables said, whatever becomes of the files.
    for name in files:
        (folder / name).unlink()
    bench.run("replay", "--out", bench.folder / "again", out)
    assert (bench.folder / "again" / "pulses.csv").read_bytes() == (out / "pulses.csv").read_bytes()
    assert (bench.folder / "again" / "exposures.csv").read_bytes() == (out / "exposures.csv").read_bytes()
    assert json.loads((bench.folder / "again" / "session.json").read_text())["tables"] == kept
    # Live numbers are those of a replay of the same recordings.
    for name, content in files.items():
        (folder / name).write_bytes(content)
    session = bench.replay(path, *recordings)
    live = (out / "pulses.csv").read_text().splitlines()
    assert len(live) == 136
    names = live[0].split(",")
    at = [names.index(column) for column in PULSE_COLUMNS]
    for line in live[1:]:
        cells = line.split(",")
        assert [cells[i] for i in at] == [session.row(cells[0])[column] for column in PULSE_COLUMNS]
        assert all(cells[i] for i in at[:6])


# --- the drive's calibration ---------------------------------------------------------------------

DRIVE_TABLE = "# amplifier 2\nsetting,note,mpa\n20,,0.05\n50,knee,0.15\n100,,0.3\n140,,0.5\n"


def driven(simmer, cues, table=DRIVE_TABLE):
    """A session of short pulses whose stage, drive and setting a cue list says: (stage, MPa, setting) each."""
    config = small(drive__calibration_file="drive.csv")
    (simmer.folder / "drive.csv").write_text(table)
    # What is heard goes with the MPa that each setting drives, so that a wrong drive would stand out.
    true_mpa = lambda mpa, setting: mpa if setting is None else float(np.interp(setting, *CURVE))
    emissions = [Emission(stage=stage, drive_mpa=true_mpa(mpa, setting)) for stage, mpa, setting in cues]
    recording = record(config, emissions, 7013)
    wavfile.write(simmer.folder / "bare.wav", 4_000_000, recording.counts.astype("<i2"))
    cell = lambda value: "" if value is None else value
    lines = ["start_sample,sample_count,pulse,drive_mpa,stage,drive_setting"] + [
        f"{p['start']},{p['count']},{p['number']},{cell(mpa)},{stage},{cell(setting)}"
        for p, (stage, mpa, setting) in zip(recording.pulses, cues)
    ]
    (simmer.folder / "cues.csv").write_text("\n".join(lines) + "\n")
    path = write_config(config, simmer.folder / "config.toml")
    return simmer.replay(path, simmer.folder / "bare.wav", options=["--cues", simmer.folder / "cues.csv"])


CURVE = ([20, 50, 100, 140], [0.05, 0.15, 0.3, 0.5])


def warnings_of(session, word):
    """Warnings that hold a word."""
    return [e for e in session.events() if e["event"] == "warning" and word in e["text"]]


def test_a_setting_becomes_its_drive_and_finds_its_baseline(simmer):
    # Of the baseline half of the pulses say their MPa, half their setting; 75 lies midway between 50 and 100.
    quiet = [("baseline", mpa, setting) for mpa, setting in ((0.15, 50), (0.3, 100)) for _ in range(10)]
    quiet = [(stage, mpa, None) if i % 2 else (stage, None, setting) for i, (stage, mpa, setting) in enumerate(quiet)]
    settings = (20, 50, 75, 83.5, 100, 140)
    session = driven(simmer, quiet + [("exposure", None, s) for s in settings])
    rows = [session.row(len(quiet) + i) for i in range(len(settings))]
    for row, setting in zip(rows, settings):
        assert float(row["drive_setting"]) == setting
        # COMPUTED with NumPy: interp.
        assert float(row["drive_mpa"]) == pytest.approx(float(np.interp(setting, *CURVE)), rel=1e-12, abs=0.0)
    known = {float(row["drive_mpa"]) for row in session.rows[: len(quiet)]}
    assert sorted(known) == pytest.approx([0.15, 0.3], rel=1e-12)
    # The baseline joined by MPa: ten pulses a drive, five said and five set; fewer than ten give no limits.
    for row, setting in zip(rows, settings):
        inside = 50 <= setting <= 100
        assert bool(row["broadband_limit_db"]) is inside, setting
        assert ("drive outside baseline" in row["reason"]) is not inside, row["reason"]
        assert inside or row["verdict"] == "indeterminate"
    assert not warnings_of(session, "calibration")


def test_a_setting_outside_the_table_leaves_the_drive_unknown_and_says_so_once(simmer):
    quiet = [("baseline", 0.3, None)] * 12
    loud = [("exposure", None, 140.001)] * 3 + [("exposure", None, 19.999)] * 2 + [("exposure", 0.3, 160)] * 2
    session = driven(simmer, quiet + loud)
    for pulse in range(12, 17):
        row = session.row(pulse)
        assert row["drive_mpa"] == "" and row["drive_setting"] != "" and row["broadband_limit_db"] == ""
        assert "no baseline" in row["reason"] and row["verdict"] == "indeterminate"
    for pulse in (17, 18):
        # What is said needs no table.
        assert float(session.row(pulse)["drive_mpa"]) == 0.3 and session.row(pulse)["verdict"] == "not_detected"
    said = warnings_of(session, "calibration")
    assert [(e["pulse"], "140.001" in e["text"], "19.999" in e["text"]) for e in said] == [
        (12, True, False), (15, False, True)
    ]  # fmt: skip
    assert all("20" in e["text"] and "140" in e["text"] for e in said)


def test_what_is_said_holds_against_the_table_and_a_warning_says_so(simmer):
    quiet = [("baseline", 0.3, 100)] * 12
    # drive_tolerance is 5 %: 0.314 agrees with 0.3, 0.316 does not; 50 makes 0.15 of what is said to be 0.3.
    session = driven(simmer, quiet + [("exposure", 0.314, 100), ("exposure", 0.3, 50), ("exposure", 0.316, 100)])
    assert [float(session.row(pulse)["drive_mpa"]) for pulse in (12, 13, 14)] == [0.314, 0.3, 0.316]
    said = warnings_of(session, "calibration")
    assert [e["pulse"] for e in said] == [13, 14]
    for event, words in zip(said, (("0.3 ", "0.15", "50"), ("0.316", "0.3 ", "100"))):
        assert all(word in event["text"] for word in words), event["text"]
    assert session.row(13)["broadband_limit_db"]


def test_a_drive_of_zero_is_a_drive(simmer):
    table = "setting,mpa\n0,0\n100,0.3\n"
    session = driven(simmer, [("baseline", 0, None)] * 12 + [("exposure", None, 0), ("exposure", None, 50)], table)
    assert float(session.row(12)["drive_mpa"]) == 0.0 and session.row(12)["broadband_limit_db"]
    assert float(session.row(13)["drive_mpa"]) == pytest.approx(0.15, rel=1e-12, abs=0.0)


# --- tables that are bad -------------------------------------------------------------------------

EAR, PLATE_KEY, DRIVE = "receive.sensitivity_file", "receive.insertion_loss_file", "drive.calibration_file"
NV = "frequency_hz,sensitivity_nv_per_pa\n"
LONG_CELLS = b",".join([b"7" * 2_000_000 + b"y"] * 5) + b"\n"


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """A folder with a recording of one pulse."""
    folder = tmp_path_factory.mktemp("short")
    config = small()
    return config, record(config, [Emission()], 7014).write(folder / "short")


def refused(simmer, short, key, content, code, **changes):
    """A replay under a configuration whose key names a file of this content; it must fail, and leaves nothing."""
    section, name = key.split(".")
    config = small(**{f"{section}__{name}": "table.csv"} | changes)
    if content is not None:
        (simmer.folder / "table.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    path = write_config(config, simmer.folder / "bench.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", short[1], code=code)
    assert not (simmer.folder / "out" / "pulses.csv").exists()
    # simmer check says the same.
    again = simmer.run("check", "-c", path, code=code)
    assert done.stderr.splitlines()[0] == again.stderr.splitlines()[0]
    return done


@pytest.mark.parametrize("key", [EAR, PLATE_KEY, DRIVE])
def test_a_missing_table_is_66(simmer, short, key):
    check_message(refused(simmer, short, key, None, 66), "bench.toml", key, "table.csv")


@pytest.mark.parametrize("key", [EAR, PLATE_KEY, DRIVE])
def test_a_folder_instead_of_a_table_is_65(simmer, short, key):
    (simmer.folder / "table.csv").mkdir()
    check_message(refused(simmer, short, key, None, 65), "bench.toml", key, "table.csv", "folder")


@pytest.mark.parametrize("key", [EAR, PLATE_KEY, DRIVE])
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x00\xff\xfe\x80" * 500, ["UTF-8"]),
        (b"\x00\x01\x02\n" * 500, ["line 1"]),
        (b"", ["heading"]),
        (b"# only a remark\n", ["heading"]),
        (b"1e5,100\n2e6,100\n", ["line 1", "1e5"]),
        (b"#" * 17_000_000, ["16777216"]),
        (b"x," * 4_000_000, ["line 1"]),
        (b"frequency_hz,loss_db,sensitivity_v_per_pa,setting,mpa\n" + LONG_CELLS, ["line 2"]),
    ],
    ids=["binary", "control characters", "empty", "remark", "no heading", "17 MB", "one line", "one cell"],
)
def test_a_table_that_is_none_is_65(simmer, short, key, content, words):
    done = refused(simmer, short, key, content, 65)
    check_message(done, "bench.toml", key, "table.csv", *words)
    assert len(done.stderr) < 3000


@pytest.mark.parametrize("key", [EAR, PLATE_KEY, DRIVE])
def test_a_table_that_never_ends_or_never_begins_is_65(simmer, short, monkeypatch, key):
    monkeypatch.setattr("conftest.TIMEOUT_S", 10)
    (simmer.folder / "table.csv").symlink_to("/dev/zero")
    check_message(refused(simmer, short, key, None, 65), "bench.toml", key, "table.csv")
    (simmer.folder / "table.csv").unlink()
    # A pipe nobody writes into.
    os.mkfifo(simmer.folder / "table.csv")
    check_message(refused(simmer, short, key, None, 65), "bench.toml", key, "table.csv", "regular file")


BAD_ROWS = {
    "zero": (EAR, NV + "1e5,100\n2e5,0\n2e6,100\n", ["line 3", "sensitivity_nv_per_pa", "above 0"]),
    "negative": (EAR, NV + "1e5,-100\n2e6,100\n", ["line 2", "-100", "above 0"]),
    "nan": (EAR, NV + "1e5,100\n2e6,NaN\n", ["line 3", "nan"]),
    "inf": (EAR, NV + "1e5,inf\n2e6,100\n", ["line 2", "inf"]),
    "overflow": (EAR, NV + "1e5,1e999\n2e6,100\n", ["line 2", ("inf", "1e999")]),
    "word": (EAR, NV + "1e5,loud\n2e6,100\n", ["line 2", "loud", "number"]),
    "no cell": (EAR, NV + "1e5\n2e6,100\n", ["line 2", "1 cells under 2 columns"]),
    "dB nan": (EAR, "frequency_hz,sensitivity_db_re_1v_per_upa\n1e5,nan\n2e6,-260\n", ["line 2", "nan"]),
    "dB inf": (EAR, "frequency_hz,sensitivity_db_re_1v_per_upa\n1e5,-260\n2e6,-inf\n", ["line 3", "inf"]),
    "frequency zero": (EAR, NV + "0,100\n2e6,100\n", ["line 2", "0 Hz", "above 0"]),
    "frequency nan": (EAR, NV + "NaN,100\n2e6,100\n", ["line 2", "nan"]),
    "unsorted": (EAR, NV + "# turned\n2e6,100\n1e5,100\n", ["line 4", "100000", "2000000", "rise"]),
    "repeat": (EAR, "frequency_mhz,sensitivity_v_per_pa\n1.5,1\n1.5,1\n", ["line 3", "1500000", "rise"]),
    "one row": (EAR, NV + "1e5,100\n", ["1 points", "2"]),
    "no rows": (EAR, NV, ["0 points", "2"]),
    "two sensitivities": (
        EAR,
        "frequency_hz,sensitivity_nv_per_pa,sensitivity_v_per_pa\n1e5,100,1e-7\n2e6,100,1e-7\n",
        ["line 1", "sensitivity_nv_per_pa", "sensitivity_v_per_pa"],
    ),
    "two frequencies": (
        EAR,
        "frequency_hz,frequency_mhz,sensitivity_nv_per_pa\n1e5,0.1,100\n2e6,2,100\n",
        ["line 1", "frequency_hz", "frequency_mhz"],
    ),
    "a sensitivity twice": (
        EAR,
        "frequency_hz,sensitivity_nv_per_pa,sensitivity_nv_per_pa\n1e5,100,1\n2e6,100,1\n",
        ["line 1", "sensitivity_nv_per_pa"],
    ),
    "a loss twice": (PLATE_KEY, "frequency_hz,loss_db,loss_db\n1e5,1,2\n2e6,1,2\n", ["line 1", "loss_db"]),
    # Decimal commas: 1,4 MHz and 11,5 µV/Pa are not 1 MHz and 4 µV/Pa.
    "decimal commas": (EAR, "frequency_mhz,sensitivity_uv_per_pa\n0.1,6\n1,4,11,5\n2,8,9,5\n", ["line 3"]),
    "loss with decimal commas": (PLATE_KEY, "frequency_mhz,loss_db\n0,1,6,0\n1,4,11,5\n2,8,19,5\n", ["line 2"]),
    "a loss for a sensitivity": (EAR, "frequency_hz,loss_db\n1e5,1\n2e6,2\n", ["line 1", "loss_db", "sensitivity_"]),
    "a sensitivity for a loss": (PLATE_KEY, NV + "1e5,1\n2e6,2\n", ["line 1", "sensitivity_nv_per_pa", "loss_db"]),
    "negative loss": (PLATE_KEY, "frequency_khz,loss_db\n100,1\n2000,-0.5\n", ["line 3", "-0.5", "loss"]),
    "loss nan": (PLATE_KEY, "frequency_khz,loss_db\n100,nan\n2000,1\n", ["line 2", "nan"]),
    "loss inf": (PLATE_KEY, "frequency_khz,loss_db\n100,1\n2000,inf\n", ["line 3", "inf"]),
    "loss unsorted": (PLATE_KEY, "frequency_khz,loss_db\n2000,1\n100,2\n", ["line 3", "rise"]),
    "settings fall": (DRIVE, "setting,mpa\n100,0.1\n50,0.2\n", ["line 3", "50", "100", "rise"]),
    "setting twice": (DRIVE, "setting,mpa\n100,0.1\n100,0.2\n", ["line 3", "100", "rise"]),
    "setting nan": (DRIVE, "setting,mpa\nnan,0.1\n50,0.2\n", ["line 2", "nan"]),
    "negative drive": (DRIVE, "setting,mpa\n1,0.1\n50,-0.2\n", ["line 3", "-0.2", "0 to 100"]),
    "drive inf": (DRIVE, "setting,mpa\n1,0.1\n50,inf\n", ["line 3", "inf"]),
    "drive word": (DRIVE, "setting,mpa\n1,low\n50,0.2\n", ["line 2", "mpa", "low"]),
    "one setting": (DRIVE, "setting,mpa\n1,0.1\n", ["1 points", "2"]),
    "a drive twice": (DRIVE, "setting,mpa,mpa\n1,0.1,0.2\n2,0.2,0.4\n", ["line 1", "mpa"]),
    "drive with decimal commas": (DRIVE, "setting,mpa\n1,0,1\n2,0,2\n", ["line 2"]),
    "drive without a column": (DRIVE, "setting,kpa\n1,100\n2,200\n", ["line 1", "kpa", "mpa"]),
}


@pytest.mark.parametrize("name", BAD_ROWS)
def test_a_bad_table_is_65_with_line_and_value(simmer, short, name):
    key, content, words = BAD_ROWS[name]
    check_message(refused(simmer, short, key, content, 65), "bench.toml", key, "table.csv", *words)


def test_a_table_of_the_widest_file_is_read(simmer, short):
    """Just under 16 MiB, nearly all of it remarks, which is no reason to refuse it."""
    text = NV + "1e5,100\n" + ("# " + "x" * 1021 + "\n") * 16_383 + "2e6,100\n"
    assert 16_700_000 < len(text) < 2**24
    (simmer.folder / "table.csv").write_text(text)
    path = write_config(small(receive__sensitivity_file="table.csv"), simmer.folder / "bench.toml")
    session = simmer.replay(path, short[1])
    assert session.row(0)["broadband_pa2"]


def test_a_table_is_found_beside_its_configuration(simmer, short):
    inner = simmer.folder / "inner" / "tables"
    inner.mkdir(parents=True)
    (inner / "ear.csv").write_text(NV + "1e5,100\n2e6,100\n")
    path = write_config(small(receive__sensitivity_file="tables/ear.csv"), simmer.folder / "inner" / "bench.toml")
    # COMPUTED: 100 nV/Pa.
    row = simmer.replay(path, short[1]).row(0)
    assert float(row["broadband_pa2"]) == pytest.approx(float(row["broadband_v2"]) / 1e-14, rel=1e-6, abs=0.0)


@pytest.mark.parametrize("key", [EAR, PLATE_KEY])
@pytest.mark.parametrize("paths", [["a.csv"], ["a.csv", "", "a.csv"], []])
def test_a_wrong_number_of_paths_is_78(simmer, short, key, paths):
    name = key.partition(".")[2]
    config = small(receive__channels=2, **{f"receive__{name}": paths})
    path = write_config(config, simmer.folder / "bench.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", short[1], code=78)
    check_message(done, "bench.toml", key, f"{len(paths)} path", "2")


@pytest.mark.parametrize("value", [3, True, {"a": 1}, "", "x\ny", "p" * 5000])
def test_a_path_that_is_none_is_78(simmer, short, value):
    path = write_config(small(receive__sensitivity_file=value), simmer.folder / "bench.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", short[1], code=78)
    check_message(done, "bench.toml", EAR)


@pytest.mark.parametrize("gain_db", [6.0, [0.0, -0.5]])
def test_a_gain_without_a_word_on_it_is_78(simmer, short, gain_db):
    put(simmer, "ear.csv", [(1e5, 1e-7), (2e6, 1e-7)], "sensitivity_v_per_pa")
    config = small(receive__channels=2, receive__gain_db=gain_db, receive__sensitivity_file="ear.csv")
    path = write_config(config, simmer.folder / "bench.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", short[1], code=78)
    check_message(done, "bench.toml", "sensitivity_of", "gain_db", "receiver", "chain")


def test_another_word_for_what_a_sensitivity_is_of_is_78(simmer, short):
    put(simmer, "ear.csv", [(1e5, 1e-7), (2e6, 1e-7)], "sensitivity_v_per_pa")
    config = small(receive__sensitivity_file="ear.csv", receive__sensitivity_of="preamplifier")
    path = write_config(config, simmer.folder / "bench.toml")
    done = simmer.run("replay", "-c", path, "--out", simmer.folder / "out", short[1], code=78)
    check_message(done, "bench.toml", "sensitivity_of", "preamplifier", "receiver", "chain")
