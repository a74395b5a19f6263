//! Whatever the numbers: an answer or an error that names them, in bounded time.

use proptest::prelude::*;

use super::super::{
    Breaking, Bubble, BubbleError, Drive, Grid, Library, LibrarySpec, Liquid, Model, Motion,
    Present, Shell, curves,
};
use crate::signal::as_f64;

const WATER: Liquid = Liquid::WATER_20C;

#[test]
fn what_does_not_fit_is_named_with_its_bound() {
    let motion = |bubble: Bubble, drive: Drive| {
        Motion::new(&WATER, &bubble, &drive, Model::KellerMiksis).unwrap_err().to_string()
    };
    let tone = Drive::tone(1e6, 1e5);
    assert_eq!(
        motion(Bubble::free(-2e-6), tone),
        "radius_m is -0.000002, must be from 0.00000001 to 0.001"
    );
    let stiff = Bubble { polytropic_exponent: f64::NAN, ..Bubble::free(2e-6) };
    assert_eq!(motion(stiff, tone), "polytropic_exponent is NaN, must be from 1 to 2");
    assert_eq!(
        motion(Bubble::free(2e-6), Drive::tone(1e6, 1e8)),
        "pressure_pa is 100000000, must be from 0 to 5000000"
    );
    let none = Drive::Burst { frequency_hz: 1e6, pressure_pa: 1e5, ramp_s: 0.0, duration_s: 0.0 };
    assert_eq!(
        motion(Bubble::free(2e-6), none),
        "duration_s is 0, must be above 0 and up to 10, or infinite"
    );
    let shell = Shell { elasticity_n_per_m: -1.0, ..Shell::LIPID };
    let coated = Bubble { shell: Some(shell), ..Bubble::free(2e-6) };
    assert!(motion(coated, tone).starts_with("elasticity_n_per_m is -1, must be"));
}

#[test]
fn the_end_of_the_model_is_an_error_and_no_hang() {
    let bubble = Bubble::free(2e-6);
    let mut motion = Motion::new(&WATER, &bubble, &Drive::tone(1e6, 5e6), Model::RayleighPlesset);
    let ended = motion.as_mut().unwrap().at(1e-3);
    if let Err(error) = &ended {
        let named = matches!(error, BubbleError::Underflow { .. } | BubbleError::Steps { .. });
        assert!(named, "{error}");
    }
    // A wall that only grows: too far for the equation.
    let torn = Drive::Constant { pressure_pa: -1e6 };
    let mut motion = Motion::new(&WATER, &bubble, &torn, Model::KellerMiksis).unwrap();
    let error = motion.at(10.0).unwrap_err().to_string();
    assert!(error.contains("0.000002 m at -1000000 Pa"), "{error}");
    let mut motion =
        Motion::new(&WATER, &bubble, &Drive::tone(1e6, 1e5), Model::KellerMiksis).unwrap();
    motion.at(3e-6).unwrap();
    assert!(matches!(motion.at(1e-6), Err(BubbleError::Backwards { .. })));
    assert!(motion.at(f64::NAN).is_err() && motion.at(f64::INFINITY).is_err());
}

fn any_liquid() -> impl Strategy<Value = Liquid> {
    (500.0..2000.0, 800.0..3000.0, 0.0..0.05, 0.0..0.2, 1e4..1e6, 0.0..1e4).prop_map(
        |(density, speed, viscosity, tension, pressure, vapour)| Liquid {
            density_kg_per_m3: density,
            sound_speed_m_per_s: speed,
            viscosity_pa_s: viscosity,
            surface_tension_n_per_m: tension,
            static_pressure_pa: pressure,
            vapour_pressure_pa: vapour,
        },
    )
}

