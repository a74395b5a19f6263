//! Reads what stands on the bench: `[transducer]`, `[tank]`, `[amplifier]`, `[[receiver]]`,
//! `[electronics]`, `[[tone]]`, `[[gain_step]]`.

use std::path::PathBuf;

use super::super::bounds::Bounds;
use super::super::field::Field;
use super::super::written::Section;
use super::{PATH_CHARS, Tank, tables};
use crate::bench::bubble::{Bowl, Liquid};
use crate::bench::setup::{
    Amplifier, Electronics, FURTHEST_M, MOST_ENTRIES, MOST_RECEIVERS, Receiver,
};
use crate::bench::{Absorption, Reverberation};
use crate::signal::Curve;

const POSITIVE: Bounds = Bounds::above(0.0);
const NOT_NEGATIVE: Bounds = Bounds::at_least(0.0);
const LEVEL_DB: Bounds = Bounds::at_least(-300.0).at_most(0.0);

/// The table `[transducer]`.
pub(super) fn bowl(table: &Section<'_, '_>) -> Option<Bowl> {
    let curvature = table.number("focal_length_m", Bounds::at_least(1e-3).at_most(1.0));
    let aperture = table.number("aperture_radius_m", Bounds::at_least(1e-4).at_most(1.0));
    let (curvature_radius_m, aperture_radius_m) = (curvature?, aperture?);
    if aperture_radius_m >= curvature_radius_m {
        let message = format!(
            "`transducer.aperture_radius_m` is {aperture_radius_m}, must be below focal_length_m, \
             {curvature_radius_m}"
        );
        let places = [
            ("transducer.aperture_radius_m", "too wide"),
            ("transducer.focal_length_m", "for this"),
        ];
        table.written().fault(message, &places);
        return None;
    }
    Some(Bowl { curvature_radius_m, aperture_radius_m })
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Filling {
    WarmWater,
    Water,
    BloodLike,
}

impl Filling {
    const fn name(self) -> &'static str {
        match self {
            Self::Water => "water at 20 C",
            Self::WarmWater => "water at 37 C",
            Self::BloodLike => "blood-like at 37 C",
        }
    }
}

/// The table `[tank]`.
pub(super) fn tank(table: &Section<'_, '_>) -> Option<Tank> {
    let all = [Filling::Water, Filling::WarmWater, Filling::BloodLike];
    let filling = table.required("liquid").and_then(|field| field.choice(&all, Filling::name));
    let plate = table.maybe("plate_loss_file", |field| field.line(PATH_CHARS).map(PathBuf::from));
    let share = table
        .maybe("reverberation_db", |field| field.number(Bounds::at_least(-300.0).at_most(40.0)));
    let decay = table.maybe("reverberation_decay_s", |field| field.number(POSITIVE.at_most(100.0)));
    let uncoupled_db = table.number("uncoupled_db", LEVEL_DB);
    let absorption = absorption(table);
    let reverberation = match (share?, decay?) {
        (Some(share_db), Some(decay_s)) => Some(Reverberation { share_db, decay_s }),
        (None, None) => None,
        (Some(_), None) => {
            table.miss(vec!["reverberation_decay_s"]);
            return None;
        }
        (None, Some(_)) => {
            table.miss(vec!["reverberation_db"]);
            return None;
        }
    };
    let (liquid, temperature_k) = match filling? {
        Filling::Water => (Liquid::WATER_20C, 293.15),
        Filling::WarmWater => (Liquid::WATER_37C, 310.15),
        Filling::BloodLike => (Liquid::BLOOD_LIKE, 310.15),
    };
    let (plate_loss_file, uncoupled_db) = (plate?, uncoupled_db?);
    let absorption = absorption?;
    Some(Tank { liquid, temperature_k, absorption, plate_loss_file, reverberation, uncoupled_db })
}

/// What the way to the receivers absorbs: both keys, or water.
fn absorption(table: &Section<'_, '_>) -> Option<Absorption> {
    let loss = table
        .maybe("absorption_db_per_cm_at_1_mhz", |field| field.number(NOT_NEGATIVE.at_most(100.0)));
    let exponent =
        table.maybe("absorption_exponent", |field| field.number(NOT_NEGATIVE.at_most(3.0)));
    match (loss?, exponent?) {
        (Some(loss), Some(exponent)) => {
            Some(Absorption::Power { db_per_m: 100.0 * loss, exponent })
        }
        (None, None) => Some(Absorption::Water),
        (Some(_), None) => {
            table.miss(vec!["absorption_exponent"]);
            None
        }
        (None, Some(_)) => {
            table.miss(vec!["absorption_db_per_cm_at_1_mhz"]);
            None
        }
    }
}

