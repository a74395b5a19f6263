//! What is counted of bubbles: collapses, the largest radius, and how many are left to be counted.

use super::super::{
    Bowl, Bubble, Cell, Drive, Grid, Library, LibrarySpec, Liquid, Model, Motion, Population,
    PopulationSpec, Present, Shell,
};
use super::check;
use crate::signal::as_f64;

const FREQUENCY_HZ: f64 = 0.7e6;

/// A library whose first cells hold a radius and a pressure exactly.
fn library(radius_m: f64, pressure_pa: f64, polytropic_exponent: f64, cycles: f64) -> Library {
    Library::new(LibrarySpec {
        liquid: Liquid::WATER_20C,
        shell: Shell::LIPID,
        polytropic_exponent,
        frequency_hz: FREQUENCY_HZ,
        sample_rate_hz: 20e6,
        burst_s: cycles / FREQUENCY_HZ,
        ramp_s: 10e-6,
        radii_m: Grid { from: radius_m, to: 2.0 * radius_m, count: 2 },
        pressures_pa: Grid { from: pressure_pa, to: 2.0 * pressure_pa, count: 2 },
    })
    .unwrap()
}

fn cell(library: &Library, coated: bool) -> &Cell {
    let spec = library.spec();
    let index = library.index(coated, spec.radii_m.from, spec.pressures_pa.from);
    library.cell(index).unwrap()
}

#[test]
fn a_bubble_whose_shell_broke_is_counted_as_the_free_bubble_it_is() {
    // COMPUTED with SciPy: brentq(lambda x: x**-3.285 - 1 - 2*0.0725/(R0*101325*x), 0.3, 1)
    let share = 0.794_952_717;
    let (coated, free) = (library(1.6e-6, 180e3, 1.095, 2800.0), 1.6e-6 * share);
    let free = library(free, 180e3, 1.095, 2800.0);
    let (coated, free) = (cell(&coated, true), cell(&free, false));
    assert!(coated.broken_cycle.is_some() && free.broken_cycle.is_none());
    check(coated.later_share, share, 1e-6);
    // They move alike once the shell is gone: an inertial collapse in every cycle.
    assert!(free.collapses_per_cycle > 0.99, "{}", free.collapses_per_cycle);
    check(coated.collapses_per_cycle, free.collapses_per_cycle, 1e-9);
    check(coated.collapses(2800), free.collapses(2800), 0.01);
    // While the shell breaks it expands further than it ever does again.
    assert!(coated.largest_ratio > free.largest_ratio);
    let last = |radius_m: f64, shell: Option<Shell>| {
        let bubble = Bubble { radius_m, polytropic_exponent: 1.095, shell };
        let drive = Drive::tone(FREQUENCY_HZ, 180e3);
        let motion = Motion::new(&Liquid::WATER_20C, &bubble, &drive, Model::KellerMiksis);
        let mut motion = motion.unwrap().keeping_turns();
        motion.at(300.0 / FREQUENCY_HZ).unwrap();
        let turns = motion.take_turns();
        let late = turns.iter().rev().take(12).filter(|turn| turn.largest);
        late.map(|turn| turn.ratio).fold(0.0, f64::max)
    };
    let found = last(1.6e-6, Some(Shell::LIPID));
    assert!(found > 2.0, "{found}");
    check(found, last(1.6e-6 * share, None), 1e-5);
}

#[test]
fn collapses_of_a_short_burst_are_those_of_the_burst() {
    // COMPUTED with SciPy: solve_ivp(DOP853, rtol 1e-10) of Keller and Miksis' equation, 2 µm, κ 1.4,
    // 0.7 MHz, 0.3 MPa under ramps of 10 µs; a largest radius above 2, then a smallest below 1
    for (cycles, expected) in [(20_u16, 15.0), (40, 35.0), (80, 75.0)] {
        let library = library(2e-6, 300e3, 1.4, f64::from(cycles));
        let found = cell(&library, false).collapses(usize::from(cycles));
        assert!((found - expected).abs() < 1e-9, "{found} in {cycles} cycles, not {expected}");
        let present = Present {
            radius_m: 2e-6,
            position_m: [0.0; 3],
            coated: false,
            pressure_pa: 300e3,
            cell: library.index(false, 2e-6, 300e3),
            ends_cycle: None,
            seed: 1,
        };
        let truth = library.truth(&[present]).unwrap();
        assert!(
            (as_f64(usize::try_from(truth.inertial_collapses).unwrap()) - expected).abs() < 0.5
        );
    }
}

#[test]
fn free_bubbles_dissolve_on_their_way_in_whatever_the_rate_of_pulses() {
    let bowl = Bowl { curvature_radius_m: 63.2e-3, aperture_radius_m: 32e-3 };
    let focus = bowl.focus(&Liquid::WATER_20C, FREQUENCY_HZ).unwrap();
    let spec = PopulationSpec {
        bubbles_mean: 1000.0,
        free_share: 1.0,
        collapses_survived: f64::INFINITY,
        ..PopulationSpec::bench(focus)
    };
    let stay_s = 2.0 * spec.half_length_m() / spec.flow_m_per_s;
    // Closed form: arrivals of 1000/stay a second, of which exp(−age/life) are left.
    let mean = 1000.0 * spec.free_life_s / stay_s * -libm::expm1(-stay_s / spec.free_life_s);
    let library = library(1e-6, 1e3, 1.095, 20.0);
    for (rate_hz, pulses) in [(5.0, 200_u16), (50.0, 400), (100.0, 800)] {
        let mut population = Population::new(spec, 9).unwrap();
        population.inject(0.0).unwrap();
        let counts = (0..pulses).map(|pulse| {
            let time_s = 1.0 + f64::from(pulse) / rate_hz;
            as_f64(population.pulse(&library, time_s, 0.0).unwrap().len())
        });
        let found = counts.sum::<f64>() / f64::from(pulses);
        // Four and a half standard errors of a Poisson number met anew in each stay.
        let met = (f64::from(pulses) / rate_hz / stay_s).min(f64::from(pulses));
        let bound = 4.5 * libm::sqrt(mean / met);
        assert!((found - mean).abs() < bound, "{found} at {rate_hz} Hz, not {mean} ± {bound}");
    }
}

#[test]
fn a_bolus_that_has_gone_is_forgotten() {
    let bowl = Bowl { curvature_radius_m: 63.2e-3, aperture_radius_m: 32e-3 };
    let spec = PopulationSpec {
        bubbles_mean: 1.0,
        wash_out_s: 0.3,
        ..PopulationSpec::bench(bowl.focus(&Liquid::WATER_20C, FREQUENCY_HZ).unwrap())
    };
    let library = library(1e-6, 1e3, 1.095, 20.0);
    let mut population = Population::new(spec, 3).unwrap();
    // More of them than can be there together; after 10 s exp(−10/0.3) is 3e-15.
    for injection in 0..5000_u16 {
        let time_s = 10.0 * f64::from(injection);
        population.inject(time_s).unwrap();
        population.pulse(&library, time_s + 0.1, 0.0).unwrap();
    }
    let mut together = Population::new(spec, 3).unwrap();
    for _ in 0..4096 {
        together.inject(1.0).unwrap();
    }
    let error = together.inject(1.0).unwrap_err();
    assert_eq!(error.to_string(), "injections is 4096, must be from 0 to 4095");
}
