//! What a ramp of the drive makes heard, from the equations of motion alone.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use super::super::closed::{apfel_holland_pa, thermal_noise_pa2_per_hz};
use super::super::{
    Bowl, Breaking, Grid, Library, LibrarySpec, Liquid, Population, PopulationSpec, Present, Shell,
};
use crate::signal::as_f64;

const FREQUENCY_HZ: f64 = 0.7e6;
const WATER: Liquid = Liquid::WATER_20C;
/// A receiver to the side, and the drive's way to the focus.
const RECEIVER_M: [f64; 3] = [0.05, 0.0, -0.05];
const TRAVEL_S: f64 = 42e-6;
/// From one drive to the next.
const STEP: f64 = 1.05;

/// Harmonics, half orders, broadband.
type Heard = [bool; 3];

fn library(radii_m: Grid, pressures_pa: Grid, of: (Shell, f64)) -> Library {
    let (shell, polytropic_exponent) = of;
    Library::new(LibrarySpec {
        liquid: WATER,
        shell,
        polytropic_exponent,
        frequency_hz: FREQUENCY_HZ,
        sample_rate_hz: 20e6,
        burst_s: 4e-3,
        ramp_s: 10e-6,
        radii_m,
        pressures_pa,
    })
    .unwrap()
}

/// One-sided density over 5 kHz bins, Pa²/Hz: Welch, 4000 samples, Hann, half overlapped.
fn welch(sound: &[f64], density: &mut [f64]) {
    const POINTS: usize = 4000;
    let transform = FftPlanner::new().plan_fft_forward(POINTS);
    let window: Vec<f64> = (0..POINTS)
        .map(|point| 0.5 - 0.5 * (std::f64::consts::TAU * as_f64(point) / as_f64(POINTS)).cos())
        .collect();
    let segments = sound.len() / (POINTS / 2) - 1;
    for segment in 0..segments {
        let part = &sound[segment * POINTS / 2..][..POINTS];
        let mut bins: Vec<Complex<f64>> =
            part.iter().zip(&window).map(|(x, w)| Complex::new(x * w, 0.0)).collect();
        transform.process(&mut bins);
        let scale = 2.0 / (20e6 * 0.375 * as_f64(POINTS) * as_f64(segments));
        density.iter_mut().zip(&bins).for_each(|(sum, bin)| *sum += scale * bin.norm_sqr());
    }
}

/// What stands ten times above the noise that water at 20 °C makes by itself in the mean of these clouds.
fn heard(library: &Library, clouds: &[Vec<Present>]) -> Heard {
    let mut density = vec![0.0; 2001];
    for cloud in clouds {
        let mut ears = vec![vec![0.0; 78_000]];
        library.sound(cloud, TRAVEL_S, &[RECEIVER_M], &mut ears).unwrap();
        welch(&ears[0][4000..], &mut density);
    }
    density.iter_mut().for_each(|value| *value /= as_f64(clouds.len()));
    let noise = |bin: usize| thermal_noise_pa2_per_hz(&WATER, 293.15, 5e3 * as_f64(bin));
    let band = |middle: usize| {
        let bins = middle - 3..=middle + 3;
        bins.map(|bin| density[bin] / noise(bin)).sum::<f64>() / 7.0
    };
    let floor: Vec<f64> = (220..=1200)
        .filter(|bin| (bin + 35) % 70 < 23 || (bin + 35) % 70 > 47)
        .map(|bin| density[bin] / noise(bin))
        .collect();
    let floor = floor.iter().sum::<f64>() / as_f64(floor.len());
    let half_orders = [70, 210, 350, 490].into_iter().filter(|middle| {
        let beside = (density[middle - 15] + density[middle + 15]) / noise(*middle);
        band(*middle) > 10.0 && band(*middle) > 5.0 * beside
    });
    [band(280) > 10.0, half_orders.count() >= 2, floor > 10.0]
}

/// The first drive at which each is heard, Pa, as `hear` says of drives from low to high.
fn onsets(drives_pa: &[f64], mut hear: impl FnMut(f64) -> Heard) -> [Option<f64>; 3] {
    let mut first = [None; 3];
    for drive_pa in drives_pa {
        for (first, heard) in first.iter_mut().zip(hear(*drive_pa)) {
            *first = first.or(heard.then_some(*drive_pa));
        }
    }
    first
}

fn drives_pa(from_pa: f64, to_pa: f64) -> Vec<f64> {
    let next = |drive: &f64| Some(drive * STEP);
    std::iter::successors(Some(from_pa), next).take_while(|drive| *drive <= to_pa).collect()
}

