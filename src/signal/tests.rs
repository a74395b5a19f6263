//! The whole room against outside values and closed forms.

use std::f64::consts::{PI, TAU};

use super::plan::single;
use super::*;

/// u\[n\] of the test vectors: s ← 1664525·s + 1013904223 mod 2³², u = s/2³² − ½.
fn lcg(seed: u32) -> impl Iterator<Item = f64> {
    let mut state = seed;
    std::iter::repeat_with(move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state) / 4_294_967_296.0 - 0.5
    })
}

fn spec(rate: f64, drive: f64, resolution: f64, samples: usize) -> SignalSpec {
    SignalSpec {
        drive_frequency_hz: drive,
        receive: ReceiveSpec {
            sample_rate_hz: rate,
            channels: 1,
            sample_format: SampleFormat::Rf64Le,
            volts_per_count: vec![1.0],
            full_scale_counts: [-10.0, 10.0],
            gain_db: vec![0.0],
            pretrigger_s: 0.0,
            gate_start_s: 0.0,
            gate_end_s: as_f64(samples) / rate,
            noise_gate_s: None,
            first_arrival_s: None,
            unused_channels: Vec::new(),
        },
        spectrum: SpectrumSpec { resolution_hz: resolution, window: Window::Hann, overlap: 0.5 },
        bands: BandSpec {
            harmonics: vec![2],
            ultraharmonic_halves: vec![3],
            subharmonic: true,
            line_half_width_hz: 1.1 * resolution,
            guard_half_width_hz: 2.2 * resolution,
            flank_half_width_hz: drive / 4.0,
            broadband_hz: vec![[drive, 0.4 * rate]],
            notches_hz: Vec::new(),
            noise_band_hz: None,
        },
    }
}

fn hear(plan: &Plan, x: &[f64], chunk: usize) -> ChannelReading {
    let mut ear = Ear::new(plan);
    let mut reading = ChannelReading::default();
    ear.begin(plan, None);
    let x: Vec<f32> = x.iter().map(|&v| single(v)).collect();
    let mut offset = 0;
    for part in x.chunks(chunk) {
        ear.push(plan, offset, part);
        offset += i64::try_from(part.len()).unwrap();
    }
    ear.finish(plan, 1.0, false, &mut reading);
    reading
}

fn measured(reading: &ChannelReading) -> &Measured {
    match reading.heard() {
        Heard::Measured(measured) => measured,
        Heard::Void(why) => panic!("{why:?}"),
    }
}

fn tv1() -> Vec<f64> {
    lcg(12_345)
        .take(1024)
        .enumerate()
        .map(|(n, u)| {
            let n = as_f64(n);
            0.25 + (TAU * 0.1234 * n + 0.3).sin() + 0.1 * (TAU * 0.2468 * n).cos() + 0.02 * u
        })
        .collect()
}

#[test]
fn the_first_test_vector_is_the_agreed_one() {
    let x = tv1();
    // COMPUTED with NumPy from the recursion above.
    for (value, expected) in x.iter().zip([0.635_928_260_376_122, 1.122_095_698_314_159]) {
        assert!((value - expected).abs() < 1e-12);
    }
    assert!((x.iter().map(|v| v * v).sum::<f64>() - 582.456_026_335_553).abs() < 1e-9);
}

#[track_caller]
fn check_welch(window: Window, expected: &[(usize, f64)]) {
    let mut spec = spec(1e6, 62.5e3, 3906.25, 1024);
    spec.spectrum.window = window;
    let plan = Plan::new(&spec).unwrap();
    assert_eq!((plan.segments.n, plan.segments.count), (256, 7));
    let reading = hear(&plan, &tv1(), 100);
    let most = reading.spectrum.iter().copied().map(f64::from).fold(0.0, f64::max);
    for &(k, value) in expected {
        let found = f64::from(reading.spectrum[k]);
        let off = (found.sqrt() - value.sqrt()).abs();
        assert!(off <= 5e-6 * value.sqrt() + 3e-7 * most.sqrt(), "{window:?} bin {k}: {found:e}");
    }
}

