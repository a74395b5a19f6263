//! Curves of one bubble under a tone, for a picture.
//!
//! The motion is followed until it repeats itself, for 128 cycles at least and for 1024 at most: some settle
//! into a long period only after hundreds. The spectrum is that of the last 32 cycles, under a Hann window,
//! by the definition of the transform of R³; p·r = (ρ/3)·d²(R³)/dt², so a line at ω has the amplitude
//! ρω²|F(R³)|/3r, free of what the collapse would fold.

use super::cell::period;
use super::liquid::{Bubble, BubbleError, Drive, Liquid, within};
use super::motion::{Model, Motion};
use crate::signal::as_f64;

/// Points a cycle of the curves and of the spectrum's input.
const POINTS: usize = 256;
/// Cycles before the spectrum at least, cycles in it, and the highest frequency over the drive's.
const SETTLE: usize = 96;
const HEARD: usize = 32;
/// Cycles after which no period is looked for any more, as in the library.
pub const PATIENT: usize = super::cell::PATIENT;
const HIGHEST: usize = 12;
/// Most cycles of the curves over time.
const MOST_CYCLES: usize = 64;
/// Where the sound is heard, m.
const DISTANCE_M: f64 = 0.01;
/// Lowest level, dB.
const LEAST_DB: f64 = -200.0;

/// Motion, sound and spectrum of one bubble.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    /// Times from the drive's arrival on, s.
    pub time_s: Vec<f64>,
    /// Radius, m.
    pub radius_m: Vec<f64>,
    /// Radiated pressure at 1 cm, Pa.
    pub pressure_pa: Vec<f64>,
    /// Frequencies of the spectrum, Hz: multiples of 1/32 of the drive's up to 12 times it.
    pub frequency_hz: Vec<f64>,
    /// Amplitude of the steady part at 1 cm, dB over 1 Pa; a line has its height, whatever lies between
    /// lines the height of a line of its power in 1.5 bins.
    pub spectrum_db: Vec<f64>,
    /// Largest radius over that at rest, in all cycles.
    pub largest_ratio: f64,
    /// Period of the steady part, cycles; none: it had not repeated itself after 1024 cycles.
    pub period_cycles: Option<usize>,
}

/// The curves of a bubble under a tone that begins at time 0; `cycles` of it over time, up to 64.
///
/// # Errors
/// [`BubbleError`]: a number out of bounds, or where the model ends.
pub fn curves(
    liquid: &Liquid,
    bubble: &Bubble,
    frequency_hz: f64,
    pressure_pa: f64,
    cycles: usize,
) -> Result<Curves, BubbleError> {
    within("cycles", as_f64(cycles), [1.0, as_f64(MOST_CYCLES)])?;
    let drive = Drive::tone(frequency_hz, pressure_pa);
    let mut motion = Motion::new(liquid, bubble, &drive, Model::KellerMiksis)?;
    let time_s = |point: usize| as_f64(point) / as_f64(POINTS) / frequency_hz;
    let shown = cycles * POINTS + 1;
    let mut curves = Curves {
        time_s: (0..shown).map(time_s).collect(),
        radius_m: Vec::with_capacity(shown),
        pressure_pa: Vec::with_capacity(shown),
        frequency_hz: Vec::new(),
        spectrum_db: Vec::new(),
        largest_ratio: 1.0,
        period_cycles: None,
    };
    let (mut states, mut cubes) = (Vec::new(), Vec::with_capacity(PATIENT * POINTS));
    for cycle in 0..PATIENT {
        if cycle >= SETTLE + HEARD {
            curves.period_cycles = period(&states);
            if curves.period_cycles.is_some() {
                break;
            }
        }
        for point in cycle * POINTS..(cycle + 1) * POINTS {
            if point < shown {
                let wall = motion.at(time_s(point))?;
                curves.radius_m.push(wall.radius_m);
                curves.pressure_pa.push(wall.pressure_pa_m / DISTANCE_M);
            }
            let state = motion.state(time_s(point))?;
            if point.is_multiple_of(POINTS) {
                states.push(state);
            }
            cubes.push(libm::exp(3.0 * state[0]) - 1.0);
        }
    }
    let cubes = &cubes[cubes.len() - HEARD * POINTS..];
    curves.largest_ratio = motion.course().largest_ratio;
    let radius = bubble.radius_m;
    let scale = liquid.density_kg_per_m3 * radius * radius * radius / (3.0 * DISTANCE_M);
    for (bin, amplitude) in amplitudes(cubes).into_iter().enumerate().skip(1) {
        let hz = as_f64(bin) * frequency_hz / as_f64(HEARD);
        let omega = std::f64::consts::TAU * hz;
        curves.frequency_hz.push(hz);
        let pressure = scale * omega * omega * amplitude;
        curves.spectrum_db.push((20.0 * libm::log10(pressure)).max(LEAST_DB));
    }
    Ok(curves)
}

