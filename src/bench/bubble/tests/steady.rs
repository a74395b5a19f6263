//! The steady state of single bubbles: lines, linear theory, thresholds, regimes.

use std::f64::consts::{PI, TAU};

use super::super::closed::{damping, resonance_hz};
use super::super::{Bubble, Drive, Liquid, Model, Motion};
use super::check;
use super::single::free;
use crate::signal::as_f64;

const WATER: Liquid = Liquid::WATER_20C;

/// Amplitudes at multiples of half the drive frequency of p at 1 cm, Pa, over 32 cycles after `settle`.
pub(super) fn lines(mut motion: Motion, frequency_hz: f64, settle: usize) -> Vec<f64> {
    const POINTS: usize = 32 * 1024;
    let cycle_s = 1.0 / frequency_hz;
    let pressure: Vec<f64> = (0..POINTS)
        .map(|point| {
            let time_s = cycle_s * (as_f64(settle) + as_f64(point) / 1024.0);
            motion.at(time_s).unwrap().pressure_pa_m / 0.01
        })
        .collect();
    amplitudes(&pressure, 16, 11)
}

/// Amplitudes at the first multiples of a bin, by the definition of the transform.
fn amplitudes(values: &[f64], bin: usize, count: usize) -> Vec<f64> {
    let points = values.len();
    let turn = std::f64::consts::TAU / as_f64(points);
    let table: Vec<(f64, f64)> =
        (0..points).map(|point| libm::sincos(turn * as_f64(point))).collect();
    (1..=count)
        .map(|order| {
            let (mut re, mut im) = (0.0, 0.0);
            for (place, value) in values.iter().enumerate() {
                let (sin, cos) = table[place * order * bin % points];
                re += value * cos;
                im += value * sin;
            }
            2.0 * libm::hypot(re, im) / as_f64(points)
        })
        .collect()
}

#[track_caller]
pub(super) fn check_db(value: f64, expected: f64, db: f64) {
    let off = 20.0 * libm::log10(value / expected);
    assert!(off.abs() <= db, "{value} is not {expected}: {off} dB");
}

/// Largest and smallest R/R0 of a few cycles after `settle`: at 1024 points a cycle, and at all turns.
fn extremes(motion: Motion, radius_um: f64, frequency_hz: f64, settle: usize) -> [[f64; 2]; 2] {
    let mut motion = motion.keeping_turns();
    let mut points = Vec::new();
    for point in 0..=8 * 1024 {
        let time_s = (as_f64(settle) + as_f64(point) / 1024.0) / frequency_hz;
        points.push(1e6 * motion.at(time_s).unwrap().radius_m / radius_um);
        if point == 0 {
            motion.take_turns();
        }
    }
    let turns: Vec<f64> = motion.take_turns().iter().map(|turn| turn.ratio).collect();
    [points, turns].map(|ratios| {
        let least = ratios.iter().copied().fold(f64::INFINITY, f64::min);
        [ratios.into_iter().fold(0.0, f64::max), least]
    })
}

/// Fails unless extremes of radii are those of another integrator, on its grid and between its points.
#[track_caller]
fn check_extremes(found: [[f64; 2]; 2], on_grid: [f64; 2], turns: [f64; 2]) {
    for (found, expected) in found.into_iter().zip([on_grid, turns]) {
        check(found[0], expected[0], 1e-7);
        check(found[1], expected[1], 1e-7);
    }
}

