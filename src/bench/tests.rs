//! Scenes as a whole: order, path and electronics by closed forms, bubbles by what they must do.

use std::f64::consts::TAU;

use super::bubble::{Bowl, Breaking, Liquid, PopulationSpec, Shell};
use super::setup::{Amplifier, Electronics, Receiver};
use super::*;
use crate::signal::{BandSpec, ReceiveSpec, SampleFormat, SignalSpec, SpectrumSpec, Window};

mod edges;

const VOLTS: f64 = 6.103_515_625e-5;

fn spec() -> SceneSpec {
    let receive = ReceiveSpec {
        sample_rate_hz: 20e6,
        channels: 1,
        sample_format: SampleFormat::Ri16Le,
        volts_per_count: vec![VOLTS],
        full_scale_counts: [-8192.0, 8191.0],
        gain_db: vec![0.0],
        pretrigger_s: 2e-3,
        gate_start_s: 0.2e-3,
        gate_end_s: 3.9e-3,
        noise_gate_s: Some([-1.95e-3, -0.05e-3]),
        first_arrival_s: Some(90e-6),
        unused_channels: Vec::new(),
    };
    let bands = BandSpec {
        harmonics: vec![2],
        ultraharmonic_halves: vec![3],
        subharmonic: true,
        line_half_width_hz: 15e3,
        guard_half_width_hz: 60e3,
        flank_half_width_hz: 150e3,
        broadband_hz: vec![[1.1e6, 6e6]],
        notches_hz: Vec::new(),
        noise_band_hz: None,
    };
    let spectrum = SpectrumSpec { resolution_hz: 5e3, window: Window::Hann, overlap: 0.5 };
    let signal = SignalSpec { drive_frequency_hz: 0.7e6, receive, spectrum, bands };
    SceneSpec { signal, pulse_s: 4e-3, repetition_hz: 5.0 }
}

/// A flat receiver opposite the transducer, white noise, nothing else.
fn setup() -> Setup {
    let bowl = Bowl { curvature_radius_m: 63.2e-3, aperture_radius_m: 32e-3 };
    let focus = bowl.focus(&Liquid::WATER_20C, 0.7e6).unwrap();
    let breaking = Breaking::Radius { over_buckling: 1.5 };
    Setup {
        liquid: Liquid::WATER_20C,
        temperature_k: 293.15,
        bowl,
        amplifier: Amplifier {
            ramp_s: 20e-6,
            wander: 0.0,
            harmonics_db: Vec::new(),
            shock_per_mpa: 0.27,
            feed_through_v_per_mpa: 0.05,
        },
        shell: Shell { breaking, ..Shell::LIPID },
        polytropic_exponent: 1.07,
        population: PopulationSpec::bench(focus),
        receivers: vec![Receiver {
            position_m: [0.0, 0.0, 71.8e-3],
            sensitivity_v_per_pa: 1e-5,
            response: None,
            direct_share: 0.05,
        }],
        absorption: Absorption::Water,
        plate_loss: None,
        reverberation: None,
        uncoupled_db: -40.0,
        electronics: Electronics { noise_v2_per_hz: 1e-14, ..Electronics::default() },
    }
}

fn scene_of(setup: Setup, steps: Vec<Step>) -> Scene {
    Scene::new(&spec(), setup, steps, 1).unwrap()
}

fn quiet(setup: Setup, drive_mpa: f64, pulses: u32) -> Scene {
    scene_of(setup, vec![Step::plain(Part::Baseline, drive_mpa, pulses)])
}

fn counts(scene: &Scene, number: usize) -> Vec<i16> {
    let pulse = scene.pulses().unwrap().nth(number).unwrap().unwrap();
    let mut counts = vec![7; 3];
    scene.record(&pulse, &mut Scratch::default(), &mut counts).unwrap();
    counts
}

/// |Σ x·exp(−2πi·turns·n)|².
fn transform(counts: &[i16], turns: f64) -> f64 {
    let (sin, cos) = (-TAU * turns).sin_cos();
    let (mut re, mut im, mut z) = (0.0, 0.0, [1.0, 0.0]);
    for count in counts {
        re += f64::from(*count) * z[0];
        im += f64::from(*count) * z[1];
        z = [z[0] * cos - z[1] * sin, z[0] * sin + z[1] * cos];
    }
    re * re + im * im
}

