//! Reads `[detect]`: budget, rules and checks. Nothing here has a default.

use crate::detect::{DetectSpec, Rule, SignOfLife};
use crate::signal::{PerQuantity, Quantity};

use super::bounds::Bounds;
use super::field::Field;
use super::settings::DriveSettings;
use super::written::Section;

/// Quantities that can make a pulse `stable`; broadband makes it `inertial`.
const STABLE: [Quantity; 3] = [Quantity::Harmonic, Quantity::Ultraharmonic, Quantity::Subharmonic];
/// Longest rule, pulses.
const LONGEST_RULE: u32 = 64;
/// A level in dB that is not negative; nothing a receiver hears spans more.
const LEVEL_DB: Bounds = Bounds::at_least(0.0).at_most(300.0);
const DROP_DB: Bounds = Bounds::above(0.0).at_most(300.0);

/// Everything of the table `[detect]`, before the drive's numbers are added.
#[derive(Debug)]
pub(super) struct Detect {
    false_alarms_per_exposure: f64,
    expected_pulses: u64,
    pub(super) stable_from: Vec<Quantity>,
    rule: PerQuantity<Rule>,
    floor_allowance_db: f64,
    repeatability_db: PerQuantity<f64>,
    pub(super) sign_of_life: SignOfLife,
    fundamental_drop_db: f64,
    noise_drift_db: f64,
    pub(super) channels_needed: usize,
    running_pulse: bool,
}

impl Detect {
    /// The table `[detect]`.
    pub(super) fn read(detect: &Section<'_, '_>) -> Option<Self> {
        let false_alarms_per_exposure =
            detect.number("false_alarms_per_exposure", Bounds::above(0.0).below(1.0));
        let expected_pulses =
            detect.required("expected_pulses").and_then(|field| field.whole(1..=10_000_000));
        let stable_from = detect.required("stable_from").and_then(|field| stable_from(&field));
        let rule = per_quantity(detect, "rule", rule);
        let floor_allowance_db = detect.number("floor_allowance_db", LEVEL_DB);
        let repeatability_db =
            per_quantity(detect, "repeatability_db", |field| field.number(LEVEL_DB));
        let sign_of_life = detect
            .required("sign_of_life")
            .and_then(|field| field.choice(&SignOfLife::ALL, SignOfLife::name));
        let fundamental_drop_db = detect.number("fundamental_drop_db", DROP_DB);
        let noise_drift_db = detect.number("noise_drift_db", DROP_DB);
        let channels_needed =
            detect.required("channels_needed").and_then(|field| field.count(1..=1024));
        let running_pulse = detect.maybe("running_pulse", Field::boolean);
        Some(Self {
            false_alarms_per_exposure: false_alarms_per_exposure?,
            expected_pulses: expected_pulses?,
            stable_from: stable_from?,
            rule: rule?,
            floor_allowance_db: floor_allowance_db?,
            repeatability_db: repeatability_db?,
            sign_of_life: sign_of_life?,
            fundamental_drop_db: fundamental_drop_db?,
            noise_drift_db: noise_drift_db?,
            channels_needed: channels_needed?,
            running_pulse: running_pulse?.unwrap_or(false),
        })
    }

    /// The specification, with the numbers it shares with the drive.
    pub(super) fn with_drive(self, drive: &DriveSettings) -> DetectSpec {
        DetectSpec {
            false_alarms_per_exposure: self.false_alarms_per_exposure,
            expected_pulses: self.expected_pulses,
            stable_from: self.stable_from,
            rule: self.rule,
            floor_allowance_db: self.floor_allowance_db,
            repeatability_db: self.repeatability_db,
            sign_of_life: self.sign_of_life,
            fundamental_drop_db: self.fundamental_drop_db,
            noise_drift_db: self.noise_drift_db,
            channels_needed: self.channels_needed,
            running_pulse: self.running_pulse,
            drive_tolerance: drive.drive_tolerance,
            repetition_hz: drive.repetition_hz,
            missing_after_periods: drive.missing_after_periods,
        }
    }
}

/// "m of n" with 1 ≤ m ≤ n ≤ 64.
pub(super) fn rule(field: &Field<'_, '_>) -> Option<Rule> {
    let text = field.text()?;
    let words: Vec<&str> = text.split_whitespace().collect();
    let numbers = match words[..] {
        [needed, "of", of] => needed.parse().ok().zip(of.parse().ok()),
        _ => None,
    };
    match numbers.map(|(needed, of)| Rule { needed, of }) {
        Some(rule) if 1 <= rule.needed && rule.needed <= rule.of && rule.of <= LONGEST_RULE => {
            Some(rule)
        }
        _ => field.refused(&format!("\"m of n\" with 1 <= m <= n <= {LONGEST_RULE}")),
    }
}

/// A table with an entry for each quantity.
fn per_quantity<T>(
    detect: &Section<'_, '_>,
    key: &'static str,
    read: impl Fn(&Field<'_, '_>) -> Option<T>,
) -> Option<PerQuantity<T>> {
    let table = detect.table(key);
    let values = Quantity::ALL
        .map(|quantity| table.required(quantity.name()).and_then(|field| read(&field)));
    table.finish();
    let values: Option<Vec<T>> = values.into_iter().collect();
    values?.try_into().ok().map(PerQuantity)
}

/// Quantities without repetition.
fn stable_from(field: &Field<'_, '_>) -> Option<Vec<Quantity>> {
    let quantities =
        field.each("an array of quantities", |element| element.choice(&STABLE, Quantity::name))?;
    let repeated = |(index, quantity)| quantities[..index].contains(quantity);
    if quantities.iter().enumerate().any(repeated) {
        return field.refused("without a quantity twice");
    }
    Some(quantities)
}
