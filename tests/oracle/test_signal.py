"""Spectra and band powers of the binary against SciPy, within the tolerances of method §3."""

import os

import numpy as np
import pytest

from make import FORMATS, HALF_SPAN_V, Emission, Recording, Scene, configuration, format_changes, record
from make import write_config
from method import QUANTITIES, Fault, Plan, half_even, noise_density, seven_smooth, welch

SEED = int(os.environ.get("SIMMER_ORACLE_SEED", "20260504"))


# --- tolerances of §3 ----------------------------------------------------------------------------


def check_spectrum(got_db, want):
    """|√S' − √S| ≤ 5e-6·√S + 3e-7·√(max S), plus half a unit of the float32 dB value."""
    assert got_db.dtype == np.float32 and got_db.shape == want.shape
    got = 10 ** (got_db.astype(float) / 10)
    # A bin of exactly nothing is -inf dB and has nothing to round.
    step = np.where(np.isfinite(got_db), np.spacing(np.abs(got_db)), 0)
    rounding = 0.5 * step.astype(float) * np.log(10) / 20
    # 1 % on top of the rounding, since its expansion is of the first order only.
    allowed = 5e-6 * np.sqrt(want) + 3e-7 * np.sqrt(np.max(want)) + 1.01 * rounding * np.sqrt(want)
    off = np.abs(np.sqrt(got) - np.sqrt(want))
    worst = np.argmax(off - allowed)
    assert off[worst] <= allowed[worst], f"bin {worst}: {got[worst]} against {want[worst]}"


def power_share(power, s, df_hz):
    """The tolerance of √P as a share of √P."""
    return 5e-5 + 1e-7 * np.sqrt(np.sum(s) * df_hz / power)


def check_power(got, want, s, df_hz, what):
    """|√P' − √P| ≤ 5e-5·√P + 1e-7·√(ΣS·Δf)."""
    share = abs(np.sqrt(got / want) - 1)
    assert share <= power_share(want, s, df_hz), f"{what}: {got} against {want}"


def lam_tolerance_db(plan, reading, quantity, noise_s):
    """What §3 lets λ differ by: the tolerances of its numerator and of its reference."""
    s, df = reading.spectrum, plan.df_hz
    if quantity == "broadband":
        noise_df = plan.fs_hz / plan.noise_n
        reference = np.sum(noise_s[plan.noise_bins]) * noise_df
        shares = power_share(reading.power_v2["broadband"], s, df) + power_share(reference, noise_s, noise_df)
    else:
        shares = max(
            power_share(np.sum(s[line.bins]) * df, s, df) + power_share(np.sum(s[line.flanks]) * df, s, df)
            for line in plan.lines[quantity]
        )
    return 20 / np.log(10) * shares * 1.01


# --- deterministic vectors of a published kind: computed with SciPy, values copied here -----------


def lcg(seed, count):
    """u[n] of the vectors: s ← (1664525·s + 1013904223) mod 2^32, u = s/2^32 − 0.5."""
    out = np.empty(count)
    for i in range(count):
        seed = (1664525 * seed + 1013904223) % 2**32
        out[i] = seed / 2**32 - 0.5
    return out


def vector_recording(x, fs_hz, f0_hz, resolution_hz, silence=2048, **bands):
    """A recording of one pulse whose gate is exactly x, after a stretch of very quiet noise."""
    changes = {f"bands__{key}": value for key, value in bands.items()}
    window, overlap = changes.pop("bands__window"), changes.pop("bands__overlap", 0.5)
    config = configuration(
        drive__frequency_hz=f0_hz,
        drive__pulse_s=len(x) / fs_hz,
        receive__sample_rate_hz=fs_hz,
        receive__sample_format="rf64_le",
        receive__volts_per_count=1.0,
        receive__full_scale_counts=[-10, 10],
        receive__pretrigger_s=silence / fs_hz,
        receive__gate_start_s=0.0,
        receive__gate_end_s=len(x) / fs_hz,
        receive__noise_gate_start_s=-silence / fs_hz,
        receive__noise_gate_end_s=0.0,
        receive__first_arrival_s=16 / fs_hz,
        spectrum__resolution_hz=resolution_hz,
        spectrum__window=window,
        spectrum__overlap=overlap,
        bands__notches_hz=[],
        **changes,
    )
    # The quiet noise keeps the reference band off exact zero; it is not in the gate.
    quiet = 1e-6 * np.random.default_rng(1).standard_normal(silence)
    counts = np.concatenate([quiet, x])[:, None]
    pulse = {"number": 0, "start": 0, "count": len(counts), "stage": "exposure", "drive_mpa": 0.3}
    return Recording(config, counts, [pulse | {"target": "tube", "trigger": None, "extra": {}}])


