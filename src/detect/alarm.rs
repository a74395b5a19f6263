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
    /// What is kept no more, and why.
    pub not_recorded: Option<&'a str>,
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
    acknowledged: bool,
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
    last_s: f64,
}

/// Conditions that raise an alarm of their own when the configuration names none.
const ALWAYS: [Condition; 4] = [
    Condition::Overload,
    Condition::PulseMissing,
    Condition::DriveAboveBaseline,
    Condition::RecordingStopped,
];

/// The configured alarms, and one for each condition that always has one.
#[must_use]
pub fn with_always(specs: &[AlarmSpec]) -> Vec<AlarmSpec> {
    let watched = |condition| specs.iter().any(|spec| spec.trigger == Trigger::State(condition));
    let own =
        ALWAYS.into_iter().filter(|&condition| !watched(condition)).map(|condition| AlarmSpec {
            name: condition.name().to_owned(),
            severity: Severity::Warning,
            trigger: Trigger::State(condition),
            hold_s: 1.0,
            latch: false,
            sinks: vec!["page".to_owned(), "events".to_owned()],
        });
    specs.iter().cloned().chain(own).collect()
}

impl Alarms {
    /// The configured alarms, and those that are always there; `channels` counts the rows a pulse
    /// has, `all` included.
    #[must_use]
    pub fn new(specs: &[AlarmSpec], channels: usize) -> Self {
        let alarms = with_always(specs).into_iter().map(|spec| Alarm {
            name: spec.name.as_str().into(),
            sinks: spec.sinks.clone().into(),
            windows: vec![Window::new(rule_of(&spec.trigger)); channels],
            on: None,
            spec,
        });
        Self { alarms: alarms.collect(), raised: 0, last_s: 0.0 }
    }

    /// A new stage, drive or injection: windows start anew.
    pub fn clear_windows(&mut self) {
        for window in self.alarms.iter_mut().flat_map(|alarm| &mut alarm.windows) {
            window.clear();
        }
    }

    /// Looks at a pulse; what changed is appended to `changes`, in the order of the configuration.
    pub fn look(&mut self, look: &Look<'_>, changes: &mut Vec<Change>) {
        self.last_s = look.time_s;
        for alarm in &mut self.alarms {
            let cause = alarm.cause(look);
            let stays = cause.is_some() || alarm.above_off(look);
            let again = alarm.on.as_ref().is_none_or(|on| on.exposure != look.exposure);
            if let (Some((cause, channel)), true) = (&cause, again) {
                self.raised += 1;
                let on = On {
                    id: self.raised,
                    acknowledged: false,
                    exposure: look.exposure,
                    last_cause_s: look.time_s,
                };
                alarm.raise(on, cause.clone(), *channel, changes);
            }
            if let Some(on) = &mut alarm.on {
                if stays {
                    on.last_cause_s = look.time_s;
                } else if (!alarm.spec.latch || on.acknowledged)
                    && look.time_s - on.last_cause_s >= alarm.spec.hold_s
                {
                    changes.push(Change::Over { id: on.id, name: Arc::clone(&alarm.name) });
                    alarm.on = None;
                }
            }
        }
    }
}

impl Alarms {
    /// A condition holds between pulses at `time_s` of device time, in this exposure, for the
    /// `cause` in words; what changed is appended. The alarm stays on when the next pulse shows the
    /// condition, too.
    pub fn between(
        &mut self,
        condition: Condition,
        cause: &str,
        (time_s, exposure): (f64, Option<u32>),
        changes: &mut Vec<Change>,
    ) {
        for alarm in &mut self.alarms {
            if alarm.spec.trigger != Trigger::State(condition) || alarm.on.is_some() {
                continue;
            }
            self.raised += 1;
            let on = On { id: self.raised, acknowledged: false, exposure, last_cause_s: time_s };
            alarm.raise(on, cause.to_owned(), None, changes);
        }
    }

    /// Looks at a running pulse after a quarter of it, 0 to 2: alarms of the budget that are not on for
    /// this exposure come on; none goes off.
    pub fn running(
        &mut self,
        findings: &[Finding],
        quarter: usize,
        (time_s, exposure): (f64, Option<u32>),
        changes: &mut Vec<Change>,
    ) {
        for alarm in &mut self.alarms {
            let Trigger::Over { quantity, limit: AlarmLimit::Budget } = alarm.spec.trigger else {
                continue;
            };
            let passed = |finding: &Finding| Some((finding.passed_db[quantity]?, finding.channel));
            let Some((margin, channel)) = findings.iter().find_map(passed) else { continue };
            if let Some(on) = alarm.on.as_mut().filter(|on| on.exposure == exposure) {
                on.last_cause_s = time_s;
                continue;
            }
            self.raised += 1;
            let on = On { id: self.raised, acknowledged: false, exposure, last_cause_s: time_s };
            let cause = format!(
                "{} over the limit of the budget by {margin:.1} dB after {} of 4 quarters of the running pulse",
                quantity.name(),
                quarter + 1
            );
            alarm.raise(on, cause, Some(channel), changes);
        }
    }

    /// A person takes note of an alarm that is on: its name. A latched one whose cause and hold are
    /// past goes off.
    pub fn acknowledge(&mut self, id: u64, changes: &mut Vec<Change>) -> Option<Arc<str>> {
        let last_s = self.last_s;
        let alarm = self.alarms.iter_mut().find(|a| a.on.as_ref().is_some_and(|on| on.id == id))?;
        let on = alarm.on.as_mut()?;
        on.acknowledged = true;
        let since_s = last_s - on.last_cause_s;
        if alarm.spec.latch && since_s > 0.0 && since_s >= alarm.spec.hold_s {
            changes.push(Change::Over { id, name: Arc::clone(&alarm.name) });
            alarm.on = None;
        }
        Some(Arc::clone(&alarm.name))
    }

    /// Other limits for the alarms of these names; their windows start anew.
    pub fn set_limits(&mut self, specs: &[AlarmSpec]) {
        for alarm in &mut self.alarms {
            let Some(spec) = specs.iter().find(|spec| *spec.name == *alarm.name) else { continue };
            alarm.spec.trigger = spec.trigger;
            let rows = alarm.windows.len();
            alarm.windows = vec![Window::new(rule_of(&spec.trigger)); rows];
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
    /// Comes on; one that was on for another exposure goes off first.
    fn raise(
        &mut self,
        on: On,
        cause: String,
        channel: Option<Channel>,
        changes: &mut Vec<Change>,
    ) {
        if let Some(before) = &self.on {
            changes.push(Change::Over { id: before.id, name: Arc::clone(&self.name) });
        }
        changes.push(Change::Raised {
            id: on.id,
            name: Arc::clone(&self.name),
            severity: self.spec.severity,
            cause,
            channel,
            sinks: Arc::clone(&self.sinks),
        });
        self.on = Some(on);
    }

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
        Condition::RecordingStopped => look.not_recorded.map(|why| (why.to_owned(), None)),
        Condition::NotHearing => look.not_hearing.then(|| {
            let why = look.findings.last().map(|finding| finding.hindrances).unwrap_or_default();
            let words: Vec<&str> = why.iter().map(Hindrance::name).collect();
            (format!("{}: {}", condition.name(), words.join("; ")), None)
        }),
    }
}
