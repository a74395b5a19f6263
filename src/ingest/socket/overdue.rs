//! When the next pulse is overdue, by the monitor's own clock.
//!
//! Armed by each pulse, disarmed by a pause, the end of an exposure, an abort or the end of the
//! stream. It fires once until the next pulse. A cut link disarms nothing: pulses that cannot come
//! in are missing.

use std::time::Duration;

use crate::detect::{Act, Mark, MarkKind};
use crate::engine::Input;

#[derive(Debug)]
pub(super) struct Overdue {
    after: Duration,
    due: Option<Duration>,
    pulse: Option<u64>,
}

impl Overdue {
    pub(super) const fn new(after: Duration) -> Self {
        Self { after, due: None, pulse: None }
    }

    pub(super) const fn due(&self) -> Option<Duration> {
        self.due
    }

    /// Whether the next pulse is overdue; says so once.
    pub(super) fn is_due(&mut self, at: Duration) -> bool {
        let is_due = self.due.is_some_and(|due| due <= at);
        if is_due {
            self.due = None;
        }
        is_due
    }

    pub(super) fn note(&mut self, input: &Input, at: Duration) {
        match input {
            Input::Frame(frame) if self.pulse != Some(frame.tag.number) => {
                self.pulse = Some(frame.tag.number);
                self.due = at.checked_add(self.after);
            }
            Input::Act(Act::Mark(Mark { kind, .. })) => match kind {
                MarkKind::Pause | MarkKind::ExposureEnded | MarkKind::Abort => self.due = None,
                MarkKind::Resume => self.due = at.checked_add(self.after),
                _ => {}
            },
            Input::Begin(_) | Input::End => self.due = None,
            Input::Frame(_) | Input::Act(_) | Input::Length(_) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Frame;

    const fn ms(milliseconds: u64) -> Duration {
        Duration::from_millis(milliseconds)
    }

    fn frame(number: u64) -> Input {
        Input::Frame(Frame::bare(number))
    }

    #[test]
    fn a_pulse_that_does_not_come_is_overdue_once() {
        let mut overdue = Overdue::new(ms(500));
        assert!(!overdue.is_due(ms(10_000)), "nothing is due before the first pulse");
        overdue.note(&frame(0), ms(0));
        overdue.note(&frame(0), ms(300));
        assert!(!overdue.is_due(ms(499)));
        assert!(overdue.is_due(ms(500)));
        assert!(!overdue.is_due(ms(5000)), "once until the next pulse");
        overdue.note(&frame(1), ms(5000));
        assert_eq!(overdue.due(), Some(ms(5500)));
    }

    #[test]
    fn what_people_say_disarms_it() {
        for kind in [MarkKind::Pause, MarkKind::Abort, MarkKind::ExposureEnded] {
            let mut overdue = Overdue::new(ms(500));
            overdue.note(&frame(0), ms(0));
            overdue.note(&Input::Act(Act::sender(kind)), ms(100));
            assert!(!overdue.is_due(ms(1000)));
            overdue.note(&Input::Act(Act::sender(MarkKind::Resume)), ms(1000));
            assert!(!overdue.is_due(ms(1499)) && overdue.is_due(ms(1500)));
        }
        let mut overdue = Overdue::new(ms(500));
        overdue.note(&frame(0), ms(0));
        overdue.note(&Input::Act(Act::sender(MarkKind::Note)), ms(100));
        assert!(overdue.is_due(ms(500)), "a note changes nothing");
    }
}