def replayed(simmer, recording):
    """The session of a recording, spectra kept, and the plan it was made by."""
    config = write_config(recording.config, simmer.folder / "config.toml")
    session = simmer.replay(config, recording.write(simmer.folder / "vector"), options=["--spectra"])
    return session, Plan(recording.config)


# COMPUTED with SciPy 1.17.1: scipy.signal.welch(x, fs=1e6, window=W, nperseg=256, noverlap=128,
# detrend=False, return_onesided=True, scaling='density'), V²/Hz by bin.
TV1_BINS = (0, 1, 31, 32, 63, 64, 100, 127, 128)
TV1 = {
    "rectangular": (
        1.628862999522e-05, 2.687455641742e-08, 3.429130432208e-05, 7.122981960287e-05, 1.154307244408e-06,
        7.460539968334e-08, 5.217662797259e-09, 4.434960926253e-09, 1.721093587333e-09,
    ),
    "hann": (
        1.068311116587e-05, 5.346264388674e-06, 5.385933541974e-05, 6.856546039890e-05, 8.227427985311e-07,
        3.449144243301e-07, 4.519134296713e-11, 1.564043214269e-10, 1.107394669068e-10,
    ),
    "blackman-harris": (
        7.997565577957e-06, 7.410888164970e-06, 4.897682634311e-05, 5.621630622556e-05, 6.251456874860e-07,
        3.818925635173e-07, 3.674294593839e-11, 2.033875598793e-10, 1.211949359741e-10,
    ),
}  # fmt: skip
# COMPUTED with the same call: sum of all bins times Δf, V².
TV1_TOTAL = {
    "rectangular": 0.568501363308004,
    "hann": 0.567649458075924,
    "blackman-harris": 0.567658564897981,
}


@pytest.mark.parametrize("window", TV1)
def test_tones_in_noise_have_the_welch_spectrum_of_scipy(simmer, window):
    n = np.arange(1024)
    x = 0.25 + np.sin(2 * np.pi * 0.1234 * n + 0.3) + 0.1 * np.cos(2 * np.pi * 0.2468 * n)
    x += 0.02 * lcg(12345, 1024)
    # COMPUTED with NumPy: the vector's own check sums.
    assert np.sum(x) == pytest.approx(258.201431379697, rel=1e-12, abs=0.0)
    assert np.sum(x * x) == pytest.approx(582.456026335553, rel=1e-12, abs=0.0)
    recording = vector_recording(
        x, 1e6, 125e3, 3906.25, window=window, harmonics=[2, 3], ultraharmonics=[1.5, 2.5],
        line_half_width_hz=8e3, guard_half_width_hz=12e3, flank_half_width_hz=50e3, broadband_hz=[[80e3, 440e3]],
    )  # fmt: skip
    session, plan = replayed(simmer, recording)
    assert plan.n == 256 and plan.locked and plan.segments == 7
    got_db = session.spectra()[0, 0]
    want = welch(x, 1e6, 256, window, 0.5)
    assert want[list(TV1_BINS)] == pytest.approx(TV1[window], rel=1e-9, abs=0.0)
    check_spectrum(got_db, want)
    total = np.sum(10 ** (got_db.astype(float) / 10)) * 3906.25
    assert total == pytest.approx(TV1_TOTAL[window], rel=1e-5, abs=0.0)