/// One-sided density of all pulses at these multiples of 5 kHz, V²/Hz, by the definition of the
/// transform, over 17 stretches of 0.2 ms of the gate.
fn density(scene: &Scene, bins: &[u32]) -> f64 {
    let (mut sum, mut terms) = (0.0, 0.0);
    let (mut scratch, mut counts) = (Scratch::default(), Vec::new());
    for pulse in scene.pulses().unwrap() {
        scene.record(&pulse.unwrap(), &mut scratch, &mut counts).unwrap();
        for stretch in counts[44_000..].chunks_exact(4000).take(17) {
            for bin in bins {
                let power = transform(stretch, f64::from(*bin) / 4000.0);
                sum += 2.0 * power * VOLTS * VOLTS / (4000.0 * 20e6);
                terms += 1.0;
            }
        }
    }
    sum / terms
}

#[track_caller]
fn check(value: f64, [low, high]: [f64; 2]) {
    assert!(value >= low && value <= high, "{value} is not from {low} to {high}");
}

#[test]
fn pulses_come_in_the_rhythm_of_the_repetition_and_one_injection_before_the_bubbles() {
    let scene = Scene::demo(&spec(), Setup { population: none(), ..setup() }, 60.0, 3).unwrap();
    let pulses: Vec<ScenePulse> = scene.pulses().unwrap().map(Result::unwrap).collect();
    assert_eq!((pulses.len(), scene.pulse_count()), (300, 300));
    for (pulse, number) in pulses.iter().zip(0..) {
        let (first, time) = (pulse.first_sample, pulse.time_ns);
        assert_eq!([pulse.number, first, time], [number, number * 4_000_000, number * 200_000_000]);
        assert_eq!(pulse.injection_before, number == 190, "pulse {number}");
        assert_eq!(pulse.coupled, number < 280, "pulse {number}");
    }
    for (number, part) in [(9, Part::Silence), (10, Part::Baseline), (190, Part::Exposure)] {
        assert_eq!(pulses[number].part, part);
    }
    assert_eq!(scene.end_sample(), 299 * 4_000_000 + 122_000);
}

/// A population without bubbles.
fn none() -> PopulationSpec {
    PopulationSpec { bubbles_mean: 0.0, ..setup().population }
}

#[test]
fn pauses_and_targets_lie_between_steps() {
    let step = |target: &str, pause_s| Step {
        target: target.into(),
        pause_s,
        ..Step::plain(Part::Baseline, 0.1, 2)
    };
    let scene = scene_of(setup(), vec![step("left", 0.0), step("right", 60.0)]);
    let pulses: Vec<ScenePulse> = scene.pulses().unwrap().map(Result::unwrap).collect();
    let found: Vec<(&str, u64)> =
        pulses.iter().map(|pulse| (&*pulse.target, pulse.time_ns / 1_000_000)).collect();
    assert_eq!(found, [("left", 0), ("left", 200), ("right", 60_400), ("right", 60_600)]);
    assert_eq!(scene.end_sample(), 60_600 * 20_000 + 122_000);
}

#[test]
fn silence_has_the_stated_density_the_quantisation_s_and_the_water_s() {
    // 80 bins of 5 kHz from 0.2 to 2.2 and 4 to 6 MHz: 10,880 terms, standard error 1 %.
    let bins: Vec<u32> = (40..440).step_by(10).chain((800..1200).step_by(10)).collect();
    let quantisation = VOLTS * VOLTS / 12.0 / 10e6;
    let steps = || vec![Step::plain(Part::Silence, 0.0, 8)];
    let found = density(&scene_of(setup(), steps()), &bins) / (1e-14 + quantisation);
    check(found, [0.96, 1.04]);
    // A receiver so sensitive that the water's own noise is heard: 45.35 dB re 1 µPa²/Hz at 1 MHz,
    // checked in `bubble`; here its square law and the receiver's sensitivity.
    let mut keen = setup();
    keen.receivers[0].sensitivity_v_per_pa = 0.01;
    keen.electronics.noise_v2_per_hz = 0.0;
    let near_5_mhz: Vec<u32> = (960..1040).collect();
    // Closed form: 10^4.535 µPa² at 1 MHz, 25 times that at 5 MHz.
    let expected = libm::pow(10.0, 4.535 - 12.0) * 25.0 * 1e-4 + quantisation;
    check(density(&scene_of(keen, steps()), &near_5_mhz) / expected, [0.95, 1.05]);
}

#[test]
fn the_fundamental_falls_by_twenty_decibels_to_the_feed_through_when_uncoupled() {
    let fundamental = |coupled| {
        let step = Step { coupled, ..Step::plain(Part::Exposure, 0.22, 4) };
        density(&scene_of(setup(), vec![step]), &[140])
    };
    let coupled = fundamental(true);
    check(10.0 * (coupled / fundamental(false)).log10(), [19.5, 20.5]);
    // A sine of amplitude A has power A²/2: 0.05 of 0.22 MPa at 1e-5 V/Pa, and a tenth of it by
    // wire, with a phase of its own.
    check(coupled * 5e3 / (0.5 * 0.11 * 0.11), [0.8, 1.2]);
}

