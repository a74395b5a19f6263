//! Alarms: raised when their cause holds, held for a while, latched until acknowledged.
//!
//! An alarm is about the present: one that is still on raises again when another exposure brings its
//! cause, so that each exposure's first cause is on record.

use std::sync::Arc;

use super::hearing::{Hindrance, Hindrances};
use super::pulse::Channel;
use super::spec::{AlarmLimit, AlarmSpec, Condition, Rule, Severity, Trigger};
use super::window::Window;
use crate::signal::{PerQuantity, decibels};

/// What one channel showed, as far as alarms look at it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finding {
    /// The channel.
    pub channel: Channel,
    /// Margin by which each quantity passed its budget limit and rule, dB.
    pub passed_db: PerQuantity<Option<f64>>,
    /// λ over its baseline's mean, dB.
    pub detect_db: PerQuantity<Option<f64>>,
    /// Mean density of each quantity's bins, V²/Hz.
    pub density_v2_per_hz: PerQuantity<Option<f64>>,
    /// Conditions that held.
    pub hindrances: Hindrances,
}

/// What alarms look at after a pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look<'a> {
    /// Device time, s.
    pub time_s: f64,
    /// The exposure under way.
    pub exposure: Option<u32>,
    /// Each used channel, and `all` last where there are several.
    pub findings: &'a [Finding],
    /// The pulse's verdict is indeterminate.
    pub not_hearing: bool,
    /// A pulse never came.
    pub pulse_missing: bool,
    /// The drive is above the baseline's highest.
    pub drive_above: bool,
}

/// An alarm that came on or went off.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// Came on.
    Raised {
        /// Number in the session, from 1.
        id: u64,
        /// Name.
        name: Arc<str>,
        /// How much it asks.
        severity: Severity,
        /// What it watches, in words.
        cause: String,
        /// The channel that raised it.
        channel: Option<Channel>,
        /// Where it goes.
        sinks: Arc<[String]>,
    },
    /// Went off.
    Over {
        /// Number.
        id: u64,
        /// Name.
        name: Arc<str>,
    },
}

struct On {
    id: u64,
    exposure: Option<u32>,
    last_cause_s: f64,
}

struct Alarm {
    spec: AlarmSpec,
    name: Arc<str>,
    sinks: Arc<[String]>,
    windows: Vec<Window>,
    on: Option<On>,
}

/// All alarms of a session.
pub struct Alarms {
    alarms: Vec<Alarm>,
    raised: u64,
}

/// Conditions that raise an alarm of their own when the configuration names none.
const ALWAYS: [Condition; 3] =
    [Condition::Overload, Condition::PulseMissing, Condition::DriveAboveBaseline];

impl Alarms {
    /// The configured alarms, and those that are always there; `channels` counts the rows a pulse
    /// has, `all` included.
    #[must_use]
    pub fn new(specs: &[AlarmSpec], channels: usize) -> Self {
        let own = ALWAYS
            .into_iter()
            .filter(|&condition| {
                !specs.iter().any(|spec| spec.trigger == Trigger::State(condition))
            })
            .map(|condition| AlarmSpec {
                name: condition.name().to_owned(),
                severity: Severity::Warning,
                trigger: Trigger::State(condition),
                hold_s: 1.0,
                latch: false,
                sinks: vec!["page".to_owned(), "events".to_owned()],
            });
        let alarms = specs.iter().cloned().chain(own).map(|spec| Alarm {
            name: spec.name.as_str().into(),
            sinks: spec.sinks.clone().into(),
            windows: vec![Window::new(rule_of(&spec.trigger)); channels],
            on: None,
            spec,
        });
        Self { alarms: alarms.collect(), raised: 0 }
    }

    /// A new stage, drive or injection: windows start anew.
    pub fn clear_windows(&mut self) {
        for window in self.alarms.iter_mut().flat_map(|alarm| &mut alarm.windows) {
            window.clear();
        }
    }