@pytest.mark.parametrize(
    ("window", "peak"),
    # COMPUTED with SciPy: tone of 0.1 V on bin 164 of 4096 at 50 MS/s, peak of the density in V²/Hz.
    [("rectangular", 4.096e-07), ("hann", 2.730666666667e-07), ("blackman-harris", 2.043552271609e-07)],
)
def test_a_tone_on_a_bin_has_half_its_amplitude_squared(simmer, window, peak):
    n, bin_164 = np.arange(4096 * 4), 164
    x = 0.1 * np.cos(2 * np.pi * bin_164 * n / 4096 + 0.4) + 1e-6 * np.random.default_rng(2).standard_normal(len(n))
    f0_hz = bin_164 * 50e6 / 4096
    recording = vector_recording(
        x, 50e6, f0_hz, 50e6 / 4096, silence=8192, window=window, harmonics=[2, 3, 4],
        line_half_width_hz=5 * 50e6 / 4096, guard_half_width_hz=1e5, flank_half_width_hz=4e5,
        broadband_hz=[[2.2e6, 12e6]],
    )  # fmt: skip
    session, plan = replayed(simmer, recording)
    assert plan.n == 4096 and plan.locked
    spectrum = 10 ** (session.spectra()[0, 0].astype(float) / 10)
    assert np.argmax(spectrum) == bin_164
    assert spectrum[bin_164] == pytest.approx(peak, rel=1.5e-5, abs=0.0)
    # Closed form: a sine of amplitude A has power A²/2, here 5e-3 V² over ±5 bins.
    assert session.number(0, "fundamental_v2") == pytest.approx(0.1**2 / 2, rel=1e-4, abs=0.0)


# COMPUTED with SciPy: scipy.signal.periodogram(z, 25e6, 'hann', detrend=False), 5 bins about a line, V².
TV3_LINES = {
    0.5: 2.020676379896e-06, 1.0: 1.250122457818e-03, 1.5: 4.919115266145e-07,
    2.0: 4.991918873453e-05, 2.5: 1.232550381197e-07, 3.0: 8.022350859657e-06,
}  # fmt: skip
# COMPUTED with SciPy: the same periodogram, 0.2–12 MHz less 21 bins at every multiple of 0.5 MHz.
TV3_BROADBAND = {"bins": 1867, "mean": 1.974139742343e-14, "integral": 1.842859449477e-07}
# COMPUTED with SciPy: scipy.signal.welch(z, 25e6, 'hann', 1000, 500, detrend=False), by bin.
TV3_WELCH = {20: 5.324230095400e-11, 40: 3.331044606583e-08, 60: 1.318343261494e-11, 80: 1.332173665650e-09}


def tv3():
    """Six lines from 0.5 to 3 MHz in noise, 5000 samples at 25 MS/s."""
    t = np.arange(5000) / 25e6
    tones = [(0.5, 2), (1.0, 50), (1.5, 1), (2.0, 10), (2.5, 0.5), (3.0, 4)]
    z = sum(a * 1e-3 * np.cos(2 * np.pi * f * 1e6 * t + 0.7 * i) for i, (f, a) in enumerate(tones))
    z = z + 5e-4 * np.sqrt(12) * lcg(2024, 5000)
    # COMPUTED with NumPy: the vector's own check sum.
    assert np.mean(z * z) == pytest.approx(1.310178606123998e-03, rel=1e-12, abs=0.0)
    return z


def test_band_energies_of_six_lines_and_the_floor_between_are_those_of_scipy(simmer):
    z = tv3()
    # The vector twice, without overlap: the mean of two equal segments is the periodogram.
    recording = vector_recording(
        np.concatenate([z, z]), 25e6, 1e6, 5e3, silence=10000, window="hann", overlap=0.0, harmonics=[2, 3],
        ultraharmonics=[1.5, 2.5], line_half_width_hz=10e3, guard_half_width_hz=55e3,
        flank_half_width_hz=150e3, broadband_hz=[[0.2e6, 12e6]],
    )  # fmt: skip
    session, plan = replayed(simmer, recording)
    assert plan.n == 5000 and len(plan.broadband) == TV3_BROADBAND["bins"]
    s = welch(z, 25e6, 5000, "hann", 0.0)
    wanted = {
        "fundamental_v2": TV3_LINES[1.0],
        "harmonic_v2": TV3_LINES[2.0] + TV3_LINES[3.0],
        "ultraharmonic_v2": TV3_LINES[1.5] + TV3_LINES[2.5],
        "subharmonic_v2": TV3_LINES[0.5],
        "broadband_v2": TV3_BROADBAND["integral"],
    }
    for column, want in wanted.items():
        check_power(session.number(0, column), want, s, 5e3, column)
    check_spectrum(session.spectra()[0, 0], s)
    share = 2 * power_share(TV3_BROADBAND["integral"], s, 5e3)
    assert session.number(0, "broadband_v2_per_hz") == pytest.approx(TV3_BROADBAND["mean"], rel=share, abs=0.0)


