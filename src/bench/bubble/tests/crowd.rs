//! Populations: how bubbles come, go, break and perish.

use super::super::{
    Bowl, BubbleError, Focus, Grid, Library, LibrarySpec, Liquid, Population, PopulationSpec,
    Present, Shell,
};
use crate::signal::as_f64;

const FREQUENCY_HZ: f64 = 0.7e6;

fn focus() -> Focus {
    let bowl = Bowl { curvature_radius_m: 63.2e-3, aperture_radius_m: 32e-3 };
    bowl.focus(&Liquid::WATER_20C, FREQUENCY_HZ).unwrap()
}

fn spec() -> PopulationSpec {
    PopulationSpec::bench(focus())
}

fn library(burst_s: f64) -> Library {
    Library::new(LibrarySpec {
        liquid: Liquid::WATER_20C,
        shell: Shell::LIPID,
        polytropic_exponent: 1.095,
        frequency_hz: FREQUENCY_HZ,
        sample_rate_hz: 20e6,
        burst_s,
        ramp_s: 10e-6,
        radii_m: Grid { from: 0.5e-6, to: 3.5e-6, count: 16 },
        pressures_pa: Grid { from: 20e3, to: 0.4e6, count: 30 },
    })
    .unwrap()
}

/// A library for tests that do not look at its sound.
fn small() -> Library {
    let spec = *library(30e-6).spec();
    let radii_m = Grid { from: 1e-6, to: 2e-6, count: 2 };
    let pressures_pa = Grid { from: 0.1e6, to: 0.4e6, count: 2 };
    Library::new(LibrarySpec { radii_m, pressures_pa, ..spec }).unwrap()
}

/// Presents of pulses at times, under one weak drive.
fn presents(
    spec: PopulationSpec,
    seed: u64,
    times_s: &[f64],
    injected_s: f64,
) -> Vec<Vec<Present>> {
    let library = small();
    let mut population = Population::new(spec, seed).unwrap();
    population.inject(injected_s).unwrap();
    times_s.iter().map(|time_s| population.pulse(&library, *time_s, 1e3).unwrap()).collect()
}

#[test]
fn renewed_bubbles_come_in_poisson_numbers_with_log_normal_radii() {
    let times: Vec<f64> = (1..=400).map(f64::from).collect();
    // Free ones that dissolve on their way would be missing in the share.
    let lasting = PopulationSpec { free_life_s: f64::INFINITY, ..spec() };
    let pulses = presents(lasting, 5, &times, 0.0);
    let counts: Vec<f64> = pulses.iter().map(|presents| as_f64(presents.len())).collect();
    let mean = counts.iter().sum::<f64>() / 400.0;
    let variance = counts.iter().map(|count| (count - mean) * (count - mean)).sum::<f64>() / 399.0;
    // Bounds of four and a half standard errors: σ²/n and 2σ⁴/n for a Poisson number of mean 100.
    assert!((mean - 100.0).abs() < 4.5 * 10.0 / 20.0, "{mean}");
    assert!((variance - 100.0).abs() < 4.5 * 100.0 * (2.0_f64 / 400.0).sqrt(), "{variance}");
    let all: Vec<Present> = pulses.concat();
    let count = as_f64(all.len());
    let logs: Vec<f64> = all.iter().map(|present| libm::log(present.radius_m / 1.25e-6)).collect();
    let mean = logs.iter().sum::<f64>() / count;
    let deviation = libm::sqrt(logs.iter().map(|log| log * log).sum::<f64>() / count);
    assert!(mean.abs() < 4.5 * 0.35 / libm::sqrt(count), "{mean}");
    assert!((deviation - 0.35).abs() < 4.5 * 0.35 / libm::sqrt(2.0 * count), "{deviation}");
    let coated = as_f64(all.iter().filter(|present| present.coated).count()) / count;
    assert!((coated - 0.95).abs() < 4.5 * libm::sqrt(0.95 * 0.05 / count), "{coated}");
    for present in &all {
        let [x, y, z] = present.position_m;
        assert!(x.abs() <= spec().half_length_m() && libm::hypot(y, z) <= 1.5e-3);
        let share = present.pressure_pa / 1e3;
        assert!(share >= spec().faintest_share() && share <= 1.0, "{share}");
    }
}

#[test]
fn a_bolus_washes_in_and_out() {
    let spec = PopulationSpec {
        bubbles_mean: 2000.0,
        flow_m_per_s: 1.0,
        wash_in_s: 5.0,
        wash_out_s: 40.0,
        ..spec()
    };
    let times = [3.0, 9.999, 12.0, 20.0, 50.0, 170.0, 1000.0];
    let counts: Vec<f64> =
        presents(spec, 6, &times, 10.0).iter().map(|presents| as_f64(presents.len())).collect();
    for (count, time_s) in counts.iter().zip(times) {
        // Closed form: (1 − exp(−t/5))·exp(−t/40) of 2000, and four and a half standard errors.
        let since: f64 = time_s - 10.0;
        let share =
            if since < 0.0 { 0.0 } else { (1.0 - (-since / 5.0).exp()) * (-since / 40.0).exp() };
        let mean = 2000.0 * share;
        assert!((count - mean).abs() <= 4.5 * mean.sqrt() + 1.0, "{count} at {time_s}, not {mean}");
    }
}

#[test]
fn bubbles_flow_on_and_out() {
    let spec = PopulationSpec { flow_m_per_s: 2e-3, free_share: 0.0, ..spec() };
    let pulses = presents(spec, 7, &[10.0, 10.2, 20.0], 0.0);
    let mut stayed = 0;
    for before in &pulses[0] {
        let same = |present: &&Present| (present.radius_m - before.radius_m).abs() < 1e-18;
        let after = pulses[1].iter().find(same);
        let left = before.position_m[0] + 0.4e-3 > spec.half_length_m();
        assert_eq!(after.is_none(), left, "{before:?}");
        if let Some(after) = after {
            assert!((after.position_m[0] - before.position_m[0] - 0.4e-3).abs() < 1e-12);
            stayed += 1;
        }
        assert!(!pulses[2].iter().any(|present| same(&present)));
    }
    assert!(stayed > 50, "{stayed}");
}

