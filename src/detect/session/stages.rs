//! Stage changes: exposures begin and end, baselines close.

use std::sync::Arc;

use super::{
    ENOUGH_PULSES, ExposureTally, Judgement, Pulse, REPLACES_FROM, Session, Stage, WASH_OUT_MIN,
    What, event,
};
use crate::detect::{By, Drive, Event, ExposureSummary};

impl Session {
    /// Stage changes, exposures beginning and ending, baselines closing.
    pub(super) fn follow_stage(&mut self, pulse: &Pulse, out: &mut Judgement) {
        let is_said = |event: &Event| matches!(event.what, What::Stage { .. });
        let said = out.events.iter().any(is_said);
        let last =
            self.last.as_ref().map(|last| (last.pulse.stage, Arc::clone(&last.pulse.target)));
        let stage_changed = last.as_ref().is_none_or(|(stage, _)| *stage != pulse.stage);
        let target_changed = last.as_ref().is_some_and(|(_, target)| *target != pulse.target);
        if stage_changed {
            self.clear_windows();
        }
        let other = match (&self.tally, pulse.exposure) {
            (Some(tally), Some(number)) => tally.exposure() != number.get(),
            _ => false,
        };
        if let Some(last) = self.last.clone() {
            let ended_by = match (stage_changed, target_changed, other) {
                (true, ..) => Some("change of stage"),
                (_, true, _) => Some("change of target"),
                (_, _, true) => Some("next exposure"),
                _ => None,
            };
            if let Some(ended_by) = ended_by {
                self.end_exposure(ended_by, &last.pulse, out);
            }
        }
        if stage_changed && !said {
            out.events.push(event(pulse, What::Stage { stage: pulse.stage, by: By::Sender }));
        }
        if stage_changed && pulse.stage == Stage::Baseline && self.excluded(pulse).is_some() {
            // Coming back to stage baseline after an injection begins a new one.
            self.close_baseline(pulse, out);
        }
        if pulse.stage == Stage::Exposure {
            self.close_baseline(pulse, out);
            if self.tally.is_none() {
                self.begin_exposure(pulse, out);
            }
        }
    }

    pub(super) fn begin_exposure(&mut self, pulse: &Pulse, out: &mut Judgement) {
        let number = pulse.exposure.map_or(self.exposures + 1, std::num::NonZeroU32::get);
        self.exposures = self.exposures.max(number);
        self.judge.cumulative.begin();
        self.tally = Some(ExposureTally::begin(
            number,
            Arc::clone(&pulse.target),
            (pulse.number, pulse.time),
            self.injection(),
            self.baseline.targets.get(&pulse.target).map(|baseline| baseline.id().into()),
            self.channels.len(),
        ));
        out.events.push(event(pulse, What::ExposureBegan { exposure: number }));
    }

    pub(super) fn end_exposure(
        &mut self,
        ended_by: &'static str,
        last: &Pulse,
        out: &mut Judgement,
    ) {
        if let Some(tally) = self.tally.take() {
            let established = self.judge.cumulative.named(self.rows() - 1);
            let summary: ExposureSummary = tally.end(ended_by, established);
            out.events.push(event(last, What::ExposureEnded { summary: Box::new(summary) }));
        }
    }

    /// The first exposure pulse of a target closes the baseline that was growing for it.
    pub(super) fn close_baseline(&mut self, pulse: &Pulse, out: &mut Judgement) {
        let Some(grown) = self.growing.remove(&pulse.target) else { return };
        let pulses = grown.baseline.most_pulses();
        if self.fixed {
            let text = format!(
                "{pulses} baseline pulses a drive of target '{}' are not used: the baseline file wins",
                pulse.target
            );
            out.events.push(event(pulse, What::Warning { text }));
            return;
        }
        let replaces = !self.baseline.targets.contains_key(&pulse.target);
        if !replaces && pulses < REPLACES_FROM {
            out.events.push(event(pulse, What::BaselineKept { pulses }));
            return;
        }
        let drives: Vec<(Drive, usize)> =
            grown.baseline.drives.iter().map(|d| (d.drive, d.pulses.len())).collect();
        for (drive, n) in &drives {
            let (k, enough) = (self.judge.factor(*n), self.judge.factor(ENOUGH_PULSES));
            let advice = match *n {
                n if n < REPLACES_FROM => format!(
                    "baseline at {drive}: {n} pulses give no limits; record {} more",
                    REPLACES_FROM - n
                ),
                n if n < ENOUGH_PULSES => format!(
                    "baseline at {drive}: {n} pulses put limits at mean + {k:.1} SD where {ENOUGH_PULSES} give {enough:.1}, and allow no cumulative detection; record {} more",
                    ENOUGH_PULSES - n
                ),
                _ => continue,
            };
            out.events.push(event(pulse, What::Warning { text: advice }));
        }
        if let Some(since_s) = grown.since_injection_s.filter(|s| *s < WASH_OUT_MIN * 60.0) {
            let text = format!(
                "the baseline began {:.1} min after an injection; under {WASH_OUT_MIN} min bubbles may be left",
                since_s / 60.0
            );
            out.events.push(event(pulse, What::Warning { text }));
        }
        let since_injection_s = grown.since_injection_s;
        let looks = grown.baseline.looks();
        out.events.push(event(pulse, What::BaselineClosed { drives, since_injection_s, looks }));
        self.baseline.targets.insert(Arc::clone(&pulse.target), grown.baseline);
        self.judge.forget_references();
    }
}