fn any_bubble() -> impl Strategy<Value = Bubble> {
    let breaking = prop_oneof![
        Just(Breaking::Never),
        (0.0..2.0).prop_map(|n_per_m| Breaking::Tension { n_per_m }),
        (1.0..3.0).prop_map(|over_buckling| Breaking::Radius { over_buckling }),
    ];
    let shell = (0.0..3.0, 0.0..5e-8, 0.8..1.2, breaking).prop_map(
        |(elasticity_n_per_m, surface_viscosity_kg_per_s, buckling_share, breaking)| Shell {
            elasticity_n_per_m,
            surface_viscosity_kg_per_s,
            buckling_share,
            breaking,
        },
    );
    (-7.5..-4.0, 1.0..1.7, proptest::option::of(shell)).prop_map(
        |(logarithm, polytropic_exponent, shell): (f64, f64, Option<Shell>)| Bubble {
            radius_m: 10.0_f64.powf(logarithm),
            polytropic_exponent,
            shell,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn any_bubble_moves_to_finite_places_or_says_where_the_model_ends(
        (liquid, bubble) in (any_liquid(), any_bubble()),
        (frequency, pressure, ramp) in (4.5..7.3, 1.0..6.7, 0.0..20.0),
    ) {
        let frequency_hz = 10.0_f64.powf(frequency);
        let pressure_pa = 10.0_f64.powf(pressure);
        let (ramp_s, duration_s) = (ramp / frequency_hz, 50.0 / frequency_hz);
        let drive = Drive::Burst { frequency_hz, pressure_pa, ramp_s, duration_s };
        let mut motion = Motion::new(&liquid, &bubble, &drive, Model::KellerMiksis).unwrap();
        for step in [0, 1, 2, 5, 10, 49, 51, 60_i32] {
            match motion.at(f64::from(step) / frequency_hz) {
                Ok(wall) => {
                    prop_assert!(wall.radius_m > 0.0 && wall.radius_m.is_finite());
                    prop_assert!(wall.pressure_pa_m.is_finite());
                }
                Err(error) => {
                    let named =
                        matches!(error, BubbleError::Underflow { .. } | BubbleError::Steps { .. });
                    prop_assert!(named, "{error}");
                    break;
                }
            }
        }
    }

    #[test]
    fn any_numbers_at_all_are_taken_or_refused(
        numbers in proptest::array::uniform12(any::<f64>()),
    ) {
        let [a, b, c, d, e, f, g, h, i, j, k, l] = numbers;
        let liquid = Liquid { density_kg_per_m3: a, viscosity_pa_s: b, ..WATER };
        let shell = Shell { elasticity_n_per_m: c, buckling_share: d, ..Shell::LIPID };
        let bubble = Bubble { radius_m: e, polytropic_exponent: f, shell: Some(shell) };
        let drive = Drive::Burst { frequency_hz: g, pressure_pa: h, ramp_s: i, duration_s: j };
        if let Ok(mut motion) = Motion::new(&liquid, &bubble, &drive, Model::KellerMiksis) {
            prop_assert!(motion.at(k).map_or(true, |wall| wall.radius_m.is_finite()));
        }
        prop_assert!(curves(&liquid, &bubble, g, h, 1).is_err());
        let spec = LibrarySpec {
            liquid,
            shell,
            polytropic_exponent: f,
            frequency_hz: g,
            sample_rate_hz: h,
            burst_s: i,
            ramp_s: j,
            radii_m: Grid { from: k, to: l, count: 2 },
            pressures_pa: Grid { from: l, to: k, count: 3 },
        };
        prop_assert!(Library::new(spec).is_err());
    }

}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

    #[test]
    fn any_burst_is_played_without_a_hole(
        (cycles, ramp, radius, pressure) in (1.0..900.0, 0.0..40.0, 0.5e-6..4e-6, 10e3..0.6e6),
        (rate, ends, coated) in (4.0..40.0, proptest::option::of(0..900_usize), any::<bool>()),
    ) {
        let frequency_hz = 1e6;
        let ramp = f64::min(ramp, 0.5 * libm::round(cycles));
        let library = Library::new(LibrarySpec {
            liquid: WATER,
            shell: Shell::LIPID,
            polytropic_exponent: 1.2,
            frequency_hz,
            sample_rate_hz: rate * 1e6,
            burst_s: cycles / frequency_hz,
            ramp_s: ramp / frequency_hz,
            radii_m: Grid { from: radius, to: 2.0 * radius, count: 2 },
            pressures_pa: Grid { from: pressure, to: 2.0 * pressure, count: 2 },
        })
        .unwrap();
        let cell = library.index(coated, radius, pressure);
        let ends_cycle = ends.filter(|cycle| as_f64(*cycle) < cycles);
        let one = Present {
            radius_m: radius,
            position_m: [0.0; 3],
            coated,
            pressure_pa: pressure,
            cell,
            ends_cycle,
            seed: 5,
        };
        let mut ears = vec![vec![0.0; 40_000]];
        library.sound(&[one], 0.0, &[[0.0, 0.0, 1e-2]], &mut ears).unwrap();
        prop_assert!(ears[0].iter().all(|value| value.is_finite()));
        // In every cycle of the burst something sounds.
        let start: f64 = 1e-2 / WATER.sound_speed_m_per_s * rate * 1e6;
        let last: f64 = ends_cycle.map_or(cycles - 1.0, as_f64).min(cycles - ramp - 1.0);
        for cycle in 2..900_i32 {
            let cycle = f64::from(cycle);
            if cycle > ramp && cycle + 1.0 < last {
                let from = nearest(start + cycle * rate).min(ears[0].len() - 40);
                let part = &ears[0][from..][..nearest(rate + 1.0).min(40)];
                prop_assert!(part.iter().any(|value| value.abs() > 1e-9), "silent at {cycle}");
            }
        }
    }
}

/// The nearest whole number.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "samples of a test, not negative"
)]
fn nearest(value: f64) -> usize {
    value.round() as usize
}