#[test]
fn welch_spectra_of_the_first_vector_are_scipys() {
    // COMPUTED with SciPy: scipy.signal.welch(x, fs=1e6, window=W, nperseg=256, noverlap=128,
    // detrend=False).
    check_welch(
        Window::Hann,
        &[
            (0, 1.068_311_116_587e-5),
            (1, 5.346_264_388_674e-6),
            (31, 5.385_933_541_974e-5),
            (32, 6.856_546_039_890e-5),
            (63, 8.227_427_985_311e-7),
            (64, 3.449_144_243_301e-7),
            (127, 1.564_043_214_269e-10),
            (128, 1.107_394_669_068e-10),
        ],
    );
    check_welch(
        Window::BlackmanHarris,
        &[(0, 7.997_565_577_957e-6), (31, 4.897_682_634_311e-5), (128, 1.211_949_359_741e-10)],
    );
    check_welch(
        Window::Rectangular,
        &[(0, 1.628_862_999_522e-5), (32, 7.122_981_960_287e-5), (128, 1.721_093_587_333e-9)],
    );
}

#[test]
fn a_tone_on_a_bin_has_half_its_amplitude_squared_whatever_the_window() {
    // Closed form A²/2 = 5e-3 V² for 0.1 V; PSD peaks COMPUTED with SciPy at fs = 50 MHz, N = 4096.
    let rate = 50e6;
    let peaks = [
        (Window::Rectangular, 4.096e-7),
        (Window::Hann, 2.730_666_666_667e-7),
        (Window::BlackmanHarris, 2.043_552_271_609e-7),
    ];
    for (window, peak) in peaks {
        // f0/2 on bin 82: the second harmonic is bin 328, the fundamental bin 164.
        let mut spec = spec(rate, 164.0 * rate / 4096.0, rate / 4096.0, 4096 * 3);
        spec.spectrum.window = window;
        spec.bands.line_half_width_hz = 5.0 * rate / 4096.0;
        spec.bands.guard_half_width_hz = 7.0 * rate / 4096.0;
        let plan = Plan::new(&spec).unwrap();
        assert_eq!(plan.segments.n, 4096);
        let tone = |n: usize| 0.1 * (TAU * 164.0 * as_f64(n) / 4096.0).cos();
        let x: Vec<f64> = (0..4096 * 3).map(tone).collect();
        let reading = hear(&plan, &x, 4096);
        let m = measured(&reading);
        assert!((m.fundamental_v2 / 5e-3 - 1.0).abs() < 1e-5, "{window:?} {}", m.fundamental_v2);
        assert!((f64::from(reading.spectrum[164]) / peak - 1.0).abs() < 1e-5, "{window:?}");
    }
}