/// The table `[amplifier]`.
pub(super) fn amplifier(table: &Section<'_, '_>) -> Option<Amplifier> {
    let ramp_s = table.number("ramp_s", NOT_NEGATIVE.at_most(1.0));
    let wander = table.number("wander", NOT_NEGATIVE.at_most(0.1));
    let harmonics = table.required("harmonics_db").and_then(|field| {
        let levels = field.each("an array of levels, dB", |level| level.number(LEVEL_DB))?;
        match levels.len() {
            0..=7 => Some(levels),
            _ => field.refused("at most 7 levels, from the second harmonic on"),
        }
    });
    let shock_per_mpa = table.number("shock_per_mpa", NOT_NEGATIVE.at_most(10.0));
    let feed_through = table.number("feed_through_v_per_mpa", NOT_NEGATIVE.at_most(1e6));
    Some(Amplifier {
        ramp_s: ramp_s?,
        wander: wander?,
        harmonics_db: harmonics?,
        shock_per_mpa: shock_per_mpa?,
        feed_through_v_per_mpa: feed_through?,
    })
}

/// All of `[[receiver]]`.
pub(super) fn receivers(top: &Section<'_, '_>) -> Option<Vec<Receiver>> {
    if !top.has("receiver") {
        top.miss(vec!["receiver"]);
    }
    tables(top, "receiver", MOST_RECEIVERS, |table| {
        let position = table.required("position_m").and_then(|field| position(&field));
        let sensitivity = table.number("sensitivity_v_per_pa", POSITIVE.at_most(1e6));
        let response = table.maybe("response_db", |field| curve(field));
        let share = table.number("direct_share", NOT_NEGATIVE.at_most(1.0));
        table.finish();
        Some(Receiver {
            position_m: position?,
            sensitivity_v_per_pa: sensitivity?,
            response: response?,
            direct_share: share?,
        })
    })
}

/// Three coordinates, m.
fn position(field: &Field<'_, '_>) -> Option<[f64; 3]> {
    let bounds = Bounds::at_least(-FURTHEST_M).at_most(FURTHEST_M);
    let numbers = field.each("three numbers", |number| number.number(bounds))?;
    <[f64; 3]>::try_from(numbers).ok().or_else(|| field.refused("three numbers: x, y, z"))
}

/// Points of frequency, Hz, and dB.
fn curve(field: &Field<'_, '_>) -> Option<Curve> {
    let points = field.each("pairs of frequency, Hz, and dB", |point| {
        let numbers = point.each("a pair of numbers", |number| number.number(Bounds::FINITE))?;
        <[f64; 2]>::try_from(numbers).ok().or_else(|| point.refused("a frequency, Hz, and dB"))
    })?;
    match Curve::new(points) {
        Ok(curve) => Some(curve),
        Err(fault) => {
            let point = format!("{}[{}]", field.path, fault.point);
            let message = format!("`{}`: {}", field.path, fault.why);
            field.written.fault(message, &[(&point, "here")]);
            None
        }
    }
}

/// The table `[electronics]`.
pub(super) fn electronics(table: &Section<'_, '_>) -> Option<Electronics> {
    let noise = table.number("noise_v2_per_hz", NOT_NEGATIVE.at_most(1.0));
    let wander = table.number("noise_wander_db", NOT_NEGATIVE.at_most(40.0));
    let correlation = table.number("noise_correlation", NOT_NEGATIVE.at_most(0.999));
    let drift = table.number("gain_drift_db_per_s", Bounds::at_least(-100.0).at_most(100.0));
    let clock = table.number("clock_ppm", Bounds::at_least(-1e5).at_most(1e5));
    Some(Electronics {
        noise_v2_per_hz: noise?,
        noise_wander_db: wander?,
        noise_correlation: correlation?,
        gain_drift_db_per_s: drift?,
        clock_ppm: clock?,
        ..Electronics::default()
    })
}

/// All of `[[tone]]`, which may be left out.
pub(super) fn tones(top: &Section<'_, '_>) -> Option<Vec<[f64; 2]>> {
    tables(top, "tone", MOST_ENTRIES, |table| {
        let frequency = table.number("frequency_hz", POSITIVE.at_most(1e10));
        let amplitude = table.number("amplitude_v", NOT_NEGATIVE.at_most(1e6));
        table.finish();
        Some([frequency?, amplitude?])
    })
}

/// All of `[[gain_step]]`, which may be left out.
pub(super) fn gain_steps(top: &Section<'_, '_>) -> Option<Vec<(u64, f64)>> {
    tables(top, "gain_step", MOST_ENTRIES, |table| {
        let from = table.required("from_pulse").and_then(|field| field.whole(0..=1 << 53));
        let db = table.number("db", Bounds::at_least(-200.0).at_most(200.0));
        table.finish();
        Some((from?, db?))
    })
}