#[test]
fn the_first_sound_comes_after_the_water_path() {
    let counts = counts(&quiet(setup(), 0.30, 1), 0);
    let largest = |from: usize, to: usize| {
        counts[from..to].iter().map(|count| count.unsigned_abs()).max().unwrap()
    };
    // 0.15 V are 2458 counts, feed-through 246; noise has a standard deviation of 5.2 counts. The
    // way of 135 mm takes 91.2 µs, 1823 samples.
    assert!(largest(0, 40_000) < 40);
    check(f64::from(largest(40_100, 41_820)), [230.0, 280.0]);
    check(f64::from(largest(42_300, 119_900)), [2200.0, 2900.0]);
    assert!(largest(121_900, 122_000) < 40);
}

#[test]
fn counts_end_at_full_scale() {
    let mut spec = spec();
    spec.signal.receive.full_scale_counts = [-100.0, 99.0];
    let steps = vec![Step::plain(Part::Baseline, 0.3, 1)];
    let counts = counts(&Scene::new(&spec, setup(), steps, 1).unwrap(), 0);
    assert_eq!((counts.iter().min(), counts.iter().max()), (Some(&-100), Some(&99)));
}

#[test]
fn receivers_hear_from_where_they_are_with_noise_of_their_own() {
    let mut spec = spec();
    spec.signal.receive.channels = 2;
    spec.signal.receive.volts_per_count = vec![VOLTS; 2];
    let mut setup = setup();
    setup.amplifier.feed_through_v_per_mpa = 0.0;
    let near = setup.receivers[0].clone();
    // Half as sensitive, and 29.62 mm further, which sound takes 20 µs for.
    let position_m = [0.0, 0.0, 71.8e-3 + 29.62e-3];
    setup.receivers.push(Receiver { position_m, sensitivity_v_per_pa: 0.5e-5, ..near });
    let steps = vec![Step::plain(Part::Baseline, 0.3, 1)];
    let both = counts(&Scene::new(&spec, setup, steps, 1).unwrap(), 0);
    let [first, second] =
        [0, 1].map(|channel| both.iter().skip(channel).step_by(2).copied().collect::<Vec<_>>());
    let line = |counts: &[i16]| transform(&counts[44_000..112_000], 0.035);
    check(10.0 * (line(&first) / line(&second)).log10(), [6.01, 6.03]);
    let loud = |counts: &[i16]| counts.iter().position(|count| count.unsigned_abs() > 200).unwrap();
    let later = f64::from(u32::try_from(loud(&second) - loud(&first)).unwrap());
    check(later, [400.0 - 1.0, 400.0 + 29.0]);
    let sum = |one: &[i16], other: &[i16]| -> f64 {
        one.iter().zip(other).take(40_000).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
    };
    let noise = sum(&first, &first).sqrt() * sum(&second, &second).sqrt();
    check(sum(&first, &second) / noise, [-0.0225, 0.0225]);
}

#[test]
fn gain_drifts_and_steps_and_takes_the_noise_with_it() {
    let mut setup = setup();
    setup.electronics.gain_drift_db_per_s = 1.0;
    setup.electronics.gain_steps = vec![(3, 6.0), (4, -2.0)];
    let scene = quiet(setup, 0.1, 6);
    let level = |number: usize, from: usize, to: usize| {
        let counts = counts(&scene, number);
        let square = |count: &i16| f64::from(*count) * f64::from(*count);
        10.0 * (counts[from..to].iter().map(square).sum::<f64>()).log10()
    };
    // 5 pulses a second: 0.2 dB from one to the next.
    for (number, db) in [(1, 0.2), (2, 0.4), (3, 6.6), (5, 5.0)] {
        let [sound, noise] = [(44_000, 112_000), (0, 38_000)]
            .map(|(from, to)| level(number, from, to) - level(0, from, to));
        check(sound, [db - 0.02, db + 0.02]);
        // 38,000 values, standard error 0.05 dB; rounding adds some.
        check(noise, [db - 0.25, db + 0.25]);
    }
}

