//! What a person needs to know now: a word, a sentence, a margin, and whether all is well.

use std::sync::Arc;

use super::alarms::Alarm;
use super::course::{self, BaselineCount, ExposureCount, InjectionNote};
use super::facts::Facts;
use super::hub::{Hub, StreamCounts};
use super::rings::PulseRecord;
use super::state::{Running, State, StreamView};
use super::together;
use super::words;
use crate::detect::{Act, AlarmLimit, AlarmSpec, Channel, Row, Severity, Stage, Trigger, Verdict};
use crate::signal::{Quantity, decibels};

/// The verdict shown is the strongest of this long, s of device time.
const NOW_S: f64 = 1.0;

/// What the state was at one moment.
#[derive(Debug, Clone)]
pub(super) struct Snapshot {
    pub(super) running: Running,
    pub(super) stream: StreamView,
    pub(super) counts: StreamCounts,
    pub(super) folder: (Option<String>, Option<String>),
    pub(super) pulses: u64,
    pub(super) last: Option<Arc<PulseRecord>>,
    /// The strongest pulse of the last second.
    pub(super) strongest: Option<Arc<PulseRecord>>,
    /// Since the last pulse came, s; nothing in a replay.
    pub(super) age_s: Option<f64>,
    pub(super) exposure: Option<ExposureCount>,
    pub(super) injection: Option<InjectionNote>,
    pub(super) pending: Vec<Act>,
    pub(super) alarms: Vec<Alarm>,
    pub(super) limits: Vec<AlarmSpec>,
    pub(super) baselines: Vec<BaselineCount>,
    pub(super) rows_kept: usize,
    pub(super) spectra_kept: (usize, u64),
}

/// What is said in a word and a sentence.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Now {
    pub(super) word: &'static str,
    pub(super) sentence: String,
    pub(super) hearing: Option<bool>,
    pub(super) not_hearing: Vec<(Channel, String)>,
}

/// The margin to the stop alarm nearest to its limit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Margin<'a> {
    pub(super) alarm: &'a str,
    pub(super) quantity: Quantity,
    pub(super) channel: Channel,
    pub(super) db: f64,
}

impl Snapshot {
    pub(super) fn of(hub: &Hub) -> Self {
        let state = hub.state();
        let last = state.pulses.newest().cloned();
        let target = last.as_ref().map_or_else(|| Arc::from(""), |last| Arc::clone(&last.target));
        let age = state.last_at.map(|at| at.elapsed().as_secs_f64());
        Self {
            running: state.running.clone(),
            stream: state.stream.clone(),
            counts: state.counts,
            folder: state.folder.clone(),
            pulses: state.pulses.end(),
            strongest: strongest(&state),
            last,
            age_s: age.filter(|_| hub.facts.live),
            exposure: state.course.exposure,
            injection: state.course.injection(),
            pending: state.course.pending(),
            alarms: state.board.open().cloned().collect(),
            limits: state.limits.clone(),
            baselines: state.course.baselines(&target),
            rows_kept: state.rows_kept,
            spectra_kept: state.spectra.kept(),
        }
    }

    fn is_up(&self) -> bool {
        self.running == Running::Yes && self.stream.state == "up"
    }

    pub(super) fn rests(&self) -> bool {
        course::rests(&self.pending)
    }

    /// For how long the next pulse is overdue by the clock, s since the last.
    fn overdue_s(&self, facts: &Facts) -> Option<f64> {
        self.age_s.filter(|age_s| *age_s > facts.missing_after_s.max(NOW_S) && !self.rests())
    }

