//! Powers → verdicts. Pure: no files, no threads, no clocks.
//!
//! In reading order: [`spec`] what is asked, [`pulse`] what is known of a pulse, [`act`] what people
//! do between pulses, [`baseline`] the
//! no-bubble series, [`reference`] what a pulse is compared with, [`hearing`] when silence means
//! nothing, [`window`] m of n, [`judge`] one exposure pulse, [`cumulative`] many together, [`alarm`] alarms, [`summary`] what an
//! exposure adds up to, [`row`] and [`event`] what leaves, [`session`] the one state machine.

pub mod act;
pub mod alarm;
pub mod baseline;
pub mod calibrated;
pub mod cumulative;
pub mod diagnosis;
pub mod event;
pub mod hearing;
pub mod judge;
pub mod pulse;
pub mod quantile;
pub mod reference;
pub mod row;
pub mod session;
pub mod spec;
pub mod summary;
pub mod window;

pub use act::{Act, By, Injection, Mark, MarkKind};
pub use baseline::{Baseline, Drive};
pub use cumulative::Established;
pub use event::{Event, What};
pub use pulse::{Channel, Pulse, PulseTime, Stage};
pub use row::{Row, Verdict};
pub use session::{Judgement, Session, alpha, pairs};
pub use spec::{AlarmLimit, AlarmSpec, Condition, DetectSpec, Rule, Severity, SignOfLife, Trigger};
pub use summary::ExposureSummary;

#[cfg(test)]
mod tests;
