//! The running pulse: alarms before it is over.
//!
//! After a quarter, two and three of its segments each used channel's λ is held against limits of the
//! same moment in the baseline's pulses. What passes raises the alarms of the budget on that quantity;
//! the verdict waits for the whole pulse. Rules over several pulses do not apply, channel `all` is not
//! looked at, and whether the numbers mean anything (clipping, lost samples) is known at the end only.

use std::sync::Arc;

use super::{Channel, Finding, Judgement, Pulse, Session, Stage, What, event};
use crate::detect::hearing::Hindrances;
use crate::signal::{PerQuantity, Quantity};

impl Session {
    /// A quarter of the next pulse, 0 to 2, has been heard: λ of each used channel so far, dB.
    pub fn running(
        &mut self,
        pulse: &Pulse,
        quarter: usize,
        lambdas: &[PerQuantity<Option<f64>>],
        out: &mut Judgement,
    ) {
        out.clear();
        if self.begun.as_ref().is_none_or(|begun| begun.number != pulse.number) {
            let begun = self.begin(pulse, out);
            self.begun = Some(begun);
        }
        let Some(tally) = self.tally.as_ref().filter(|_| pulse.stage == Stage::Exposure) else {
            return;
        };
        if pulse.sham {
            return;
        }
        let exposure = Some(tally.exposure());
        let Some(target) = self.baseline.targets.get(&pulse.target) else { return };
        if target.drives.iter().all(|series| series.running.is_empty()) {
            let text = format!(
                "the baseline of target '{}' holds nothing of running pulses: no alarm comes before a pulse is over; record it anew with running_pulse = true",
                pulse.target
            );
            return self.say(pulse, &format!("running {}", pulse.target), text, out);
        }
        let delta_db = self.spec.repeatability_db;
        let mut findings = Vec::new();
        for (place, own) in lambdas.iter().enumerate().take(self.channels.len()) {
            let limits = self.judge.running_limits(pulse, target, place);
            let passed = |quantity: Quantity| {
                let margin = own[quantity]? - delta_db[quantity] - limits[quarter][quantity]?;
                Some(margin).filter(|margin| *margin > 0.0)
            };
            findings.push(Finding {
                channel: Channel::One(self.channels[place]),
                passed_db: PerQuantity::from_fn(passed),
                detect_db: PerQuantity::default(),
                density_v2_per_hz: PerQuantity::default(),
                hindrances: Hindrances::none(),
            });
        }
        let mut changes = Vec::new();
        let now = (pulse.time.since_start_s, exposure);
        self.alarms.running(&findings, quarter, now, &mut changes);
        for change in changes {
            let what: What = self.changed(change);
            out.events.push(event(pulse, what));
        }
    }
}

/// Limits on λ − δ after each quarter, dB.
pub(in crate::detect) type RunningLimits = Arc<[PerQuantity<Option<f64>>; 3]>;
