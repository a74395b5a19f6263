//! Which alarms are on and which a person has not taken note of, as the events tell it.

use std::collections::VecDeque;
use std::sync::Arc;

use serde_json::{Value, json};

use super::facts::Facts;
use super::rows::ChannelJson;
use crate::detect::{Channel, Event, Severity, What};

/// Alarms that are remembered.
const MOST: usize = 1000;

/// One alarm that was raised.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Alarm {
    pub(super) id: u64,
    pub(super) name: Arc<str>,
    pub(super) severity: Severity,
    cause: Arc<str>,
    channel: Option<Channel>,
    pulse: Option<u64>,
    time_s: f64,
    pub(super) on: bool,
    pub(super) acknowledged: bool,
    latch: bool,
    /// Whether it goes to the page.
    pub(super) on_page: bool,
    /// Whether it says that a pulse is missing.
    pub(super) says_missing: bool,
}

impl Alarm {
    /// Whether it still concerns anyone.
    pub(super) fn is_open(&self) -> bool {
        let must_be_noted = self.latch || self.severity == Severity::Stop;
        self.on || must_be_noted && !self.acknowledged
    }

    /// As the status writes it.
    pub(super) fn json(&self) -> Value {
        json!({
            "id": self.id, "name": &*self.name, "severity": self.severity.name(),
            "cause": &*self.cause, "channel": self.channel.map(ChannelJson), "pulse": self.pulse,
            "time_s": self.time_s, "on": self.on, "acknowledged": self.acknowledged,
            "latch": self.latch,
        })
    }
}

/// All alarms of a run, first raised first.
#[derive(Debug, Default)]
pub(super) struct Board {
    alarms: VecDeque<Alarm>,
    raised: Option<(u64, u64)>,
}

impl Board {
    /// Follows an event.
    pub(super) fn take(&mut self, event: &Event, facts: &Facts) {
        match &event.what {
            What::AlarmRaised { id, name, severity, cause, channel, sinks } => {
                let (first, last) = self.raised.unwrap_or((*id, *id));
                self.raised = Some((first.min(*id), last.max(*id)));
                self.make_room();
                self.alarms.push_back(Alarm {
                    id: *id,
                    name: Arc::clone(name),
                    severity: *severity,
                    cause: cause.as_str().into(),
                    channel: *channel,
                    pulse: event.pulse,
                    time_s: event.time_s,
                    on: true,
                    acknowledged: false,
                    latch: facts.alarm(name).is_some_and(|spec| spec.latch),
                    on_page: sinks.iter().any(|sink| sink == "page"),
                    says_missing: facts.says_missing(name),
                });
            }
            What::AlarmOver { id, .. } => self.change(*id, |alarm| alarm.on = false),
            What::AlarmAcknowledged { id, .. } => self.acknowledge(*id),
            _ => {}
        }
    }

    fn make_room(&mut self) {
        if self.alarms.len() >= MOST {
            // The oldest that concerns nobody any more; with a thousand open ones the oldest.
            let settled = self.alarms.iter().position(|alarm| !alarm.is_open());
            self.alarms.remove(settled.unwrap_or(0));
        }
    }

    fn change(&mut self, id: u64, change: impl FnOnce(&mut Alarm)) {
        if let Some(alarm) = self.alarms.iter_mut().find(|alarm| alarm.id == id) {
            change(alarm);
        }
    }

    /// A person has taken note of it.
    pub(super) fn acknowledge(&mut self, id: u64) {
        self.change(id, |alarm| alarm.acknowledged = true);
    }

    /// Whether an alarm of that number was raised in this run: its numbers rise by one.
    pub(super) fn was_raised(&self, id: u64) -> bool {
        self.raised.is_some_and(|(first, last)| (first..=last).contains(&id))
    }

    /// Whether a person has yet to take note of it, or may.
    pub(super) fn is_acknowledged(&self, id: u64) -> bool {
        self.alarms.iter().find(|alarm| alarm.id == id).is_none_or(|alarm| alarm.acknowledged)
    }

    /// Alarms that still concern someone.
    pub(super) fn open(&self) -> impl Iterator<Item = &Alarm> {
        self.alarms.iter().filter(|alarm| alarm.is_open())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts() -> Facts {
        let text = include_str!("../../config/bench-phantom.toml");
        let settings = crate::config::parse("bench-phantom.toml", text).unwrap().settings;
        let plan = crate::signal::Plan::new(&settings.signal).unwrap();
        Facts::new(&plan, &settings, "test", true)
    }

    fn take(board: &mut Board, facts: &Facts, what: What) {
        board.take(&Event { pulse: None, time_s: 0.0, target: "".into(), what }, facts);
    }

    fn raise(board: &mut Board, facts: &Facts, id: u64, severity: Severity, name: &str) {
        let (cause, channel, sinks) = (String::new(), None, Arc::from([]));
        let name = name.into();
        take(board, facts, What::AlarmRaised { id, name, severity, cause, channel, sinks });
    }

    #[test]
    fn a_warning_that_is_over_concerns_nobody_and_a_stop_does_until_noted() {
        let (facts, mut board) = (facts(), Board::default());
        raise(&mut board, &facts, 1, Severity::Warning, "stable");
        raise(&mut board, &facts, 2, Severity::Stop, "inertial");
        let open = |board: &Board| board.open().map(|alarm| alarm.id).collect::<Vec<_>>();
        assert_eq!(open(&board), [1, 2]);
        take(&mut board, &facts, What::AlarmOver { id: 1, name: "stable".into() });
        take(&mut board, &facts, What::AlarmOver { id: 2, name: "inertial".into() });
        assert_eq!(open(&board), [2]);
        let noted = |id| What::AlarmAcknowledged { id, name: "inertial".into(), after_pulse: None };
        take(&mut board, &facts, noted(2));
        assert_eq!(open(&board), [0_u64; 0]);
        assert!(board.was_raised(1) && board.was_raised(2) && !board.was_raised(3));
    }

    #[test]
    fn the_board_is_bounded_and_drops_what_concerns_nobody_first() {
        let (facts, mut board) = (facts(), Board::default());
        raise(&mut board, &facts, 1, Severity::Stop, "inertial");
        raise(&mut board, &facts, 2, Severity::Warning, "stable");
        take(&mut board, &facts, What::AlarmOver { id: 2, name: "stable".into() });
        for id in 3..=1001 {
            raise(&mut board, &facts, id, Severity::Stop, "inertial");
        }
        assert_eq!(board.alarms.len(), MOST);
        assert_eq!(board.open().next().map(|alarm| alarm.id), Some(1));
        raise(&mut board, &facts, 1002, Severity::Stop, "inertial");
        assert_eq!(board.alarms.len(), MOST);
        assert_eq!(board.open().next().map(|alarm| alarm.id), Some(3));
        // What is dropped was still raised in this run.
        assert!(board.was_raised(1) && board.is_acknowledged(1));
    }
}