#[test]
fn steady_emission_has_its_lines_and_no_half_orders_in_period_one() {
    type Row<'a> = (f64, [f64; 2], [f64; 2], &'a [f64]);
    // COMPUTED with SciPy: FFT of p_rad over 32 cycles of 1024 points; 2 µm, 1 MHz; kPa, Rmax/R0 and
    // Rmin/R0 of those points, the same where the speed passes 0 (events of solve_ivp), Pa at 1 cm at 1,
    // 2, 3, 4, 5 times the drive
    let rows: [Row<'_>; 4] = [
        (
            1.0,
            [1.002_033_376, 0.998_031_634],
            [1.002_033_377, 0.998_031_632],
            &[6.296_230_38e-2, 8.449_226_33e-3, 9.3064e-5],
        ),
        (
            20.0,
            [1.063_383_706, 0.946_861_618],
            [1.063_384_086, 0.946_861_616],
            &[1.335_828_71, 3.378_474_99, 0.753_267_171, 0.138_751_669, 0.050_110_9],
        ),
        (
            50.0,
            [1.261_804_720, 0.757_249_425],
            [1.261_805_717, 0.757_245_508],
            &[4.161_207_82, 21.019_491_3, 11.046_234_5, 5.316_131_92, 4.347_041_71],
        ),
        (
            100.0,
            [1.476_560_464, 0.533_161_296],
            [1.476_560_500, 0.533_059_879],
            &[6.621_779_71, 41.970_553_7, 28.432_154_4, 22.230_601_1, 18.963_877_9],
        ),
    ];
    for (kpa, on_grid, turns, expected) in rows {
        let motion = || free(2.0, 1e6, kpa * 1e3, Model::KellerMiksis);
        let found = lines(motion(), 1e6, 200);
        let strongest = found.iter().copied().fold(0.0, f64::max);
        for (order, expected) in expected.iter().enumerate() {
            check_db(found[2 * order + 1], *expected, 0.01);
        }
        for half in found.iter().step_by(2) {
            let db = 20.0 * libm::log10(half / strongest);
            assert!(db < -200.0, "{kpa} kPa: a half-order line of {db} dB");
        }
        check_extremes(extremes(motion(), 2.0, 1e6, 200), on_grid, turns);
    }
}

#[test]
fn steady_emission_has_half_orders_where_the_period_doubles() {
    // COMPUTED with SciPy: as above; µm, MHz, kPa, Rmax/R0 and Rmin/R0 of the points, the same at
    // turns, Pa at 1 cm at 1/2, 1, 3/2, 2, 5/2, 3 times the drive; at 4 and 5 times
    let rows = [
        (
            [2.0, 4.0, 120.0],
            [1.344_545_502, 0.680_474_026],
            [1.344_545_507, 0.680_473_969],
            [40.099_174_1, 44.558_947_4, 8.656_894_58, 5.770_253_72, 3.392_879_59, 2.059_401_43],
            [0.761_460_347, 0.286_397],
        ),
        (
            [3.0, 2.5, 75.0],
            [1.320_383_750, 0.703_156_398],
            [1.320_383_793, 0.703_155_930],
            [50.537_676_7, 44.368_516_3, 9.751_801_91, 5.872_217_32, 3.222_504_21, 1.820_959_67],
            [0.589_241_106, 0.194_367],
        ),
        (
            [5.0, 1.4, 60.0],
            [1.383_069_629, 0.649_732_546],
            [1.383_069_740, 0.649_732_254],
            [90.125_859_5, 76.707_354_9, 22.494_862_9, 14.678_302_2, 9.303_972_41, 5.936_801_41],
            [2.460_163_58, 1.039_18],
        ),
    ];
    for ([radius_um, mhz, kpa], on_grid, turns, expected, higher) in rows {
        let motion = || free(radius_um, mhz * 1e6, kpa * 1e3, Model::KellerMiksis);
        let found = lines(motion(), mhz * 1e6, 600);
        for (found, expected) in found.iter().zip(expected) {
            check_db(*found, expected, 0.01);
        }
        check_db(found[7], higher[0], 0.01);
        check_db(found[9], higher[1], 0.01);
        check_extremes(extremes(motion(), radius_um, mhz * 1e6, 600), on_grid, turns);
    }
}