#[test]
fn a_faster_clock_sees_a_lower_drive_and_pulses_further_apart() {
    let mut setup = setup();
    setup.electronics.clock_ppm = 2000.0;
    setup.amplifier.feed_through_v_per_mpa = 0.0;
    let scene = quiet(setup, 0.3, 2);
    let pulses: Vec<ScenePulse> = scene.pulses().unwrap().map(Result::unwrap).collect();
    assert_eq!(pulses[1].first_sample, 4_008_000);
    assert_eq!(pulses[1].time_ns, 200_400_000);
    let counts = counts(&scene, 0);
    let line = |frequency_hz: f64| transform(&counts[44_000..112_000], frequency_hz / 20e6);
    // Closed form: 0.7 MHz over 1.002, told by a bin of 294 Hz from its neighbours.
    let (there, before, behind) =
        (line(0.7e6 / 1.002), line(0.7e6 / 1.002 - 294.1), line(0.7e6 / 1.002 + 294.1));
    assert!(there > 1e3 * before && there > 1e3 * behind, "{there} {before} {behind}");
}

#[test]
fn the_noise_s_level_wanders_with_the_stated_spread_and_correlation() {
    let mut setup = setup();
    setup.electronics.noise_wander_db = 2.0;
    setup.electronics.noise_correlation = 0.8;
    let scene = scene_of(setup, vec![Step::plain(Part::Silence, 0.0, 20_000)]);
    let levels: Vec<f64> = scene.pulses().unwrap().map(|pulse| pulse.unwrap().noise_db).collect();
    let n = f64::from(u32::try_from(levels.len()).unwrap());
    let variance = levels.iter().map(|level| level * level).sum::<f64>() / n;
    let lag = levels.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / n;
    // Standard errors with this correlation: 1.5 % of the spread, 0.005 of the correlation.
    check(variance.sqrt(), [1.9, 2.1]);
    check(lag / variance, [0.78, 0.82]);
    // A level of L dB is in the samples: silence of the first pulse.
    let counts = counts(&scene, 0);
    let power = counts[..120_000].iter().map(|count| f64::from(*count).powi(2)).sum::<f64>()
        / 120_000.0
        - 1.0 / 12.0;
    let expected = 1e-14 * 10e6 / (VOLTS * VOLTS) * 10f64.powf(levels[0] / 10.0);
    check(power / expected, [0.97, 1.03]);
}

#[track_caller]
fn check_fault(change: impl FnOnce(&mut SceneSpec, &mut Setup), message: &str) {
    let (mut spec, mut setup) = (spec(), setup());
    change(&mut spec, &mut setup);
    assert_eq!(Scene::demo(&spec, setup, 60.0, 1).unwrap_err().to_string(), message);
}

#[test]
fn what_the_bench_cannot_make_is_said_with_value_and_bound() {
    check_fault(
        |spec, _| spec.signal.receive.sample_format = SampleFormat::Rf32Le,
        "receive.sample_format is rf32_le, the simulated bench writes ri16_le only",
    );
    check_fault(
        |spec, _| spec.repetition_hz = f64::NAN,
        "drive.repetition_hz is NaN, must be finite and above 0",
    );
    check_fault(
        |spec, _| spec.signal.receive.channels = 2,
        "the number of receive.volts_per_count is 1, must be one a channel, 2",
    );
    check_fault(
        |spec, _| spec.pulse_s = 0.3,
        "the record's length in seconds is 0.3021, must be from 0 to 0.2",
    );
    check_fault(
        |spec, _| spec.signal.receive.full_scale_counts[1] = 1e6,
        "receive.full_scale_counts[1] is 1000000, must be from 0 to 32767",
    );
    check_fault(
        |spec, _| spec.signal.receive.sample_rate_hz = 1e12,
        "the record's samples of all channels is 6100000000, must be from 1 to 16777216",
    );
    check_fault(
        |spec, _| spec.signal.drive_frequency_hz = 11e6,
        "drive.frequency_hz is 11000000, must be from 0 to 10000000",
    );
    check_fault(
        |_, setup| setup.receivers.clear(),
        "the number of receivers is 0, must be from 1 to 64",
    );
    check_fault(
        |_, setup| setup.receivers[0].sensitivity_v_per_pa = f64::NAN,
        "receiver.sensitivity_v_per_pa is NaN, must be finite and above 0",
    );
    check_fault(
        |_, setup| setup.electronics.clock_ppm = 2e5,
        "electronics.clock_ppm is 200000, must be from -100000 to 100000",
    );
    let (mut near, spec) = (setup(), spec());
    near.receivers[0].position_m = [0.0, 0.001, 0.0];
    let error = Scene::demo(&spec, near, 60.0, 1).unwrap_err().to_string();
    assert!(error.starts_with("receiver 0 is 0.001 m from the focus, must be from 0.0"), "{error}");
}
