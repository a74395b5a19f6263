//! What does not change during a run: plan, settings and source, as the feed's head says them.

use std::ops::Range;

use serde_json::{Map, Value, json};

use crate::config::Settings;
use crate::detect::alarm::with_always;
use crate::detect::{AlarmLimit, AlarmSpec, Condition, DetectSpec, Trigger, alpha};
use crate::session::baseline_file::Identity;
use crate::session::{calibration_json, per_quantity_json};
use crate::signal::{Line, PerQuantity, Plan, Quantity, as_f64};

/// What does not change during a run.
#[derive(Debug, Clone)]
pub struct Facts {
    /// Everything `head` says besides the run and the channel.
    pub(super) head: Map<String, Value>,
    /// Whether this is the present, no replay.
    pub(super) live: bool,
    /// How pulses are judged.
    pub(super) detect: DetectSpec,
    /// What a session must share to be looked at with these limits.
    pub(super) identity: Identity,
    /// What a drive means.
    pub(super) drive_means: String,
    /// Used channels, ascending.
    pub(super) channels: Vec<usize>,
    /// Alarms as configured.
    pub(super) configured: Vec<AlarmSpec>,
    /// Those and the ones that are always there.
    pub(super) alarms: Vec<AlarmSpec>,
    /// What is sonicated.
    pub(super) subject: String,
    /// A pulse is overdue after this long, s.
    pub(super) missing_after_s: f64,
    /// Width of all bins of a quantity, Hz.
    pub(super) width_hz: PerQuantity<f64>,
    /// Width of a bin, Hz.
    pub(super) bin_hz: f64,
    /// Bins of a spectrum.
    pub(super) bins: usize,
}

impl Facts {
    /// Facts of a run; `source` says where the samples come from, `live` that this is the present.
    #[must_use]
    pub fn new(plan: &Plan, settings: &Settings, source: &str, live: bool) -> Self {
        let alarms = with_always(&settings.alarms);
        let missing_after_s = settings.drive.missing_after_periods / settings.drive.repetition_hz;
        let subject = settings.session.subject.clone().unwrap_or_default();
        let head = json!({
            "simmer": env!("CARGO_PKG_VERSION"),
            "live": live,
            "source": source,
            "caution": crate::CAUTION,
            "drive_frequency_hz": settings.drive.frequency_hz,
            "repetition_hz": settings.drive.repetition_hz,
            "pulse_s": settings.drive.pulse_s,
            "drive_means": settings.drive.drive_means,
            "expected_pulses": settings.detect.expected_pulses,
            "false_alarms_per_exposure": settings.detect.false_alarms_per_exposure,
            "alpha": alpha(&settings.detect, plan.used_channels.len()),
            "channels": plan.used_channels,
            "sign_of_life": settings.detect.sign_of_life.name(),
            "stable_from": settings.detect.stable_from.iter().map(|q| q.name()).collect::<Vec<_>>(),
            "missing_after_s": missing_after_s,
            "repeatability_db": per_quantity_json(&settings.detect.repeatability_db),
            "bin_hz": plan.bin_hz,
            "bins": plan.bins(),
            "bands": bands_json(plan),
            "calibration": calibration_json(plan),
            "drive_monitor_channel": plan.drive_monitor,
            "running_pulse": plan.running_pulse,
            "alarms": alarms.iter().map(alarm_json).collect::<Vec<_>>(),
            "subject": subject,
        });
        let Value::Object(head) = head else { unreachable!("an object literal") };
        Self {
            head,
            live,
            detect: settings.detect.clone(),
            identity: Identity::of(plan, settings.recordings.cutting.as_ref()),
            drive_means: settings.drive.drive_means.clone(),
            channels: plan.used_channels.clone(),
            configured: settings.alarms.clone(),
            alarms,
            subject,
            missing_after_s,
            width_hz: PerQuantity::from_fn(|q| as_f64(plan.bands.bins_of(q)) * plan.bin_hz),
            bin_hz: plan.bin_hz,
            bins: plan.bins(),
        }
    }

    /// Place of a channel among the used ones.
    pub(super) fn place_of(&self, channel: usize) -> Option<usize> {
        self.channels.iter().position(|&used| used == channel)
    }

    /// The alarm of that name.
    pub(super) fn alarm(&self, name: &str) -> Option<&AlarmSpec> {
        self.alarms.iter().find(|spec| spec.name == name)
    }

    /// Whether the alarm of that name says that a pulse is missing.
    pub(super) fn says_missing(&self, name: &str) -> bool {
        self.alarm(name).is_some_and(|a| a.trigger == Trigger::State(Condition::PulseMissing))
    }
}

/// What an alarm watches, in words.
pub(super) fn watches(trigger: &Trigger) -> String {
    match trigger {
        Trigger::State(condition) => condition.name().to_owned(),
        Trigger::Over { quantity, limit } => {
            let limit = match limit {
                AlarmLimit::Budget => "over the limit of the budget".to_owned(),
                AlarmLimit::AboveBaselineDb { on_db, .. } => {
                    format!("over {on_db} dB above baseline")
                }
                AlarmLimit::DensityV2PerHz { on_v2_per_hz, .. } => {
                    format!("over {on_v2_per_hz:e} V2/Hz")
                }
            };
            format!("{} {limit}", quantity.name())
        }
    }
}

fn alarm_json(spec: &AlarmSpec) -> Value {
    json!({
        "name": spec.name, "severity": spec.severity.name(),
        "watches": watches(&spec.trigger), "latch": spec.latch,
    })
}

/// First and last frequency of a run of bins, Hz.
fn edges_hz(plan: &Plan, bins: &Range<usize>) -> [f64; 2] {
    [as_f64(bins.start) * plan.bin_hz, as_f64(bins.end.saturating_sub(1)) * plan.bin_hz]
}

/// The bins that are used, after guards and notches.
fn bands_json(plan: &Plan) -> Value {
    let line = |quantity: Quantity, line: &Line| {
        let [low_hz, high_hz] = edges_hz(plan, &line.bins);
        json!({"quantity": quantity.name(), "order": line.order(), "low_hz": low_hz, "high_hz": high_hz})
    };
    let lines: Vec<Value> = Quantity::ALL
        .into_iter()
        .flat_map(|q| plan.bands.lines_of(q).iter().map(move |l| line(q, l)))
        .collect();
    let broadband: Vec<[f64; 2]> =
        plan.bands.broadband.iter().map(|bins| edges_hz(plan, bins)).collect();
    json!({
        "fundamental": edges_hz(plan, &plan.bands.fundamental.bins),
        "lines": lines,
        "broadband_hz": broadband,
        "notches_hz": plan.spec.bands.notches_hz,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_alarm_says_what_it_watches() {
        let over = |limit| Trigger::Over { quantity: Quantity::Harmonic, limit };
        let rule = crate::detect::Rule { needed: 1, of: 1 };
        for (trigger, words) in [
            (over(AlarmLimit::Budget), "harmonic over the limit of the budget"),
            (
                over(AlarmLimit::AboveBaselineDb { on_db: 3.0, off_db: 2.0, rule }),
                "harmonic over 3 dB above baseline",
            ),
            (
                over(AlarmLimit::DensityV2PerHz { on_v2_per_hz: 1e-12, off_db: -1.0, rule }),
                "harmonic over 1e-12 V2/Hz",
            ),
            (Trigger::State(Condition::NotHearing), "not hearing"),
        ] {
            assert_eq!(watches(&trigger), words);
        }
    }
}
