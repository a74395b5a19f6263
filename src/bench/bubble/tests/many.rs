//! The library and its sound against motions simulated directly.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use super::super::cell::Body;
use super::super::{
    Bubble, Cell, Drive, Grid, Library, LibrarySpec, Liquid, Model, Motion, Present, Shell,
};
use super::check;
use crate::signal::as_f64;

/// The receiver's distance from a bubble at the focus, m.
const AWAY_M: f64 = 0.05;
/// The drive's way to the focus, s.
const TRAVEL_S: f64 = 40e-6;

/// A library whose grids hold a radius and a pressure exactly.
fn library(radius_m: f64, pressure_pa: f64, rates_hz: [f64; 2], cycles: f64) -> Library {
    let [frequency_hz, sample_rate_hz] = rates_hz;
    let spec = LibrarySpec {
        liquid: Liquid::WATER_20C,
        shell: Shell::LIPID,
        polytropic_exponent: 1.4,
        frequency_hz,
        sample_rate_hz,
        burst_s: cycles / frequency_hz,
        ramp_s: 14.0 / frequency_hz,
        radii_m: Grid { from: radius_m, to: 2.0 * radius_m, count: 2 },
        pressures_pa: Grid { from: pressure_pa, to: 2.0 * pressure_pa, count: 2 },
    };
    Library::new(spec).unwrap()
}

/// A free bubble of the library's first cell at the focus.
fn present(library: &Library) -> Present {
    let spec = library.spec();
    Present {
        radius_m: spec.radii_m.from,
        position_m: [0.0; 3],
        coated: false,
        pressure_pa: spec.pressures_pa.from,
        cell: library.index(false, spec.radii_m.from, spec.pressures_pa.from),
        ends_cycle: None,
        seed: 1,
    }
}

fn heard(library: &Library, presents: &[Present], samples: usize) -> Vec<f64> {
    let mut ears = vec![vec![0.0; samples]];
    library.sound(presents, TRAVEL_S, &[[AWAY_M, 0.0, 0.0]], &mut ears).unwrap();
    ears.remove(0)
}

fn cell(library: &Library) -> &Cell {
    library.cell(present(library).cell).unwrap()
}

/// The same by the equation of motion itself: no filter, no table.
fn direct(library: &Library, samples: usize) -> Vec<f64> {
    let spec = library.spec();
    let drive = Drive::Burst {
        frequency_hz: spec.frequency_hz,
        pressure_pa: spec.pressures_pa.from,
        ramp_s: spec.ramp_s,
        duration_s: spec.burst_s,
    };
    let bubble = Bubble::free(spec.radii_m.from);
    let mut motion = Motion::new(&spec.liquid, &bubble, &drive, Model::KellerMiksis).unwrap();
    let late_s = TRAVEL_S + AWAY_M / spec.liquid.sound_speed_m_per_s;
    (0..samples)
        .map(|sample| {
            let time_s = as_f64(sample) / spec.sample_rate_hz - late_s;
            if time_s < 0.0 { 0.0 } else { motion.at(time_s).unwrap().pressure_pa_m / AWAY_M }
        })
        .collect()
}

/// Fails unless two sounds differ by less than a share of the largest value.
#[track_caller]
fn check_sound(found: &[f64], expected: &[f64], share: f64) {
    let most = expected.iter().fold(0.0, |most: f64, value| most.max(value.abs()));
    let pairs = found.iter().zip(expected).enumerate();
    let (place, off) = pairs
        .map(|(place, (a, b))| (place, (a - b).abs()))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap();
    assert!(off < share * most, "off by {} of the largest at sample {place}", off / most);
}

#[test]
fn a_short_burst_sounds_as_the_equation_of_motion_says() {
    // 2 µm at 1 MHz and 20 kPa: all that matters lies below the 14.4 MHz that are passed.
    let library = library(2e-6, 20e3, [1e6, 40e6], 100.0);
    check_sound(&heard(&library, &[present(&library)], 7600), &direct(&library, 7600), 2e-4);
}