    /// Word, sentence and hearing.
    pub(super) fn now(&self, facts: &Facts) -> Now {
        let waiting = |sentence: &str| Now {
            word: "WAITING",
            sentence: sentence.to_owned(),
            hearing: None,
            not_hearing: Vec::new(),
        };
        match (&self.running, self.stream.state) {
            (Running::Failed(why), _) => {
                return waiting(&format!("The analysis has failed: {why}."));
            }
            (Running::Ended, _) => return waiting("The analysis has ended."),
            (Running::Yes, "waiting") => return waiting("Waiting for a stream."),
            (Running::Yes, "cut") => return waiting("The stream is cut; waiting for it to go on."),
            (Running::Yes, "ended") => return waiting("The stream has ended."),
            (Running::Yes, _) => {}
        }
        let (Some(last), Some(strongest)) = (&self.last, &self.strongest) else {
            return waiting("Waiting for the first pulse.");
        };
        if self.rests() {
            return waiting("The drive pauses.");
        }
        let Some(whole) = last.whole() else { return waiting("Waiting for the first pulse.") };
        let not_hearing = deaf_channels(last);
        if last.stage != Stage::Exposure {
            let hindered = !words::hindrances(&whole.reason).is_empty();
            let told = whole.reason == format!("stage {}", last.stage.name());
            let sentence = match (self.overdue_s(facts), last.stage) {
                (Some(age_s), _) => format!("No pulse for {}.", words::span(age_s)),
                (None, Stage::Noise) => words::noise(&whole.reason),
                (None, _) => words::baseline(&whole.reason, self.growing_at(last, facts)),
            };
            let hearing = (hindered || told).then_some(!hindered);
            return Now { word: "NO VERDICT", sentence, hearing, not_hearing };
        }
        if let Some(age_s) = self.overdue_s(facts) {
            let sentence = words::overdue(age_s);
            return Now { word: "NOT HEARING", sentence, hearing: Some(false), not_hearing };
        }
        let hearing = whole.verdict.map(|verdict| verdict != Verdict::Indeterminate);
        let said = strongest.whole();
        let word = word_of(said.and_then(|row| row.verdict));
        let sentence = said.map(words::of_row).unwrap_or_default();
        Now { word, sentence, hearing, not_hearing }
    }

    /// What the exposure's pulses say together; nothing in other stages and while nothing is heard.
    pub(super) fn together(&self, facts: &Facts) -> Option<String> {
        let last = self.last.as_ref().filter(|last| last.stage == Stage::Exposure)?;
        together::of_row(last.whole()?, facts.detect.expected_pulses)
    }

    /// The growing baseline a pulse belongs to.
    fn growing_at(&self, last: &PulseRecord, facts: &Facts) -> Option<&BaselineCount> {
        use crate::detect::Drive;
        use crate::detect::baseline::within;
        let distance = |drive: Drive| match (Drive::of(last.drive_mpa), drive) {
            (Drive::Known(mpa), Drive::Known(known)) => {
                within(mpa - known, facts.detect.drive_tolerance * known)
                    .then_some((mpa - known).abs())
            }
            (asked, known) => (asked == known).then_some(0.0),
        };
        let these = self.baselines.iter().filter(|b| !b.in_use && b.target == last.target);
        let near = these.filter_map(|b| Some((b, distance(b.drive)?)));
        near.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(b, _)| b)
    }

    /// Over all channels, the stop alarm nearest to its limit at the newest pulse.
    pub(super) fn margin(&self, facts: &Facts) -> Option<Margin<'_>> {
        let last = self.last.as_ref()?;
        let stops = self.limits.iter().filter(|spec| spec.severity == Severity::Stop);
        let margins = stops.filter_map(|spec| {
            let Trigger::Over { quantity, limit } = spec.trigger else { return None };
            let rows = last.own_rows().filter_map(|row| {
                let db = margin_db(row, quantity, limit, facts)?;
                Some(Margin { alarm: &spec.name, quantity, channel: row.channel, db })
            });
            rows.max_by(|a, b| a.db.total_cmp(&b.db))
        });
        margins.max_by(|a, b| a.db.total_cmp(&b.db))
    }

    /// Why not to go on; empty while all is well. It is not an interlock.
    pub(super) fn go_ahead(&self, facts: &Facts) -> Vec<String> {
        let mut why = Vec::new();
        if !facts.live {
            why.push("this is a replay".to_owned());
        }
        match &self.running {
            Running::Yes => {}
            Running::Ended => why.push("the analysis has ended".to_owned()),
            Running::Failed(fault) => why.push(format!("the analysis has failed: {fault}")),
        }
        match self.stream.state {
            "up" => {}
            "cut" => why.push("the stream is cut".to_owned()),
            "ended" => why.push("the stream has ended".to_owned()),
            _ => why.push("no stream".to_owned()),
        }
        match self.last.as_ref().map(|last| last.stage) {
            None => why.push("no pulse yet".to_owned()),
            Some(Stage::Exposure) => {}
            Some(stage) => why.push(format!("stage is {}", stage.name())),
        }
        if self.rests() {
            why.push("the drive pauses".to_owned());
        }
        self.deafness(facts, &mut why);
        for alarm in self.alarms.iter().filter(|alarm| alarm.severity == Severity::Stop) {
            if alarm.on {
                why.push(format!("stop alarm {} is on", alarm.name));
            } else if alarm.on_page {
                why.push(format!("stop alarm {} is not acknowledged", alarm.name));
            }
        }
        if let Some(fault) = &self.folder.1 {
            why.push(format!("recording has failed: {fault}"));
        }
        why
    }

    fn deafness(&self, facts: &Facts, why: &mut Vec<String>) {
        let missing = self.alarms.iter().any(|alarm| alarm.says_missing && alarm.on);
        if let Some(age_s) = self.overdue_s(facts).filter(|_| self.is_up()) {
            why.push(format!("no pulse for {}", words::span(age_s)));
        } else if missing {
            why.push("a pulse is missing".to_owned());
        }
        let Some(last) = self.last.as_ref().filter(|last| last.stage == Stage::Exposure) else {
            return;
        };
        match last.whole().map(|row| (row.verdict, &row.reason)) {
            Some((Some(Verdict::Indeterminate), reason)) => {
                why.push(format!("not hearing: {}", reason.replace("; ", ", ")));
            }
            Some((Some(_), _)) => {}
            _ => why.push("the last pulse has no verdict".to_owned()),
        }
    }

    /// Why the analysis is not ready to be relied on; empty when it is.
    pub(super) fn unready(&self) -> Vec<String> {
        let mut why = Vec::new();
        match &self.running {
            Running::Yes => {}
            Running::Ended => why.push("the analysis has ended".to_owned()),
            Running::Failed(fault) => why.push(format!("the analysis has failed: {fault}")),
        }
        if self.stream.state != "up" {
            why.push(format!("no stream: {}", self.stream.state));
        }
        let whole = self.last.as_ref().and_then(|last| last.whole());
        if let Some(row) = whole.filter(|row| row.verdict == Some(Verdict::Indeterminate)) {
            why.push(format!("not hearing: {}", row.reason.replace("; ", ", ")));
        }
        why
    }
}