/// Amplitudes under a Hann window, at bins 0 up to the highest.
fn amplitudes(values: &[f64]) -> Vec<f64> {
    let points = values.len();
    let turn = std::f64::consts::TAU / as_f64(points);
    let table: Vec<(f64, f64)> =
        (0..points).map(|point| libm::sincos(turn * as_f64(point))).collect();
    let windowed: Vec<f64> =
        values.iter().zip(&table).map(|(value, (_, cos))| value * (0.5 - 0.5 * cos)).collect();
    (0..=HIGHEST * HEARD)
        .map(|bin| {
            let (mut re, mut im) = (0.0, 0.0);
            for (place, value) in windowed.iter().enumerate() {
                let (sin, cos) = table[place * bin % points];
                re += value * cos;
                im += value * sin;
            }
            4.0 * libm::hypot(re, im) / as_f64(points)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spectrum_has_the_lines_of_the_radiated_pressure() {
        let curves = curves(&Liquid::WATER_20C, &Bubble::free(2e-6), 4e6, 120e3, 4).unwrap();
        // COMPUTED with SciPy: FFT of p_rad over 32 cycles of 1024 points, 370 cycles after the start;
        // Pa at 1 cm at 1/2, 1, 3/2, 2 times the drive. Here 96 cycles must do.
        for (half, expected) in (1..).zip([40.099_174_1, 44.558_947_4, 8.656_894_58, 5.770_253_72])
        {
            let db = curves.spectrum_db[half * HEARD / 2 - 1];
            let expected = 20.0 * libm::log10(expected);
            assert!((db - expected).abs() < 0.1, "{half}: {db} dB, not {expected}");
        }
        // Between the lines only the window's skirt and what has not settled.
        assert!(curves.spectrum_db[3 * HEARD / 4 - 1] < -20.0);
        assert_eq!(curves.radius_m.len(), 4 * POINTS + 1);
        assert_eq!(curves.frequency_hz.len(), curves.spectrum_db.len());
    }

    #[test]
    fn a_period_is_named_and_an_aperiodic_motion_has_none() {
        let period = |kpa: f64| {
            let curves = curves(&Liquid::WATER_20C, &Bubble::free(2e-6), 1e6, kpa * 1e3, 1);
            curves.unwrap().period_cycles
        };
        // COMPUTED with SciPy: regimes after 120 cycles, 2 µm, 1 MHz
        assert_eq!([50.0, 140.0, 155.0, 250.0].map(period), [Some(1), Some(2), None, Some(1)]);
    }

    #[test]
    fn a_motion_that_settles_late_is_waited_for() {
        let bubble = |radius_m| Bubble { polytropic_exponent: 1.095, ..Bubble::free(radius_m) };
        let found = |radius_m: f64, kpa: f64| {
            let made = curves(&Liquid::WATER_20C, &bubble(radius_m), 0.7e6, kpa * 1e3, 64).unwrap();
            assert_eq!(made.radius_m.len(), 64 * POINTS + 1);
            made.period_cycles
        };
        // COMPUTED with SciPy: solve_ivp(DOP853, rtol 1e-10), strobed once a cycle; 1.9 µm: ln R 12 cycles
        // apart differs by 1.2e-2 after 128 cycles, by 3.7e-5 after 300 and by 2e-7 after 500; 2 µm at
        // 0.22 MPa, rtol 1e-9: by 0.5 or more at any distance up to 24, after 600; by 4e-9 at 2 cycles
        // and 0.16 MPa, by 1e-11 at 1 and 0.30 MPa, after 200
        assert_eq!(found(1.9e-6, 300.0), Some(12));
        assert_eq!(found(2e-6, 160.0), Some(2));
        assert_eq!(found(2e-6, 220.0), None);
        assert_eq!(found(2e-6, 300.0), Some(1));
    }
}
