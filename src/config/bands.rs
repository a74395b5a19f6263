//! Reads `[bands]`.
//!
//! Only what one key says; whether bands overlap, fit below half the sample rate or keep enough
//! bins is the band plan's to say, see [`crate::signal::plan_faults`].

use crate::signal::BandSpec;

use super::bounds::Bounds;
use super::field::Field;
use super::written::Section;

/// Highest multiple of the drive frequency that can be named.
const HIGHEST: u64 = 1000;
/// No frequency of a band lies above this, Hz.
const FREQUENCY_HZ: Bounds = Bounds::at_least(0.0).at_most(1e10);
const WIDTH_HZ: Bounds = Bounds::above(0.0).at_most(1e10);

/// The table `[bands]`.
pub(super) fn bands(bands: &Section<'_, '_>) -> Option<BandSpec> {
    let harmonics = bands.required("harmonics").and_then(|field| {
        let lines = field.each("an array of whole numbers from 2", harmonic)?;
        once_each(&field, lines)
    });
    let ultraharmonic_halves = bands.required("ultraharmonics").and_then(|field| {
        let lines = field.each("an array such as [1.5, 2.5]", ultraharmonic)?;
        once_each(&field, lines)
    });
    let subharmonic = bands.required("subharmonic").and_then(|field| field.boolean());
    let line_half_width_hz = bands.number("line_half_width_hz", WIDTH_HZ);
    let guard_half_width_hz = bands.number("guard_half_width_hz", WIDTH_HZ);
    let flank_half_width_hz = bands.number("flank_half_width_hz", WIDTH_HZ);
    let broadband_hz = bands.required("broadband_hz").and_then(|field| {
        let pairs = pairs(&field)?;
        if pairs.is_empty() { field.refused("at least one pair") } else { Some(pairs) }
    });
    let notches_hz = bands.maybe("notches_hz", pairs);
    let noise_band_hz = bands.maybe("noise_band_hz", |field| field.pair(FREQUENCY_HZ));
    Some(BandSpec {
        harmonics: harmonics?,
        ultraharmonic_halves: ultraharmonic_halves?,
        subharmonic: subharmonic?,
        line_half_width_hz: line_half_width_hz?,
        guard_half_width_hz: guard_half_width_hz?,
        flank_half_width_hz: flank_half_width_hz?,
        broadband_hz: broadband_hz?,
        notches_hz: notches_hz?.unwrap_or_default(),
        noise_band_hz: noise_band_hz?,
    })
}

fn pairs(field: &Field<'_, '_>) -> Option<Vec<[f64; 2]>> {
    let what = "an array of pairs such as [[1.1e6, 6.0e6]]";
    let elements = field.elements(what)?;
    if !elements.is_empty() && elements.iter().all(Field::is_number) {
        let help = "each pair stands in brackets of its own: [[low, high]]";
        return field.fault(&format!("must be {what}"), Some(help));
    }
    field.each(what, |pair| pair.pair(FREQUENCY_HZ))
}

fn harmonic(field: &Field<'_, '_>) -> Option<u32> {
    field.whole(2..=HIGHEST).and_then(|multiple| u32::try_from(multiple).ok())
}

/// The halves of the drive frequency of 1.5, 2.5, … .
fn ultraharmonic(field: &Field<'_, '_>) -> Option<u32> {
    let multiple = field.number(Bounds::FINITE)?;
    let found = (1..HIGHEST).find(|below| {
        // Halves are exact in binary, and so is the difference to the whole number below.
        u32::try_from(*below).is_ok_and(|below| (multiple - f64::from(below) - 0.5).abs() == 0.0)
    });
    match found.and_then(|below| u32::try_from(2 * below + 1).ok()) {
        Some(halves) => Some(halves),
        None => field.refused(&format!("1.5, 2.5, … up to {}.5", HIGHEST - 1)),
    }
}

/// Refuses a line that is named twice, at both places.
fn once_each(field: &Field<'_, '_>, lines: Vec<u32>) -> Option<Vec<u32>> {
    for (index, line) in lines.iter().enumerate() {
        if let Some(first) = lines[..index].iter().position(|earlier| earlier == line) {
            let [again, first] = [index, first].map(|at| format!("{}[{at}]", field.path));
            let message = format!("`{again}` repeats `{first}`, each line counts once");
            field.written.fault(message, &[(&again, "again"), (&first, "first here")]);
            return None;
        }
    }
    Some(lines)
}