#[test]
fn band_energies_of_the_third_vector_are_the_computed_ones() {
    let (rate, n) = (25e6, 5000_usize);
    let parts = [(0.5, 2.0), (1.0, 50.0), (1.5, 1.0), (2.0, 10.0), (2.5, 0.5), (3.0, 4.0)];
    let x: Vec<f64> = lcg(2024)
        .take(n)
        .enumerate()
        .map(|(at, u)| {
            let t = as_f64(at) / rate;
            let lines: f64 = parts
                .iter()
                .zip(0_u32..)
                .map(|((mhz, mv), i)| 1e-3 * mv * (TAU * mhz * 1e6 * t + 0.7 * f64::from(i)).cos())
                .sum();
            lines + 5e-4 * 12.0_f64.sqrt() * u
        })
        .collect();
    // Twice the same stretch with no overlap averages two equal periodograms.
    let twice: Vec<f64> = x.iter().chain(&x).copied().collect();
    let mut spec = spec(rate, 1e6, 5e3, 2 * n);
    spec.spectrum.overlap = 0.0;
    spec.bands.harmonics = vec![2, 3];
    spec.bands.ultraharmonic_halves = vec![3, 5];
    spec.bands.line_half_width_hz = 10e3;
    spec.bands.guard_half_width_hz = 55e3;
    spec.bands.broadband_hz = vec![[0.2e6, 12e6]];
    let plan = Plan::new(&spec).unwrap();
    assert_eq!((plan.segments.n, plan.segments.count), (5000, 2));
    let reading = hear(&plan, &twice, 777);
    let m = measured(&reading);
    // COMPUTED with SciPy: scipy.signal.periodogram(z, 25e6, 'hann', detrend=False), five bins a line.
    let expected = [
        (4, 4.991_918_873_453e-5),
        (6, 8.022_350_859_657e-6),
        (3, 4.919_115_266_145e-7),
        (5, 1.232_550_381_197e-7),
        (1, 2.020_676_379_896e-6),
    ];
    for (line, (halves, power)) in m.lines.iter().zip(expected) {
        assert_eq!(line.halves, halves);
        assert!((line.power_v2 / power - 1.0).abs() < 2e-5, "{halves}: {}", line.power_v2);
    }
    assert!((m.fundamental_v2 / 1.250_122_457_818e-3 - 1.0).abs() < 2e-5);
    let broadband = m.bands[Quantity::Broadband].unwrap();
    assert_eq!(plan.bands.bins_of(Quantity::Broadband), 1867);
    assert!((broadband.density_v2_per_hz / 1.974_139_742_343e-14 - 1.0).abs() < 5e-5);
}

#[test]
fn white_noise_has_the_density_of_its_variance() {
    // σ = 1 mV at 50 MS/s is 4e-14 V²/Hz, 200 nV/√Hz: σ²/(fs/2), closed form.
    let plan = Plan::new(&spec(50e6, 1e6, 20e3, 500_000)).unwrap();
    let sigma = 1e-3 * 12.0_f64.sqrt();
    let x: Vec<f64> = lcg(7).take(500_000).map(|u| sigma * u).collect();
    let reading = hear(&plan, &x, 65_536);
    let density = measured(&reading).bands[Quantity::Broadband].unwrap().density_v2_per_hz;
    // 10^5 averages: five standard deviations are 1 %.
    assert!((density / 4e-14 - 1.0).abs() < 0.02, "{density:e}");
}

#[test]
fn quantisation_has_the_density_of_a_twelfth() {
    // q²/12 over fs/2: 14 bits over 2 V at 50 MS/s give 4.96705e-17 V²/Hz (closed form).
    let plan = Plan::new(&spec(50e6, 1e6, 20e3, 500_000)).unwrap();
    let q = 2.0 / 16_384.0;
    let x: Vec<f64> = lcg(99)
        .take(500_000)
        .map(|u| {
            let v = 0.4 * u;
            (v / q).round() * q - v
        })
        .collect();
    let density =
        measured(&hear(&plan, &x, 1 << 20)).bands[Quantity::Broadband].unwrap().density_v2_per_hz;
    assert!((density / 4.967_05e-17 - 1.0).abs() < 0.02, "{density:e}");
}

#[test]
fn power_is_kept_between_samples_and_bins() {
    // Parseval: with a rectangular window and no overlap ΣS·Δf is the mean square.
    let mut spec = spec(1e6, 62.5e3, 3906.25, 1024);
    spec.spectrum = SpectrumSpec { window: Window::Rectangular, overlap: 0.0, ..spec.spectrum };
    let plan = Plan::new(&spec).unwrap();
    let reading = hear(&plan, &tv1(), 1024);
    let sum: f64 = reading.spectrum.iter().copied().map(f64::from).sum::<f64>() * plan.bin_hz;
    assert!((sum / 0.568_804_713_218_314 - 1.0).abs() < 1e-6, "{sum}");
}