    /// Looks at a pulse; what changed is appended to `changes`, in the order of the configuration.
    pub fn look(&mut self, look: &Look<'_>, changes: &mut Vec<Change>) {
        for alarm in &mut self.alarms {
            let cause = alarm.cause(look);
            let stays = cause.is_some() || alarm.above_off(look);
            let again = alarm.on.as_ref().is_none_or(|on| on.exposure != look.exposure);
            if let (Some((cause, channel)), true) = (&cause, again) {
                if let Some(on) = &alarm.on {
                    changes.push(Change::Over { id: on.id, name: Arc::clone(&alarm.name) });
                }
                self.raised += 1;
                changes.push(Change::Raised {
                    id: self.raised,
                    name: Arc::clone(&alarm.name),
                    severity: alarm.spec.severity,
                    cause: cause.clone(),
                    channel: *channel,
                    sinks: Arc::clone(&alarm.sinks),
                });
                alarm.on = Some(On {
                    id: self.raised,
                    exposure: look.exposure,
                    last_cause_s: look.time_s,
                });
            }
            if let Some(on) = &mut alarm.on {
                if stays {
                    on.last_cause_s = look.time_s;
                } else if !alarm.spec.latch && look.time_s - on.last_cause_s >= alarm.spec.hold_s {
                    changes.push(Change::Over { id: on.id, name: Arc::clone(&alarm.name) });
                    alarm.on = None;
                }
            }
        }
    }
}

fn rule_of(trigger: &Trigger) -> Rule {
    match trigger {
        Trigger::Over {
            limit:
                AlarmLimit::AboveBaselineDb { rule, .. } | AlarmLimit::DensityV2PerHz { rule, .. },
            ..
        } => *rule,
        _ => Rule { needed: 1, of: 1 },
    }
}

impl Alarm {
    /// What raises the alarm at this pulse, in words, and on which channel.
    fn cause(&mut self, look: &Look<'_>) -> Option<(String, Option<Channel>)> {
        let (quantity, limit) = match self.spec.trigger {
            Trigger::State(condition) => return state(condition, look),
            Trigger::Over { quantity, limit } => (quantity, limit),
        };
        let mut first = None;
        for (finding, window) in look.findings.iter().zip(&mut self.windows) {
            let (margin, words) = match limit {
                AlarmLimit::Budget => {
                    (finding.passed_db[quantity], "over the limit of the budget".to_owned())
                }
                AlarmLimit::AboveBaselineDb { on_db, .. } => {
                    let margin = finding.detect_db[quantity].map(|db| db - on_db);
                    (window.take(margin), format!("over {on_db} dB above baseline"))
                }
                AlarmLimit::DensityV2PerHz { on_v2_per_hz, .. } => {
                    let margin = finding.density_v2_per_hz[quantity]
                        .and_then(|density| decibels(density / on_v2_per_hz));
                    (window.take(margin), format!("over {on_v2_per_hz:e} V2/Hz"))
                }
            };
            if let (Some(margin), None) = (margin, &first) {
                let cause = format!("{} {words} by {margin:.1} dB", quantity.name());
                first = Some((cause, Some(finding.channel)));
            }
        }
        first
    }

    /// Whether a limit set by hand is still above the value at which the alarm goes off.
    fn above_off(&self, look: &Look<'_>) -> bool {
        let Trigger::Over { quantity, limit } = self.spec.trigger else { return false };
        look.findings.iter().any(|finding| match limit {
            AlarmLimit::Budget => false,
            AlarmLimit::AboveBaselineDb { off_db, .. } => {
                finding.detect_db[quantity].is_some_and(|db| db > off_db)
            }
            AlarmLimit::DensityV2PerHz { on_v2_per_hz, off_db, .. } => finding.density_v2_per_hz
                [quantity]
                .and_then(|density| decibels(density / on_v2_per_hz))
                .is_some_and(|db| db > off_db),
        })
    }
}

fn state(condition: Condition, look: &Look<'_>) -> Option<(String, Option<Channel>)> {
    let on_channel = |hindrance: Hindrance| {
        look.findings
            .iter()
            .find(|finding| finding.hindrances.has(hindrance) && finding.channel != Channel::All)
            .map(|finding| (condition.name().to_owned(), Some(finding.channel)))
    };
    match condition {
        Condition::Overload => on_channel(Hindrance::Clipped),
        Condition::SamplesLost => on_channel(Hindrance::SamplesLost),
        Condition::PulseMissing => look.pulse_missing.then(|| (condition.name().to_owned(), None)),
        Condition::DriveAboveBaseline => {
            look.drive_above.then(|| (condition.name().to_owned(), None))
        }
        Condition::NotHearing => look.not_hearing.then(|| {
            let why = look.findings.last().map(|finding| finding.hindrances).unwrap_or_default();
            let words: Vec<&str> = why.iter().map(Hindrance::name).collect();
            (format!("{}: {}", condition.name(), words.join("; ")), None)
        }),
    }
}