/// Says the onsets beside published ones, and fails unless that of the broadband lies where the fit does.
#[allow(clippy::print_stdout, reason = "the onset stands beside published ones for whoever reads")]
fn check_onsets(name: &str, onsets_pa: [Option<f64>; 3]) {
    let onsets_mpa = onsets_pa.map(|pa| 1e-6 * pa.unwrap_or(f64::INFINITY));
    // Apfel and Holland 1991, constants from memory.
    let fit_mpa = 1e-6 * apfel_holland_pa(FREQUENCY_HZ);
    println!(
        "{name}: harmonics from {:.3}, half orders from {:.3}, broadband from {:.3} MPa at 0.7 MHz; Apfel and \
         Holland {fit_mpa:.3} MPa; published onset near 0.5 MPa at 1.1 MHz (Chen et al. 2003)",
        onsets_mpa[0], onsets_mpa[1], onsets_mpa[2]
    );
    let [harmonics, half_orders, broadband] = onsets_mpa;
    assert!(harmonics < half_orders, "{name}: {onsets_mpa:?}");
    assert!(half_orders <= broadband, "{name}: {onsets_mpa:?}");
    assert!(broadband > 0.5 * fit_mpa && broadband < 2.0 * fit_mpa, "{name}: {onsets_mpa:?}");
}

#[test]
fn over_the_drive_come_harmonics_then_half_orders_then_broadband() {
    let bowl = Bowl { curvature_radius_m: 63.2e-3, aperture_radius_m: 32e-3 };
    let bench = PopulationSpec::bench(bowl.focus(&WATER, FREQUENCY_HZ).unwrap());
    let crowd = PopulationSpec { bubbles_mean: 300.0, ..bench };
    let radii_m = Grid { from: 0.5e-6, to: 3.5e-6, count: 16 };
    // As fine as the ramp, so that a step of the drive is one of the bubbles', too.
    let pressures_pa = Grid { from: 0.02e6, to: 0.3e6, count: 56 };
    let library = library(radii_m, pressures_pa, (Shell::LIPID, 1.095));
    let mut population = Population::new(crowd, 1).unwrap();
    population.inject(0.0).unwrap();
    let mut drives = vec![0.03e6, 0.05e6];
    drives.extend(drives_pa(0.08e6, 0.26e6));
    let mut time_s = 1.0;
    let found = onsets(&drives, |drive_pa| {
        let mut clouds = Vec::new();
        for _ in 0..6 {
            clouds.push(population.pulse(&library, time_s, drive_pa).unwrap());
            time_s += 0.2;
        }
        heard(&library, &clouds)
    });
    check_onsets("300 bubbles of an agent", found);
}

/// So many bubbles of one radius under one pressure, at places a few millimetres around the focus.
fn alike(library: &Library, count: u32, coated: bool) -> Vec<Present> {
    let spec = library.spec();
    let (radius_m, pressure_pa) = (spec.radii_m.from, spec.pressures_pa.from);
    (0..count)
        .map(|number| {
            // Multiples of irrational numbers: spread evenly, with delays of many periods.
            let place = |ratio: f64| 6e-3 * ((f64::from(number) * ratio).fract() - 0.5);
            Present {
                radius_m,
                position_m: [place(0.618_034), place(0.414_214), place(0.732_051)],
                coated,
                pressure_pa,
                cell: library.index(coated, radius_m, pressure_pa),
                ends_cycle: None,
                seed: u64::from(number),
            }
        })
        .collect()
}

fn onsets_of_alike(polytropic_exponent: f64, coated: bool) -> [Option<f64>; 3] {
    let whole = Shell { breaking: Breaking::Never, ..Shell::LIPID };
    onsets(&drives_pa(0.02e6, 0.32e6), |drive_pa| {
        let radii_m = Grid { from: 1.5e-6, to: 3e-6, count: 2 };
        let pressures_pa = Grid { from: drive_pa, to: 2.0 * drive_pa, count: 2 };
        let library = library(radii_m, pressures_pa, (whole, polytropic_exponent));
        heard(&library, &[alike(&library, 20, coated)])
    })
}

#[test]
fn twenty_free_bubbles_sound_in_that_order_and_whole_coated_ones_make_harmonics_alone() {
    // Air without flow of heat, and the bench's gas.
    for exponent in [1.4, 1.095] {
        let name = format!("20 free bubbles of 1.5 um, exponent {exponent}");
        check_onsets(&name, onsets_of_alike(exponent, false));
    }
    let coated = onsets_of_alike(1.095, true);
    assert!(coated[0].is_some() && coated[1].is_none() && coated[2].is_none(), "{coated:?}");
}