#[test]
fn a_long_burst_is_head_period_and_tail_without_a_seam() {
    // Odd and even lengths, so that both ways of falling on the tail are met; 4 MHz and 120 kPa double
    // the period of 2 µm, 1 MHz and 20 kPa do not.
    for (rates_hz, pressure_pa, cycles, period) in [
        ([1e6, 60e6], 20e3, 400.0, 1),
        ([4e6, 100e6], 120e3, 700.0, 2),
        ([4e6, 100e6], 120e3, 701.0, 2),
    ] {
        let library = library(2e-6, pressure_pa, rates_hz, cycles);
        assert_eq!(cell(&library).period_cycles, Some(period));
        let samples = if period == 1 { 30_000 } else { 26_000 };
        let share = if period == 1 { 1e-3 } else { 1e-2 };
        let expected = direct(&library, samples);
        check_sound(&heard(&library, &[present(&library)], samples), &expected, share);
        // And in a chorus with another that has not the same way: twice the same, apart.
        let aside = Present { position_m: [0.0, 0.0, 1e-9], ..present(&library) };
        let both: Vec<f64> = expected.iter().map(|value| 2.0 * value).collect();
        check_sound(&heard(&library, &[present(&library), aside], samples), &both, share);
    }
}

#[test]
fn a_slow_approach_is_waited_for_on_both_sides_of_the_threshold_of_period_doubling() {
    // Just below and just above 82.75 kPa (COMPUTED with SciPy: Floquet multiplier −1), where what
    // alternates dies out or grows by a few hundredths in a cycle.
    for (pressure_pa, period) in
        [(70e3, Some(1)), (78e3, Some(1)), (100e3, Some(2)), (120e3, Some(2))]
    {
        let library = library(2e-6, pressure_pa, [4_085_302.366, 100e6], 2000.0);
        assert_eq!(cell(&library).period_cycles, period, "{pressure_pa} Pa");
    }
}

#[test]
fn a_motion_that_creeps_towards_a_period_for_a_whole_burst_is_simulated_whole() {
    // 1.02 times the threshold of 82.75 kPa (COMPUTED with SciPy: as above): what alternates grows by a
    // few thousandths in a cycle, and is far from settled after 1000 of them.
    let library = library(2e-6, 1.02 * 82_753.67, [4_085_302.366, 100e6], 2000.0);
    let made = cell(&library);
    assert!(matches!(made.body_kind, Body::Whole), "{:?}", made.body_kind);
    assert_eq!((made.period_cycles, made.tail_cycles), (None, 0));
    let expected = direct(&library, 58_000);
    check_sound(&heard(&library, &[present(&library)], 58_000), &expected, 1e-2);
}

/// Power at each bin, in bins of rate/length; the values' mean square is the sum.
fn powers(values: &[f64], windowed: bool) -> Vec<f64> {
    let points = values.len();
    let mut bins: Vec<Complex<f64>> = values
        .iter()
        .enumerate()
        .map(|(place, value)| {
            let turn = std::f64::consts::TAU * as_f64(place) / as_f64(points);
            let weight = if windowed { 0.5 - 0.5 * libm::cos(turn) } else { 1.0 };
            Complex::new(weight * value, 0.0)
        })
        .collect();
    FftPlanner::new().plan_fft_forward(points).process(&mut bins);
    let scale = if windowed { 8.0 / 3.0 } else { 1.0 };
    let scale = 2.0 * scale / (as_f64(points) * as_f64(points));
    bins[..points / 2].iter().map(|bin| scale * bin.norm_sqr()).collect()
}