/// The strongest pulse of the last second of device time; the newest of those alike.
fn strongest(state: &State) -> Option<Arc<PulseRecord>> {
    let newest = state.pulses.newest()?;
    let rank = |record: &PulseRecord| match record.whole().and_then(|row| row.verdict) {
        Some(Verdict::Inertial) => 4,
        Some(Verdict::Stable) => 3,
        Some(Verdict::Indeterminate) => 2,
        Some(Verdict::NotDetected) => 1,
        None => 0,
    };
    let recent = state.pulses.iter().rev().take_while(|r| r.time_s >= newest.time_s - NOW_S);
    let mut best = (rank(newest), newest);
    for record in recent {
        if rank(record) > best.0 {
            best = (rank(record), record);
        }
    }
    Some(Arc::clone(best.1))
}

const fn word_of(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::Inertial) => "INERTIAL",
        Some(Verdict::Stable) => "STABLE",
        Some(Verdict::Indeterminate) => "NOT HEARING",
        Some(Verdict::NotDetected) => "NOT DETECTED",
        None => "NO VERDICT",
    }
}

/// Channels of a pulse whose silence means nothing, and why.
fn deaf_channels(record: &PulseRecord) -> Vec<(Channel, String)> {
    let several = record.own_rows().count() > 1;
    let deaf = record.own_rows().filter_map(|row| {
        let why = words::hindrances(&row.reason);
        let unnamed = why.is_empty() || several && row.channel == Channel::All;
        (!unnamed).then(|| (row.channel, why.join(", ")))
    });
    deaf.collect()
}

/// How far a row is over an alarm's limit, dB, as the alarm itself looks at it: tests of the budget
/// are lowered by the repeatability margin, limits set by hand are not.
fn margin_db(row: &Row, quantity: Quantity, limit: AlarmLimit, facts: &Facts) -> Option<f64> {
    match limit {
        AlarmLimit::Budget => Some(
            row.detect_db[quantity]?
                - facts.detect.repeatability_db[quantity]
                - row.limit_db[quantity]?,
        ),
        AlarmLimit::AboveBaselineDb { on_db, .. } => Some(row.detect_db[quantity]? - on_db),
        AlarmLimit::DensityV2PerHz { on_v2_per_hz, .. } => {
            let density = match quantity {
                Quantity::Broadband => row.broadband_v2_per_hz?,
                _ => row.power_v2[quantity]? / facts.width_hz[quantity],
            };
            decibels(density / on_v2_per_hz)
        }
    }
}
