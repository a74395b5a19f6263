//! What people do between pulses.

use std::sync::Arc;

use super::{Act, Change, ExposureTally, Judgement, Pulse, Session, event};
use crate::detect::{By, Condition, Event, Mark, MarkKind, What};

/// Injections that can still be taken back.
const MOST_INJECTIONS: usize = 1024;

/// An injection that counts.
#[derive(Debug, Clone, Copy)]
pub(super) struct Injected {
    mark: Option<u64>,
    number: u32,
    at_s: f64,
}

impl Session {
    /// Takes an act. `out` has what can be said of it at once; the rest is said with the next pulse,
    /// from which on it holds.
    pub fn act(&mut self, act: &Act, out: &mut Judgement) {
        out.clear();
        match act {
            Act::Acknowledge(id) => return self.acknowledge(*id, out),
            Act::Overdue => return self.overdue(out),
            Act::NotRecorded(why) => {
                self.not_recorded = Some(why.clone());
                let now_s = self.last.as_ref().map_or(0.0, |last| last.pulse.time.since_start_s);
                return self.between_pulses(Condition::RecordingStopped, why, now_s, out);
            }
            Act::Gap(text) => {
                let what = What::Gap { text: text.clone() };
                return out.events.push(self.between(what));
            }
            Act::Stream(_) => (self.paused, self.rests) = (true, true),
            Act::Mark(mark) => {
                let (paused, ended_by) = match (&mark.kind, mark.by) {
                    (MarkKind::Pause, _) => (true, None),
                    (MarkKind::ExposureEnded, By::Sender) => (true, Some("the sender")),
                    (MarkKind::ExposureEnded, By::Operator) => (true, Some("the operator")),
                    (MarkKind::Abort, _) => (true, Some("abort")),
                    _ => (false, None),
                };
                self.paused |= paused;
                // Going on makes pulses due again; the hole that the pause made stays explained.
                self.rests = paused || (self.rests && mark.kind != MarkKind::Resume);
                // Every pulse of it is judged already; whoever follows need not wait for the next.
                if let (Some(ended_by), Some(last)) = (ended_by, self.last.clone()) {
                    self.end_exposure(ended_by, &last.pulse, out);
                }
            }
            Act::Stage(_) | Act::Limits(_) => {}
        }
        self.pending.push(act.clone());
    }

    /// An event that belongs to no pulse, at the time of the last one.
    fn between(&self, what: What) -> Event {
        let last = self.last.as_ref().map(|last| &last.pulse);
        Event {
            pulse: None,
            time_s: last.map_or(0.0, |pulse| pulse.time.since_start_s),
            target: last.map_or_else(|| Arc::from(""), |pulse| Arc::clone(&pulse.target)),
            what,
        }
    }

    fn acknowledge(&mut self, id: u64, out: &mut Judgement) {
        let mut changes = Vec::new();
        let Some(name) = self.alarms.acknowledge(id, &mut changes) else { return };
        let after_pulse = self.last.as_ref().map(|last| last.pulse.number);
        out.events.push(self.between(What::AlarmAcknowledged { id, name, after_pulse }));
        for change in changes {
            let what = self.changed(change);
            out.events.push(self.between(what));
        }
    }

    fn overdue(&mut self, out: &mut Judgement) {
        let Some(last) = self.last.as_ref().filter(|_| !self.rests) else { return };
        let after_s = self.spec.missing_after_periods / self.spec.repetition_hz;
        let time_s = last.pulse.time.since_start_s + after_s;
        let condition = Condition::PulseMissing;
        self.between_pulses(condition, condition.name(), time_s, out);
    }

    fn between_pulses(
        &mut self,
        condition: Condition,
        cause: &str,
        time_s: f64,
        out: &mut Judgement,
    ) {
        let exposure = self.tally.as_ref().map(ExposureTally::exposure);
        let mut changes = Vec::new();
        self.alarms.between(condition, cause, (time_s, exposure), &mut changes);
        for change in changes {
            let what = self.changed(change);
            out.events.push(Event { time_s, ..self.between(what) });
        }
    }

    /// What to say of an alarm that came on or went off.
    pub(super) fn changed(&mut self, change: Change) -> What {
        match change {
            Change::Raised { id, name, severity, cause, channel, sinks } => {
                self.alarms_raised += 1;
                if let Some(tally) = &mut self.tally {
                    tally.add_alarms(1);
                }
                What::AlarmRaised { id, name, severity, cause, channel, sinks }
            }
            Change::Over { id, name } => What::AlarmOver { id, name },
        }
    }

    /// The last injection that counts, and when it was.
    pub(super) fn injection(&self) -> Option<(u32, f64)> {
        self.injections.last().map(|injected| (injected.number, injected.at_s))
    }

    pub(super) fn since_injection(&self, now_s: f64) -> Option<f64> {
        self.injection().map(|(_, at_s)| now_s - at_s)
    }

    /// Everything that was done since the last pulse holds from this one on; gives the number of
    /// the last injection among it.
    pub(super) fn take_acts(&mut self, pulse: &Pulse, out: &mut Judgement) -> Option<u32> {
        let mut injected = None;
        for act in std::mem::take(&mut self.pending) {
            let what = match act {
                Act::Mark(mark) => {
                    let number = self.mark(&mark, pulse);
                    if matches!(mark.kind, MarkKind::Injection(_)) {
                        injected = number;
                    }
                    What::Mark { mark: Box::new(mark), number }
                }
                Act::Stage(stage) => What::Stage { stage, by: By::Operator },
                Act::Stream(name) => What::Stream { name },
                Act::Limits(alarms) => {
                    self.alarms.set_limits(&alarms);
                    What::Limits { alarms }
                }
                // These never wait.
                Act::Acknowledge(_) | Act::Overdue | Act::Gap(_) | Act::NotRecorded(_) => continue,
            };
            out.events.push(event(pulse, what));
        }
        injected.filter(|number| self.injection().is_some_and(|(last, _)| last == *number))
    }

    /// Lets a mark hold; gives an injection its number.
    fn mark(&mut self, mark: &Mark, pulse: &Pulse) -> Option<u32> {
        match &mark.kind {
            MarkKind::Injection(injection) => {
                let next = self.injection().map_or(1, |(number, _)| number.saturating_add(1));
                let number = injection.number.unwrap_or(next);
                let at_s = pulse.time.since_start_s - mark.backdated_s;
                if self.injections.len() >= MOST_INJECTIONS {
                    self.injections.remove(0);
                }
                self.injections.push(Injected { mark: mark.id, number, at_s });
                self.judge.cumulative.mark();
                self.clear_windows();
                Some(number)
            }
            MarkKind::Void(id) => {
                let place = self.injections.iter().position(|i| i.mark == Some(*id))?;
                let voided = self.injections.remove(place);
                let last = self.injection();
                if let Some(tally) = &mut self.tally {
                    tally.void_injection(voided.number, last);
                }
                None
            }
            _ => None,
        }
    }
}