#[test]
fn a_strong_collapse_leaves_no_false_lines() {
    // 1.5 µm at 0.7 MHz and 20 MS/s; a strong collapse in every cycle, its spike far above 10 MHz.
    let library = (0..26_i32).map(|step| 240e3 + 10e3 * f64::from(step)).find_map(|pressure_pa| {
        let library = library(1.5e-6, pressure_pa, [0.7e6, 20e6], 2800.0);
        let cell = cell(&library);
        let strong = cell.largest_ratio > 3.5 && cell.collapses_per_cycle > 0.99;
        (cell.period_cycles == Some(1) && strong).then_some(library)
    });
    let library = library.unwrap();
    let sound = heard(&library, &[present(&library)], 90_000);
    // 20 000 samples are 700 cycles: harmonics fall on every 700th bin, and nothing else is there.
    let powers = powers(&sound[30_000..50_000], false);
    let lines = powers.iter().step_by(700).copied().fold(0.0, f64::max);
    let others = powers.iter().enumerate().filter(|(bin, _)| bin % 700 != 0);
    let highest = others.map(|(_, power)| *power).fold(0.0, f64::max);
    let db = 10.0 * libm::log10(highest / lines);
    // −98 dB; with four points in place of six in the reading −75.
    assert!(db < -90.0, "a false line of {db} dB");
}

#[test]
fn pieces_of_an_aperiodic_motion_sound_like_the_motion() {
    let (frequency_hz, rate_hz) = (1e6, 40e6);
    let library = library(2e-6, 155e3, [frequency_hz, rate_hz], 4000.0);
    assert_eq!(cell(&library).period_cycles, None);
    // Mean power from 0.6 to 8 MHz at least 0.08 MHz from every multiple of half the drive frequency, in
    // stretches of 100 cycles; `weigh` makes pressure of what is transformed.
    let floor = |values: &[f64], stretch: usize, weigh: &dyn Fn(f64) -> f64| {
        let (mut sum, mut count) = (0.0, 0.0);
        for part in values.chunks_exact(stretch) {
            for (bin, power) in powers(part, true).iter().enumerate().take(800).skip(60) {
                if (bin + 25) % 50 >= 33 || (bin + 25) % 50 <= 17 {
                    sum += power * weigh(as_f64(bin) * frequency_hz / 100.0);
                    count += 1.0;
                }
            }
        }
        sum / count
    };
    let mut found = 0.0;
    for seed in 0..4 {
        let sound = heard(&library, &[Present { seed, ..present(&library) }], 140_000);
        found += floor(&sound[10_000..130_000], 4000, &|_| 1.0) / 4.0;
    }
    // R³ directly, p·r = (ρ/3)·d²(R³)/dt² in each bin.
    let drive = Drive::tone(frequency_hz, 155e3);
    let water = Liquid::WATER_20C;
    let mut motion = Motion::new(&water, &Bubble::free(2e-6), &drive, Model::KellerMiksis).unwrap();
    let cubes: Vec<f64> = (100 * 256..3100 * 256)
        .map(|point| {
            let time_s = as_f64(point) / 256.0 / frequency_hz;
            libm::pow(motion.at(time_s).unwrap().radius_m, 3.0)
        })
        .collect();
    let expected = floor(&cubes, 25_600, &|hz| {
        let omega = std::f64::consts::TAU * hz;
        let scale = water.density_kg_per_m3 * omega * omega / (3.0 * AWAY_M);
        scale * scale
    });
    let off = 10.0 * libm::log10(found / expected);
    assert!(off.abs() < 1.0, "off by {off} dB");
}

#[test]
fn bubbles_of_one_cell_play_different_pieces_and_the_same_ones_again() {
    let library = library(2e-6, 155e3, [1e6, 40e6], 1000.0);
    let one = heard(&library, &[present(&library)], 44_000);
    let again = heard(&library, &[present(&library)], 44_000);
    let other = heard(&library, &[Present { seed: 2, ..present(&library) }], 44_000);
    assert_eq!(one, again);
    assert!(one.iter().zip(&other).any(|(a, b)| (a - b).abs() > 1.0));
}