#[test]
fn a_line_of_the_pressure_is_that_of_the_volume() {
    let mut motion = free(2.0, 1e6, 50e3, Model::KellerMiksis);
    let cubes: Vec<f64> = (0..4 * 1024)
        .map(|point| {
            let time_s = 1e-6 * (200.0 + as_f64(point) / 1024.0);
            libm::pow(motion.at(time_s).unwrap().radius_m, 3.0)
        })
        .collect();
    let pressures = lines(free(2.0, 1e6, 50e3, Model::KellerMiksis), 1e6, 200);
    // Closed form: p·r = (ρ/3)·d²(R³)/dt², so a line at ω is ρω²/(3r) times that of R³.
    for (order, cube) in amplitudes(&cubes, 4, 5).into_iter().enumerate() {
        let omega = TAU * 1e6 * as_f64(order + 1);
        let expected = WATER.density_kg_per_m3 * omega * omega / (3.0 * 0.01) * cube;
        check(pressures[2 * order + 1], expected, 1e-7);
    }
}

#[test]
fn a_weak_drive_makes_the_motion_of_linear_theory() {
    // COMPUTED: linear theory of the equation of Keller and Miksis at 1 kPa; |R/R0 − 1|
    for (mhz, expected) in [(1.0, 1.997_278_283e-3), (2.0, 1.494_583_411e-2)] {
        let mut motion = free(2.0, mhz * 1e6, 1e3, Model::KellerMiksis);
        let radii: Vec<f64> = (0..1024)
            .map(|point| {
                let time_s = (200.0 + as_f64(point) / 1024.0) / (mhz * 1e6);
                motion.at(time_s).unwrap().radius_m / 2e-6 - 1.0
            })
            .collect();
        let found = amplitudes(&radii, 1, 1)[0];
        check(found, expected, 1e-3);
        // COMPUTED with SciPy: the steady amplitude of the nonlinear equation
        let numeric = if mhz < 1.5 { 1.997_484_336e-3 } else { 1.495_401_557e-2 };
        check(found, numeric, 1e-6);
    }
}

/// Cross-section in which a weak sound is scattered, m²: linear theory with viscous and radiated damping
/// at the drive's frequency.
fn scattering_m2(radius_m: f64, frequency_hz: f64) -> f64 {
    let stiffness = resonance_hz(&WATER, 1.4, radius_m) / frequency_hz;
    let lost: f64 = damping(&WATER, frequency_hz, radius_m).iter().sum();
    let off = stiffness * stiffness - 1.0;
    4.0 * PI * radius_m * radius_m / (off * off + lost * lost)
}

#[test]
fn a_weak_sound_is_scattered_as_linear_theory_says() {
    // COMPUTED with NumPy: 4*pi*R0**2/((w0**2/w**2 - 1)**2 + d**2), d = 4*mu/(rho*w*R0**2) + w*R0/c;
    // MHz, m²
    for (mhz, expected) in [
        (0.5, 2.041_060_43e-13),
        (1.0, 4.980_434_12e-12),
        (2.042_651_183, 5.504_476_47e-9),
        (4.0, 9.107_535_77e-11),
    ] {
        let section = scattering_m2(2e-6, mhz * 1e6);
        check(section, expected, 5e-9);
        // The equation of motion under 100 Pa: 4πr²·(p/100 Pa)² at 1 cm. The theory takes w·R0/c for the
        // radiated damping, the equation also moves the resonance by its square.
        let line = lines(free(2.0, mhz * 1e6, 100.0, Model::KellerMiksis), mhz * 1e6, 200)[1];
        check(4.0 * PI * 1e-4 * (line / 100.0) * (line / 100.0), section, 5e-3);
    }
}

/// Growth of what alternates from cycle to cycle, after a slow rise of the drive.
fn alternation_grows(
    (liquid, model): (&Liquid, Model),
    radius_um: f64,
    frequency_hz: f64,
    pressure_pa: f64,
) -> bool {
    let duration_s = f64::INFINITY;
    let drive = Drive::Burst { frequency_hz, pressure_pa, ramp_s: 60.0 / frequency_hz, duration_s };
    let motion = Motion::new(liquid, &Bubble::free(radius_um * 1e-6), &drive, model).unwrap();
    let mut motion = motion.with_tolerance(1e-12).unwrap();
    let mut alternation = |cycle: f64| {
        let radii = [0.0, 1.0, 2.0]
            .map(|more| motion.at((cycle + more) / frequency_hz).unwrap().radius_m * 1e6);
        (radii[0] - 2.0 * radii[1] + radii[2]).abs()
    };
    let early = alternation(200.0);
    alternation(400.0) > early
}