#[test]
fn chunks_change_nothing() {
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    let x: Vec<f64> = lcg(5).take(74_000).collect();
    let whole = hear(&plan, &x, x.len());
    for chunk in [1, 17, 4000, 4001, 60_001] {
        let parts = hear(&plan, &x, chunk);
        assert_eq!(parts.spectrum, whole.spectrum, "{chunk}");
        assert_eq!(measured(&parts), measured(&whole), "{chunk}");
    }
}

#[test]
fn gain_moves_no_contrast() {
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    let x: Vec<f64> = lcg(5).take(74_000).collect();
    let louder: Vec<f64> = x.iter().map(|v| 4.0 * v).collect();
    let (a, b) = (hear(&plan, &x, 4096), hear(&plan, &louder, 4096));
    let (a, b) = (measured(&a), measured(&b));
    for quantity in [Quantity::Harmonic, Quantity::Ultraharmonic, Quantity::Subharmonic] {
        let lambda = |m: &Measured| m.bands[quantity].unwrap().lambda_db.unwrap();
        assert!((lambda(a) - lambda(b)).abs() < 1e-9);
        let level = |m: &Measured| m.bands[quantity].unwrap().level_db.unwrap();
        assert!((level(b) - level(a) - 10.0 * 16.0_f64.log10()).abs() < 1e-9);
    }
}

#[track_caller]
fn check_void(prepare: impl FnOnce(&Plan, &mut Ear, &[f32]), lost: bool, why: Void) {
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    let x: Vec<f32> = lcg(5).take(74_000).map(single).collect();
    let (mut ear, mut reading) = (Ear::new(&plan), ChannelReading::default());
    ear.begin(&plan, None);
    prepare(&plan, &mut ear, &x);
    ear.finish(&plan, 1.0, lost, &mut reading);
    assert_eq!(reading.heard(), Heard::Void(why));
}

#[test]
fn holes_short_records_and_nonsense_void_a_pulse() {
    let all = |plan: &Plan, ear: &mut Ear, x: &[f32]| ear.push(plan, 0, x);
    check_void(all, true, Void::SamplesLost);
    check_void(
        |plan, ear, x| {
            ear.push(plan, 0, &x[..1000]);
            ear.push(plan, 1001, &x[1001..]);
        },
        false,
        Void::SamplesLost,
    );
    check_void(|plan, ear, x| ear.push(plan, 0, &x[..73_999]), false, Void::GateIncomplete);
    check_void(
        |plan, ear, x| {
            let mut x = x.to_vec();
            x[12_345] = f32::NAN;
            ear.push(plan, 0, &x);
        },
        false,
        Void::NotFinite,
    );
}

#[test]
fn a_silent_channel_is_dead_and_a_full_one_clips() {
    let mut spec = spec(20e6, 0.7e6, 5e3, 74_000);
    spec.receive.sample_format = SampleFormat::Ri16Le;
    spec.receive.full_scale_counts = [-8192.0, 8191.0];
    let plan = Plan::new(&spec).unwrap();
    assert!(measured(&hear(&plan, &vec![3.0; 74_000], 5000)).dead);
    let noisy: Vec<f64> = lcg(5).take(74_000).map(|u| (u * 100.0).round()).collect();
    assert!(!measured(&hear(&plan, &noisy, 5000)).dead);
    let mut twice = noisy.clone();
    twice[255] = 8191.0;
    twice[256] = 8191.0;
    let m = measured(&hear(&plan, &twice, 5000)).clone();
    assert!(!m.clipped && (m.clipped_share - 2.0 / 74_000.0).abs() < 1e-12);
    twice[257] = -8192.0;
    assert!(measured(&hear(&plan, &twice, 5000)).clipped, "three in a row, over a block's edge");
    let mut scattered = noisy;
    for place in (0..8 * 9000).step_by(9000) {
        scattered[place] = 8191.0;
    }
    assert!(measured(&hear(&plan, &scattered, 5000)).clipped, "a share above 1e-4");
}