#[test]
fn sound_is_late_and_low_with_distance() {
    let library = library(2e-6, 50e3, [1e6, 40e6], 500.0);
    let presents = [present(&library)];
    // 200 samples of way more.
    let far_m = AWAY_M + 200.0 / 40e6 * 1481.0;
    let mut ears = vec![vec![0.0; 24_000]; 2];
    let places = [[AWAY_M, 0.0, 0.0], [0.0, 0.0, -far_m]];
    library.sound(&presents, TRAVEL_S, &places, &mut ears).unwrap();
    let moved: Vec<f64> = ears[1][200..].iter().map(|value| value * far_m / AWAY_M).collect();
    check_sound(&moved, &ears[0][..23_800], 1e-6);
    let first = ears[0].iter().position(|value| value.abs() > 1e-3).unwrap();
    let arrival = (TRAVEL_S + AWAY_M / 1481.0) * 40e6;
    assert!((as_f64(first) - arrival).abs() < 60.0, "{first} {arrival}");
    let mut short = vec![vec![0.0; 10]];
    assert!(library.sound(&presents, TRAVEL_S, &[[0.0; 3]], &mut short).is_err(), "at the bubble");
    assert!(library.sound(&presents, TRAVEL_S, &[], &mut short).is_err(), "one buffer too many");
    library.sound(&presents, TRAVEL_S, &[[AWAY_M, 0.0, 0.0]], &mut short).unwrap();
}

#[test]
fn a_destroyed_bubble_falls_silent() {
    for (pressure_pa, ends) in [(50e3, 300), (155e3, 300), (50e3, 5), (155e3, 5)] {
        let library = library(2e-6, pressure_pa, [1e6, 40e6], 1000.0);
        let whole = heard(&library, &[present(&library)], 44_000);
        let cut = Present { ends_cycle: Some(ends), ..present(&library) };
        let sound = heard(&library, &[cut], 44_000);
        let end = usize::midpoint(2 * 40 * ends, 2 * (1600 + 1350));
        // The last piece of an aperiodic motion is picked by what is left.
        let alike = 3000 + 40 * ends.saturating_sub(70);
        check_sound(&sound[..alike], &whole[..alike], 1e-4);
        assert!(sound[end + 45..].iter().all(|value| value.abs() < 1e-12));
        assert!(whole[end + 45..].iter().any(|value| value.abs() > 0.1));
    }
}

#[test]
fn cells_are_the_same_in_any_order_and_from_any_thread() {
    let make = |backwards: bool| {
        let library = library(1.5e-6, 150e3, [0.7e6, 20e6], 2800.0);
        let library = &library;
        let mut indices: Vec<usize> = (0..library.cells()).collect();
        if backwards {
            indices.reverse();
        }
        std::thread::scope(|scope| {
            for half in indices.chunks(4) {
                scope.spawn(move || half.iter().all(|index| library.cell(*index).is_ok()));
            }
        });
        let presents: Vec<Present> = (0..library.cells())
            .map(|cell| Present { cell, seed: 9, ..present(library) })
            .collect();
        heard(library, &presents, 90_000)
    };
    assert_eq!(make(false), make(true));
}

#[test]
fn a_shell_that_breaks_leaves_a_smaller_free_bubble_with_the_same_gas() {
    let library = library(2e-6, 250e3, [0.7e6, 20e6], 2800.0);
    let coated = library.cell(library.index(true, 2e-6, 250e3)).unwrap();
    assert!(coated.broken_cycle.is_some_and(|cycle| cycle < 40.0), "{:?}", coated.broken_cycle);
    // Closed form: (p0 + 2σ/R)·R^3κ is what it was, p0·R0^3κ; the shell carried no tension at rest.
    let radius_m = 2e-6 * coated.later_share;
    let rest = |tension: f64| (101_325.0 + 2.0 * tension / radius_m) / 101_325.0;
    check(rest(0.0725) * libm::pow(coated.later_share, 4.2), 1.0, 1e-9);
    let free = library.cell(library.index(false, 2e-6, 250e3)).unwrap();
    assert!((free.later_share - 1.0).abs() < 1e-12 && free.broken_cycle.is_none());
}