#[test]
fn the_period_doubles_from_floquet_s_threshold_on() {
    // COMPUTED with SciPy: Floquet multiplier −1 by shooting, solve_ivp DOP853 and brentq; µm, Hz, Pa
    let plain = Liquid { surface_tension_n_per_m: 0.0, ..WATER };
    for (radius_um, frequency_hz, of, expected) in [
        (2.0, 4_085_302.366, (&WATER, Model::KellerMiksis), 82_753.67),
        (3.0, 2_558_375.665, (&WATER, Model::KellerMiksis), 55_947.25),
        (5.0, 1_450_883.987, (&WATER, Model::KellerMiksis), 35_960.69),
        (10.0, 692_213.003, (&WATER, Model::KellerMiksis), 21_842.90),
        (2.0, 4_085_302.366, (&WATER, Model::RayleighPlesset), 67_662.19),
        (3.0, 2_558_375.665, (&WATER, Model::RayleighPlesset), 43_227.36),
        (5.0, 1_450_883.987, (&WATER, Model::RayleighPlesset), 25_019.56),
        (10.0, 692_213.003, (&WATER, Model::RayleighPlesset), 12_164.93),
        (10.0, 657_306.320, (&plain, Model::RayleighPlesset), 11_821.51),
    ] {
        let (mut low, mut high) = (0.8 * expected, 1.2 * expected);
        while high - low > 1e-3 * expected {
            let middle = 0.5 * (low + high);
            let grows = alternation_grows(of, radius_um, frequency_hz, middle);
            if grows { high = middle } else { low = middle }
        }
        check(0.5 * (low + high), expected, 0.01);
    }
}

#[test]
fn regimes_over_the_drive_are_those_of_another_integrator() {
    let strobed = |kpa: f64| {
        let mut motion = free(2.0, 1e6, kpa * 1e3, Model::KellerMiksis);
        let radii: Vec<f64> = (0..160_i32)
            .map(|cycle| motion.at(f64::from(cycle) * 1e-6).unwrap().radius_m / 2e-6)
            .collect();
        radii[120..].to_vec()
    };
    let spread = |radii: &[f64], period: usize| {
        let pairs = radii.iter().zip(&radii[period..]);
        pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
    };
    // COMPUTED with SciPy: strobed after 120 cycles, 2 µm, 1 MHz; kPa and R/R0 at whole cycles
    for (kpa, expected) in [(180.0, 2.01632), (200.0, 2.20598), (220.0, 2.35143), (250.0, 2.52401)]
    {
        let radii = strobed(kpa);
        assert!(spread(&radii, 1) < 1e-4, "{kpa} kPa: {}", spread(&radii, 1));
        check(radii[39], expected, 1e-5);
    }
    for kpa in [50.0, 100.0, 110.0, 120.0] {
        assert!(spread(&strobed(kpa), 1) < 1e-3, "{kpa} kPa");
    }
    for (kpa, expected) in [(130.0, [1.11313, 1.43891]), (140.0, [0.90756, 1.54362])] {
        let radii = strobed(kpa);
        assert!(spread(&radii, 2) < 1e-3 && spread(&radii, 1) > 0.3);
        let [low, high] = expected;
        check(radii[39].min(radii[38]), low, 1e-3);
        check(radii[39].max(radii[38]), high, 1e-3);
    }
    for kpa in [150.0, 160.0] {
        let radii = strobed(kpa);
        for period in 1..=8 {
            assert!(spread(&radii, period) > 0.02, "{kpa} kPa repeats after {period}");
        }
    }
}