#[test]
fn the_drive_is_measured_off_its_place() {
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    for hz in [0.65e6, 0.7e6, 0.7123e6] {
        let x: Vec<f64> = lcg(3)
            .take(74_000)
            .enumerate()
            .map(|(n, u)| (TAU * hz * as_f64(n) / 20e6).sin() + 0.01 * u)
            .collect();
        let found = measured(&hear(&plan, &x, 74_000)).drive_hz.unwrap();
        assert!((found - hz).abs() < 20.0, "{found} for {hz}");
    }
    let noise: Vec<f64> = lcg(3).take(74_000).collect();
    assert_eq!(measured(&hear(&plan, &noise, 74_000)).drive_hz, None);
}

#[test]
fn thirds_show_a_drive_that_stops() {
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    let x: Vec<f64> = (0..74_000)
        .map(|n| if n < 50_000 { (TAU * 0.7 / 20.0 * as_f64(n)).sin() } else { 1e-6 })
        .collect();
    let reading = hear(&plan, &x, 1000);
    let m = measured(&reading);
    assert!((m.first_third_v2 - 0.5).abs() < 1e-4, "{}", m.first_third_v2);
    assert!(m.last_third_v2 < 0.01);
}

#[test]
fn the_noise_gate_gives_the_broadbands_reference() {
    let mut spec = spec(20e6, 0.7e6, 5e3, 74_000);
    spec.receive.pretrigger_s = 2e-3;
    spec.receive.noise_gate_s = Some([-1.95e-3, -0.05e-3]);
    let plan = Plan::new(&spec).unwrap();
    let noise = plan.noise.as_ref().unwrap();
    assert_eq!((noise.segments.n, noise.segments.count), (4000, 18));
    assert_eq!(plan.place(plan.gate, None), 40_000);
    assert_eq!(plan.place(plan.gate, Some(41_000)), 41_000);
    let x: Vec<f64> = lcg(11).take(114_000).collect();
    let reading = hear(&plan, &x, 3001);
    let lambda = measured(&reading).bands[Quantity::Broadband].unwrap().lambda_db.unwrap();
    assert!(lambda.abs() < 0.4, "{lambda}");
}

#[test]
fn a_short_noise_gate_takes_shorter_segments_and_warns() {
    let mut spec = spec(20e6, 0.7e6, 5e3, 74_000);
    spec.receive.pretrigger_s = 1e-3;
    spec.receive.noise_gate_s = Some([-0.25e-3, -0.05e-3]);
    let plan = Plan::new(&spec).unwrap();
    let segments = plan.noise.as_ref().unwrap().segments;
    // The longest even 7-smooth N' with N' + H' ≤ 4000 samples.
    assert_eq!((segments.n, segments.hop), (2646, 1323));
    let warned = |text: &str| plan.warnings.iter().any(|w| w.message.contains(text));
    assert!(warned("shorter than half the gate"));
}

#[track_caller]
fn check_fault(change: impl FnOnce(&mut SignalSpec), key: &str, words: &str) {
    let mut spec = spec(20e6, 0.7e6, 5e3, 74_000);
    spec.bands.line_half_width_hz = 15e3;
    spec.bands.guard_half_width_hz = 60e3;
    spec.bands.flank_half_width_hz = 150e3;
    assert!(Plan::new(&spec).is_ok());
    change(&mut spec);
    let faults = Plan::new(&spec).err().unwrap_or_default();
    assert!(
        faults.iter().any(|f| f.keys[0] == key && f.message.contains(words)),
        "{key} {words}: {faults:#?}"
    );
}