def test_welch_bins_of_six_lines_are_those_of_scipy(simmer):
    recording = vector_recording(
        tv3(), 25e6, 1e6, 25e3, window="hann", harmonics=[2, 3, 4], line_half_width_hz=50e3,
        guard_half_width_hz=75e3, flank_half_width_hz=320e3, broadband_hz=[[0.7e6, 12e6]],
    )  # fmt: skip
    session, plan = replayed(simmer, recording)
    assert plan.n == 1000 and plan.segments == 9
    spectrum = 10 ** (session.spectra()[0, 0].astype(float) / 10)
    for k, want in TV3_WELCH.items():
        assert spectrum[k] == pytest.approx(want, rel=1e-4, abs=0.0), f"bin {k}"
    check_spectrum(session.spectra()[0, 0], welch(tv3(), 25e6, 1000, "hann", 0.5))


# --- random configurations -----------------------------------------------------------------------


def random_recording(rng):
    """A random but valid configuration and three pulses of it, each with all lines in it."""
    while True:
        try:
            config = random_configuration(rng)
            plan = Plan(config)
        except Fault:
            continue
        if not sound(plan):
            continue
        break
    steps = config["receive"]["volts_per_count"]
    step = np.max(steps) if FORMATS[config["receive"]["sample_format"]][0][-2] == "i" else 0.0
    scene = Scene(
        noise_v=max(10 ** rng.uniform(-4, -2.5), 1.5 * step),
        fundamental_v=rng.uniform(0.05, 0.5),
        channel_gain_db=tuple(rng.uniform(-3, 0, 4)),
    )
    halves = {h: 10 ** rng.uniform(-3.5, -2) for h in (0.5, 1.5, 2.5)}
    emissions = [
        Emission(stage=stage, drive_mpa=0.3, lines_v=halves, broadband_v=rng.uniform(0, 3e-3))
        for stage in ("noise", "baseline", "exposure")
    ]
    return record(config, emissions, rng.integers(2**32), scene), plan


def random_configuration(rng):
    """Random rates, gates, windows, bands, formats and channels; not yet known to be possible."""
    fs = float(rng.choice([5e6, 10e6, 12.5e6, 20e6, 25e6, 31.25e6, 50e6]))
    f0 = float(rng.choice([0.5e6, 0.7e6, 1e6, round(rng.uniform(0.3e6, 1.1e6), 1)]))
    resolution = f0 / 2 / rng.uniform(45, 90)
    name = str(rng.choice(list(FORMATS)))
    channels = int(rng.integers(1, 5))
    segment_s = 1 / resolution
    pulse_s = segment_s * rng.uniform(3, 12) + 0.2e-3
    silence_s = segment_s * rng.uniform(0.4, 3)
    lines = rng.uniform(2.2, 4.5) * resolution
    guard = lines + rng.uniform(2, 6) * resolution
    flank = guard + rng.uniform(10, 16) * resolution
    top = min(0.95 * fs / 2, 4.6 * f0)
    two = top > 3 * f0 and rng.random() < 0.5
    harmonics = [h for h in (2, 3, 4) if h * f0 + flank < fs / 2]
    changes = format_changes(name)
    low, high = changes["receive__full_scale_counts"]
    if channels > 1 and rng.random() < 0.7:
        scale = [float(HALF_SPAN_V / (high + 1) * s) for s in rng.uniform(0.8, 1.3, channels)]
        changes["receive__volts_per_count"] = scale
    return configuration(
        drive__frequency_hz=f0,
        drive__pulse_s=pulse_s,
        receive__sample_rate_hz=fs,
        receive__channels=channels,
        receive__pretrigger_s=silence_s + 20e-6,
        receive__gate_start_s=rng.uniform(0.1e-3, 0.2e-3),
        receive__gate_end_s=pulse_s - rng.uniform(1e-6, 40e-6),
        receive__noise_gate_start_s=-silence_s,
        receive__noise_gate_end_s=-rng.uniform(1e-6, 9e-6),
        spectrum__resolution_hz=resolution,
        spectrum__window=str(rng.choice(["hann", "hann", "blackman-harris", "rectangular"])),
        spectrum__overlap=float(rng.choice([0.0, 0.5, 0.5, 0.75, round(rng.uniform(0.1, 0.7), 3)])),
        bands__harmonics=harmonics,
        bands__ultraharmonics=[h for h in (1.5, 2.5, 3.5) if h < max(harmonics)],
        bands__line_half_width_hz=lines,
        bands__guard_half_width_hz=guard,
        bands__flank_half_width_hz=flank,
        bands__broadband_hz=[[1.1 * f0, 2.4 * f0], [2.6 * f0, top]] if two else [[1.1 * f0, top]],
        # A notch of at least two bins, in the floor half-way between two half orders.
        bands__notches_hz=[[1.75 * f0 - 1.3 * resolution, 1.75 * f0 + 1.3 * resolution]],
        bands__noise_band_hz=[0.2 * f0, 0.9 * fs / 2] if rng.random() < 0.5 else None,
        **changes,
    )