#[test]
fn broken_shells_stay_broken_and_free_bubbles_dissolve() {
    let spec = PopulationSpec {
        flow_m_per_s: 1e-2,
        free_share: 0.0,
        free_life_s: 0.5,
        collapses_survived: f64::INFINITY,
        ..spec()
    };
    let library = library(40e-6);
    let mut population = Population::new(spec, 8).unwrap();
    population.inject(0.0).unwrap();
    let first = population.pulse(&library, 10.0, 0.3e6).unwrap();
    assert!(first.iter().all(|present| present.coated));
    let truth = library.truth(&first).unwrap();
    assert!(truth.broken > 10 && truth.broken < truth.coated, "{truth:?}");
    assert_eq!(truth.coated, truth.bubbles);
    assert!(truth.largest_ratio.unwrap() > 2.0 && truth.inertial_collapses > 0);
    // Too soon for more than a few to come, leave or dissolve.
    let second = population.pulse(&library, 10.001, 1e3).unwrap();
    let free: Vec<&Present> = second.iter().filter(|present| !present.coated).collect();
    assert!((as_f64(free.len()) - f64::from(truth.broken)).abs() < 3.0);
    for present in &free {
        let before = first
            .iter()
            .find(|before| (before.position_m[1] - present.position_m[1]).abs() < 1e-15);
        assert!(present.radius_m < before.unwrap().radius_m, "same gas, now under tension");
    }
    // Of those that are still in the volume after 0.1 s, exp(−0.2) are left: 0.82.
    let third = population.pulse(&library, 10.101, 0.0).unwrap();
    assert!(third.iter().all(|present| present.pressure_pa <= 0.0 && present.ends_cycle.is_none()));
    assert_eq!(library.truth(&third).unwrap().broken, 0);
    let mut ears = vec![vec![0.0; 1000]];
    library.sound(&third, 0.0, &[[0.05, 0.0, 0.0]], &mut ears).unwrap();
    assert!(ears[0].iter().all(|pa| pa.abs() <= 0.0), "no drive, no sound");
    let fourth = population.pulse(&library, 10.102, 1e3).unwrap();
    let left = fourth.iter().filter(|present| !present.coated).count();
    assert!(left < free.len() && left > free.len() / 5, "{left} of {}", free.len());
}

#[test]
fn bubbles_that_collapse_too_often_are_destroyed() {
    let frail = PopulationSpec { collapses_survived: 5.0, flow_m_per_s: 1e-5, ..spec() };
    let library = library(40e-6);
    let mut population = Population::new(frail, 9).unwrap();
    population.inject(0.0).unwrap();
    // 400 s: the volume is full once.
    let first = population.pulse(&library, 400.0, 0.4e6).unwrap();
    let ended = first.iter().filter(|present| present.ends_cycle.is_some()).count();
    assert!(ended > 10, "{ended} of {}", first.len());
    assert_eq!(library.truth(&first).unwrap().destroyed, u32::try_from(ended).unwrap());
    assert_eq!(population.count(), first.len() - ended);
}

#[test]
fn a_library_knows_beforehand_which_cells_a_population_wants() {
    let library = library(40e-6);
    let drives = [0.08e6, 0.3e6];
    let wanted = library.reachable(&spec(), &drives);
    assert!(wanted.len() > 100 && wanted.len() < library.cells());
    let mut population = Population::new(spec(), 10).unwrap();
    population.inject(0.0).unwrap();
    for (time_s, drive_pa) in [(1.0, drives[0]), (1.05, drives[1]), (1.1, drives[1])] {
        for present in population.pulse(&library, time_s, drive_pa).unwrap() {
            assert!(wanted.binary_search(&present.cell).is_ok(), "{present:?}");
        }
    }
    assert!(library.cell(library.cells()).is_err());
}

#[test]
fn populations_are_the_same_again_and_refuse_what_does_not_fit() {
    let times = [1.0, 1.2, 1.4];
    assert_eq!(presents(spec(), 3, &times, 0.5), presents(spec(), 3, &times, 0.5));
    assert_ne!(presents(spec(), 3, &times, 0.5), presents(spec(), 4, &times, 0.5));
    let refused = |spec: PopulationSpec, name: &str| {
        let error = Population::new(spec, 1).unwrap_err();
        assert!(error.to_string().starts_with(name), "{error}");
    };
    refused(PopulationSpec { median_radius_m: -1e-6, ..spec() }, "median_radius_m is -0.000001,");
    refused(PopulationSpec { radius_sigma: f64::NAN, ..spec() }, "radius_sigma is NaN, must be");
    refused(PopulationSpec { bubbles_mean: 1e9, ..spec() }, "bubbles_mean");
    refused(PopulationSpec { flow_m_per_s: 0.0, ..spec() }, "flow_m_per_s");
    refused(PopulationSpec { least_share: 0.0, ..spec() }, "least_share");
    let mut population = Population::new(spec(), 1).unwrap();
    let library = small();
    population.pulse(&library, 2.0, 1e5).unwrap();
    let backwards = population.pulse(&library, 1.0, 1e5);
    assert!(matches!(backwards, Err(BubbleError::Backwards { .. })));
    assert!(population.inject(1.0).is_err() && population.inject(f64::NAN).is_err());
    assert!(population.pulse(&library, 3.0, 1e9).is_err(), "beyond any bench");
}