#[test]
fn every_fault_of_a_plan_is_named() {
    check_fault(|s| s.bands.guard_half_width_hz = 19e3, "bands.guard_half_width_hz", "one bin");
    check_fault(|s| s.bands.flank_half_width_hz = 60e3, "bands.flank_half_width_hz", "exceed");
    check_fault(|s| s.bands.harmonics = vec![2, 15], "bands.harmonics[1]", "above fs/2");
    check_fault(
        |s| s.bands.line_half_width_hz = 180e3,
        "bands.line_half_width_hz",
        "share the bin",
    );
    check_fault(
        |s| s.bands.broadband_hz = vec![[1e6, 10.5e6]],
        "bands.broadband_hz[0]",
        "above fs/2",
    );
    check_fault(|s| s.bands.broadband_hz = vec![[1e3, 2e6]], "bands.broadband_hz[0]", "first bin");
    check_fault(
        |s| s.bands.broadband_hz = vec![[0.69e6, 0.71e6]],
        "bands.broadband_hz[0]",
        "no bin",
    );
    check_fault(
        |s| s.bands.broadband_hz = vec![[1e6, 2e6], [1.9e6, 3e6]],
        "bands.broadband_hz[1]",
        "share the bin",
    );
    check_fault(
        |s| s.bands.notches_hz = vec![[1.39e6, 1.41e6]],
        "bands.notches_hz[0]",
        "inside the line",
    );
    check_fault(|s| s.spectrum.resolution_hz = 20e6, "spectrum.resolution_hz", "no segment length");
    check_fault(
        |s| s.receive.gate_end_s = 0.1e-3,
        "spectrum.resolution_hz",
        "longer than the gate",
    );
    check_fault(|s| s.receive.gate_end_s = 0.25e-3, "receive.gate_end_s", "two segments");
}

#[test]
fn a_notch_that_removes_nothing_and_missing_flanks_are_warned_of() {
    let mut spec = spec(20e6, 0.7e6, 5e3, 74_000);
    spec.bands.notches_hz = vec![[3.001e6, 3.002e6]];
    spec.bands.guard_half_width_hz = 150e3;
    let plan = Plan::new(&spec).unwrap();
    let warned = |text: &str| plan.warnings.iter().any(|w| w.message.contains(text));
    assert!(warned("removes no bin") && warned("no contrast"), "{:#?}", plan.warnings);
    let x: Vec<f64> = lcg(5).take(74_000).collect();
    let reading = hear(&plan, &x, 74_000);
    assert_eq!(measured(&reading).bands[Quantity::Harmonic].unwrap().lambda_db, None);
}

#[test]
fn a_loud_quarter_is_found() {
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    let x: Vec<f64> = lcg(5)
        .take(74_000)
        .enumerate()
        .map(|(n, u)| if (20_000..34_000).contains(&n) { 10.0 * u } else { u })
        .collect();
    let reading = hear(&plan, &x, 74_000);
    let m = measured(&reading);
    let quarter = m.loudest_quarter.unwrap();
    assert!((quarter.start_s - 0.8e-3).abs() < 1e-9, "{}", quarter.start_s);
    assert!(quarter.v2_per_hz > 2.0 * m.bands[Quantity::Broadband].unwrap().density_v2_per_hz);
}

#[test]
fn a_hydrophone_of_minus_260_gives_the_chain_of_the_standard_units() {
    // −260 dB re 1 V/µPa is 100 mV/MPa (definition of the level; IEC 60565-1). Behind 40 dB of gain
    // 10 Pa peak are 1e-4 V peak, 5e-9 V²: closed form.
    let sensitivity = libm::pow(10.0, -260.0 / 20.0) * 1e6;
    assert!((sensitivity / 1e-7 - 1.0).abs() < 1e-12);
    let peak = 10.0 * sensitivity * libm::pow(10.0, 40.0 / 20.0);
    assert!((peak - 1e-4).abs() < 1e-16);
    let plan = Plan::new(&spec(20e6, 0.7e6, 5e3, 74_000)).unwrap();
    let x: Vec<f64> = (0..74_000).map(|n| peak * (2.0 * PI * 0.035 * as_f64(n)).sin()).collect();
    assert!((measured(&hear(&plan, &x, 74_000)).fundamental_v2 / 5e-9 - 1.0).abs() < 1e-5);
}