def sound(plan):
    """Whether a plan has no fault by §4, with room to spare at the edges of each rule."""
    c = plan.config["bands"]
    lines = [line for q in plan.lines for line in plan.lines[q]]
    return (
        len(plan.lines["harmonic"]) >= 1
        and c["guard_half_width_hz"] > c["line_half_width_hz"] + 1.2 * plan.df_hz
        and c["flank_half_width_hz"] < 0.7 * plan.f0_hz
        and all(len(line.flanks) >= 16 for line in lines)
        and len(plan.broadband) > 20
        and plan.noise_n is not None
        and len(plan.noise_bins) > 10
    )


@pytest.mark.parametrize("case", range(20))
def test_a_random_configuration_agrees_with_scipy(simmer, case):
    print(f"SIMMER_ORACLE_SEED={SEED}, case {case}")
    recording, plan = random_recording(np.random.default_rng([SEED, case]))
    config = recording.config
    path = write_config(config, simmer.folder / "config.toml")
    session = simmer.replay(path, recording.write(simmer.folder / "random"), options=["--spectra"])
    spectra = session.spectra()
    channels = config["receive"]["channels"]
    assert spectra.shape == (3, channels, plan.n // 2 + 1)
    counts = recording.read_back()
    for p, pulse in enumerate(recording.pulses_heard(plan)):
        for c, reading in enumerate(pulse.readings):
            s = reading.spectrum
            check_spectrum(spectra[p, c], s)
            row = session.row(p, c)
            for quantity, power in reading.power_v2.items():
                check_power(float(row[f"{quantity}_v2"]), power, s, plan.df_hz, quantity)
            share = 2 * power_share(reading.power_v2["broadband"], s, plan.df_hz)
            density = float(row["broadband_v2_per_hz"])
            assert density == pytest.approx(reading.broadband_v2_per_hz, rel=share, abs=0.0)
            noise_s = noise_spectrum(plan, counts[recording.pulses[p]["start"] :, c], recording.volts_per_count(c))
            for quantity in QUANTITIES:
                want = reading.lam_db[quantity]
                allowed = lam_tolerance_db(plan, reading, quantity, noise_s)
                assert float(row[f"{quantity}_contrast_db"]) == pytest.approx(want, abs=allowed), quantity
            assert float(row["clipped_share"]) == pytest.approx(reading.clipped_share, rel=1e-12, abs=1e-15)


def noise_spectrum(plan, counts, volts_per_count):
    """Spectrum of the noise gate, for the tolerance of its density."""
    silence = counts[plan.noise_gate[0] : plan.noise_gate[1]] * volts_per_count
    s = welch(silence, plan.fs_hz, plan.noise_n, plan.window, plan.overlap)
    assert np.mean(s[plan.noise_bins]) == noise_density(plan, counts, volts_per_count)
    return s


def test_the_oracle_itself_knows_smooth_numbers_and_half_even_rounding():
    assert [n for n in range(1, 16) if not seven_smooth(n)] == [11, 13]
    # Half to even, after rounding to 1e-6 sample (method §2).
    assert [half_even(v) for v in (0.5, 1.5, 2.5, 3999.9999999, 2.5000000001)] == [0, 2, 2, 4000, 2]
