//! The one state machine: whole pulses in order → rows, events, exposures.
//!
//! All memory across pulses lives here: baselines, limits, m-of-n windows, doses, alarms, channel
//! `all`. It reads no clock and knows no file; the same pulses and acts give the same answers.

mod acts;
mod running;
mod stages;
mod unjudged;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::act::Act;
use super::alarm::{Alarms, Change, Finding, Look};
use super::baseline::{Baseline, Drive, TargetBaseline, within};
use super::event::{Event, What};
use super::hearing::{DriveCheck, NoiseHistory};
use super::judge::{Around, Judge, PulseVerdict};
use super::pulse::{Channel, Pulse, PulseTime, Stage, nanoseconds};
use super::reference::{LimitSpec, References};
use super::row::{Row, Verdict};
use super::spec::{AlarmSpec, DetectSpec};
use super::summary::ExposureTally;
use crate::signal::{Calibration, ChannelReading, DriveTable, Heard, Plan, as_f64};
use crate::stats::pulse_alpha;
pub(super) use running::RunningLimits;

/// A new baseline replaces an old one from this many pulses on.
const REPLACES_FROM: usize = 10;

/// Pulses from which limits are narrow and cumulative detection is possible.
const ENOUGH_PULSES: usize = 30;

/// Minutes after an injection under which a baseline is doubtful.
const WASH_OUT_MIN: f64 = 10.0;

/// Samples (pulse and channel) that all growing baselines hold together, about 0.4 GB; 0.8 GB where
/// running pulses are looked at.
const MOST_HELD: usize = 1 << 21;

/// Series (drive and channel) with a spectrum's range that growing baselines hold together, about
/// 0.6 GB at 2000 bins.
const MOST_SERIES: usize = 2048;

/// Settings that a warning names, each once.
const MOST_SETTINGS_SAID: usize = 20;

/// Targets whose baselines grow at a time.
const MOST_TARGETS: usize = 256;

/// What came of one pulse.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Judgement {
    /// Rows in the order of the table: a pulse that never came first, channels, `all` last.
    pub rows: Vec<Row>,
    /// What happened, in order.
    pub events: Vec<Event>,
    /// How far the baseline has come that this pulse was added to.
    pub progress: Option<Progress>,
}

impl Judgement {
    fn clear(&mut self) {
        self.rows.clear();
        self.events.clear();
        self.progress = None;
    }
}

/// How far a target's baseline has come.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// The target.
    pub target: Arc<str>,
    /// Each drive with its number of pulses.
    pub drives: Vec<(Drive, usize)>,
}

/// The last pulse, for holes and changes.
#[derive(Debug, Clone)]
struct Last {
    pulse: Pulse,
    exposure: Option<u32>,
}

/// A pulse that runs, or is about to be judged.
#[derive(Debug)]
struct Begun {
    number: u64,
    /// A pulse before it never came.
    missing: bool,
    /// The row of that one.
    rows: Vec<Row>,
}

/// A target's baseline as it grows.
#[derive(Debug, Default)]
struct Growing {
    baseline: TargetBaseline,
    begun_s: f64,
    since_injection_s: Option<f64>,
}

/// The state of a session.
pub struct Session {
    spec: DetectSpec,
    channels: Vec<usize>,
    check: DriveCheck,
    calibration: Arc<Calibration>,
    drive_table: Option<Arc<DriveTable>>,
    /// Amplitude of the drive in the pulse that comes, V, where it has a monitor.
    monitor: Option<Option<f64>>,
    fixed: bool,
    baseline: Baseline,
    growing: BTreeMap<Arc<str>, Growing>,
    noise: Vec<NoiseHistory>,
    judge: Judge,
    alarms: Alarms,
    tally: Option<ExposureTally>,
    exposures: u32,
    last: Option<Last>,
    injections: Vec<acts::Injected>,
    pending: Vec<Act>,
    begun: Option<Begun>,
    /// The hole before the next pulse is explained.
    paused: bool,
    /// No pulse is due.
    rests: bool,
    said: BTreeSet<String>,
    alarms_raised: u64,
    /// What is kept no more, and why.
    not_recorded: Option<String>,
}

impl Session {
    /// Begins; a `baseline` from a file wins over baseline pulses of the stream.
    #[must_use]
    pub fn new(
        plan: &Plan,
        spec: &DetectSpec,
        alarms: &[AlarmSpec],
        baseline: Option<Baseline>,
    ) -> Self {
        let channels = plan.used_channels.clone();
        let rows = channels.len() + usize::from(channels.len() > 1);
        let alpha = alpha(spec, channels.len());
        let limits = LimitSpec {
            alpha,
            rule: spec.rule,
            repeatability_db: spec.repeatability_db,
            drive_tolerance: spec.drive_tolerance,
        };
        Self {
            check: DriveCheck::of(plan),
            fixed: baseline.is_some(),
            baseline: baseline.unwrap_or_default(),
            growing: BTreeMap::new(),
            noise: vec![NoiseHistory::default(); channels.len()],
            judge: Judge::new(
                plan,
                spec,
                alpha,
                References::new(limits).calibrated(&plan.calibration),
            ),
            calibration: Arc::clone(&plan.calibration),
            drive_table: plan.drive_table.clone(),
            monitor: plan.drive_monitor.map(|_| None),
            alarms: Alarms::new(alarms, rows),
            spec: spec.clone(),
            channels,
            tally: None,
            exposures: 0,
            last: None,
            injections: Vec::new(),
            pending: Vec::new(),
            begun: None,
            paused: false,
            rests: false,
            said: BTreeSet::new(),
            alarms_raised: 0,
            not_recorded: None,
        }
    }

    /// The baselines in use or growing, for a baseline file.
    #[must_use]
    pub fn into_baseline(self) -> Baseline {
        let mut baseline = self.baseline;
        for (target, growing) in self.growing {
            let pulses = growing.baseline.most_pulses();
            if pulses >= REPLACES_FROM || !baseline.targets.contains_key(&target) && pulses > 0 {
                baseline.targets.insert(target, growing.baseline);
            }
        }
        baseline
    }

    /// Alarms raised so far.
    #[must_use]
    pub const fn alarms_raised(&self) -> u64 {
        self.alarms_raised
    }

    /// Whether the drive has a monitor, which is to be noted before each pulse.
    #[must_use]
    pub const fn has_drive_monitor(&self) -> bool {
        self.monitor.is_some()
    }

    /// What the drive's monitor heard of the next pulse.
    pub fn note_drive_monitor(&mut self, reading: Option<&ChannelReading>) {
        let amplitude_v = reading.and_then(|reading| match reading.heard() {
            Heard::Measured(measured) => Some(libm::sqrt(2.0 * measured.gate_tone_v2)),
            Heard::Void(_) => None,
        });
        self.monitor = self.monitor.map(|_| amplitude_v);
    }

    /// Judges the next pulse; `readings` has one entry a used channel, ascending.
    pub fn pulse(&mut self, pulse: &Pulse, readings: &[ChannelReading], out: &mut Judgement) {
        out.clear();
        let begun = self.begun.take().filter(|begun| begun.number == pulse.number);
        let begun = begun.unwrap_or_else(|| self.begin(pulse, out));
        let missing = begun.missing;
        out.rows = begun.rows;
        for (history, reading) in self.noise.iter_mut().zip(readings) {
            if let Heard::Measured(measured) = reading.heard()
                && let Some(density) = measured.noise_v2_per_hz
            {
                history.add(density);
            }
        }
        let look = match pulse.stage {
            Stage::Noise => self.reference_rows(pulse, readings, None, out),
            Stage::Baseline => self.baseline_pulse(pulse, readings, out),
            Stage::Exposure => self.exposure_pulse(pulse, readings, out),
        };
        for row in out.rows.iter_mut().filter(|row| row.pulse.is_some()) {
            row.drive_monitor_v = self.monitor.flatten();
        }
        self.raise_alarms(pulse, missing, &look, out);
        let exposure = self.tally.as_ref().map(ExposureTally::exposure);
        self.last = Some(Last { pulse: pulse.clone(), exposure });
    }

    /// What a pulse is for is settled: acts, stage, the hole before it. Rows wait for the pulse's own.
    fn begin(&mut self, pulse: &Pulse, out: &mut Judgement) -> Begun {
        self.check_setting(pulse, out);
        let missing = self.look_for_hole(pulse, out);
        let injected = self.take_acts(pulse, out);
        self.follow_stage(pulse, out);
        if let (Some(number), Some(tally)) = (injected, &mut self.tally) {
            tally.note_injection(number, pulse.time.since_start_s);
        }
        if let (Some(missing), Some(tally)) = (missing, &mut self.tally) {
            tally.add_missing(missing);
        }
        Begun {
            number: pulse.number,
            missing: missing.is_some(),
            rows: std::mem::take(&mut out.rows),
        }
    }

    /// The stream is over.
    pub fn end(&mut self, out: &mut Judgement) {
        out.clear();
        let Some(last) = self.last.clone() else { return };
        self.end_exposure("end of stream", &last.pulse, out);
        let ended = out.events.len();
        self.take_acts(&last.pulse, out);
        out.events[ended..].iter_mut().for_each(|event| event.pulse = None);
    }

    fn say(&mut self, pulse: &Pulse, once: &str, text: String, out: &mut Judgement) {
        if self.said.len() < 10_000 && self.said.insert(once.to_owned()) {
            out.events.push(event(pulse, What::Warning { text }));
        }
    }

    /// Says where a drive's setting and its calibration do not go together.
    fn check_setting(&mut self, pulse: &Pulse, out: &mut Judgement) {
        let Some((setting, table)) = pulse.drive_setting.zip(self.drive_table.clone()) else {
            return;
        };
        let [first, last] = table.range();
        let (once, text) = match (pulse.drive_mpa, table.mpa(setting)) {
            (None, _) => (
                "setting outside",
                format!(
                    "pulse {}: the drive's setting {setting} lies outside its calibration, {first} to {last}: its drive is unknown",
                    pulse.number
                ),
            ),
            (Some(said), Some(mpa)) if !within(said - mpa, self.spec.drive_tolerance * mpa) => (
                "setting contradicted",
                format!(
                    "pulse {}: the drive is said to be {said} MPa, its calibration makes {mpa} MPa of the setting {setting}; what is said holds",
                    pulse.number
                ),
            ),
            _ => return,
        };
        // A drive that wanders has as many settings as pulses.
        let told = self.said.iter().filter(|said| said.starts_with(once)).count();
        if told < MOST_SETTINGS_SAID {
            self.say(pulse, &format!("{once} {setting}"), text, out);
        }
    }

    /// A hole before this pulse, proven by device time: pulses that fit into it.
    fn look_for_hole(&mut self, pulse: &Pulse, out: &mut Judgement) -> Option<u64> {
        let paused = std::mem::take(&mut self.paused);
        self.rests = false;
        let last = self.last.as_ref().filter(|_| !paused)?;
        let same = last.pulse.stage == pulse.stage
            && last.pulse.target == pulse.target
            && last.pulse.exposure == pulse.exposure;
        let gap_s = pulse.time.since_start_s - last.pulse.time.since_start_s;
        let periods = gap_s * self.spec.repetition_hz;
        if !same || periods <= self.spec.missing_after_periods {
            return None;
        }
        let after_s = self.spec.missing_after_periods / self.spec.repetition_hz;
        let several = self.channels.len() > 1;
        let channel = if several { Channel::All } else { Channel::One(self.channels[0]) };
        let time = PulseTime {
            since_start_s: last.pulse.time.since_start_s + after_s,
            utc_ns: last.pulse.time.utc_ns.map(|ns| ns + nanoseconds(after_s)),
        };
        let mut row = empty_row(pulse, channel);
        row.pulse = None;
        row.time = time;
        row.exposure = last.exposure;
        row.drive_mpa = None;
        row.drive_setting = None;
        row.reason = "pulse missing".to_owned();
        row.verdict = (pulse.stage == Stage::Exposure).then_some(Verdict::Indeterminate);
        row.since_injection_s = self.since_injection(time.since_start_s);
        if pulse.stage == Stage::Exposure {
            row.established = self.judge.cumulative.named(self.rows() - 1);
        }
        out.rows.push(row);
        let missing = missing_count(periods);
        out.events.push(event(pulse, What::PulseMissing { missing }));
        Some(missing)
    }

    /// Rows of a pulse.
    fn rows(&self) -> usize {
        self.channels.len() + usize::from(self.channels.len() > 1)
    }

    fn clear_windows(&mut self) {
        self.judge.clear_windows();
        self.alarms.clear_windows();
    }

    fn exposure_pulse(
        &mut self,
        pulse: &Pulse,
        readings: &[ChannelReading],
        out: &mut Judgement,
    ) -> PulseVerdict {
        let first_row = out.rows.len();
        let noise_db: Vec<Option<f64>> = self.noise.iter().map(NoiseHistory::mean_db).collect();
        let injected = self.injection().is_some();
        let Some(tally) = &mut self.tally else { return PulseVerdict::default() };
        let around = Around {
            noise_db: &noise_db,
            injected,
            monitor: self.monitor,
            target: self.baseline.targets.get(&pulse.target),
        };
        let verdict = self.judge.pulse(pulse, readings, &around, tally, &mut out.rows);
        tally.add(pulse.number, pulse.time, pulse.drive_mpa, verdict.finding);
        let (exposure, received) = (tally.exposure(), tally.received());
        let since = self.since_injection(pulse.time.since_start_s);
        for (place, row) in out.rows[first_row..].iter_mut().enumerate() {
            row.exposure = Some(exposure);
            row.since_injection_s = since;
            row.established = self.judge.cumulative.named(place);
        }
        for found in self.judge.cumulative.news(pulse.number) {
            out.events.push(event(pulse, What::Established(found)));
        }
        if received == self.spec.expected_pulses + 1 {
            let text = format!(
                "exposure {exposure} has passed its {} expected pulses: further pulses are outside the false-alarm budget",
                self.spec.expected_pulses
            );
            self.say(pulse, &format!("budget {exposure}"), text, out);
        }
        if verdict.wide_step {
            let text = "a drive was interpolated across a step above x1.25: sensitivity is lost; record baseline drives between".to_owned();
            self.say(pulse, &format!("step {exposure}"), text, out);
        }
        if let Some(rise_db) = verdict.fundamental_rise_db {
            let text = format!(
                "pulse {}: the drive's line stands {rise_db:.1} dB over its baseline; a rise is no sign of bad coupling, but something has changed",
                pulse.number
            );
            self.say(pulse, &format!("rise {exposure}"), text, out);
        }
        if self.fixed && verdict.no_baseline {
            let text = format!("the baseline file has nothing for target '{}'", pulse.target);
            if !self.baseline.targets.contains_key(&pulse.target) {
                self.say(pulse, &format!("file {}", pulse.target), text, out);
            }
        }
        verdict
    }

    fn raise_alarms(
        &mut self,
        pulse: &Pulse,
        pulse_missing: bool,
        verdict: &PulseVerdict,
        out: &mut Judgement,
    ) {
        if verdict.new_drive {
            self.alarms.clear_windows();
        }
        let mut changes = Vec::new();
        let look = Look {
            time_s: pulse.time.since_start_s,
            exposure: self.tally.as_ref().map(ExposureTally::exposure),
            findings: &verdict.findings,
            not_hearing: verdict.finding.verdict == Some(Verdict::Indeterminate),
            pulse_missing,
            drive_above: verdict.drive_above,
            not_recorded: self.not_recorded.as_deref(),
        };
        self.alarms.look(&look, &mut changes);
        for change in changes {
            let what = self.changed(change);
            out.events.push(event(pulse, what));
        }
    }
}

/// α of one test: half the budget over pulses and pairs of channel and quantity.
#[must_use]
pub fn alpha(spec: &DetectSpec, channels: usize) -> f64 {
    pulse_alpha(
        spec.false_alarms_per_exposure,
        as_f64(usize::try_from(spec.expected_pulses).unwrap_or(usize::MAX)),
        as_f64(pairs(spec, channels) * looks(spec)),
    )
}

/// How often each pair is looked at in a pulse: at its end, and three times while it runs.
const fn looks(spec: &DetectSpec) -> usize {
    if spec.running_pulse { 4 } else { 1 }
}

/// B: pairs of channel (with `all` where there are several) and quantity that can raise a verdict.
#[must_use]
pub fn pairs(spec: &DetectSpec, channels: usize) -> usize {
    let rows = channels + usize::from(channels > 1);
    rows * (1 + spec.stable_from.iter().filter(|quantity| quantity.is_line()).count())
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the number of periods of a hole is positive; the cast saturates"
)]
fn missing_count(periods: f64) -> u64 {
    (periods.round() as u64).saturating_sub(1).max(1)
}

fn event(pulse: &Pulse, what: What) -> Event {
    Event {
        pulse: Some(pulse.number),
        time_s: pulse.time.since_start_s,
        target: Arc::clone(&pulse.target),
        what,
    }
}

/// A row with nothing but its place.
pub(super) fn empty_row(pulse: &Pulse, channel: Channel) -> Row {
    Row {
        pulse: Some(pulse.number),
        time: pulse.time,
        channel,
        target: Arc::clone(&pulse.target),
        exposure: None,
        stage: pulse.stage,
        drive_mpa: pulse.drive_mpa,
        drive_setting: pulse.drive_setting,
        power_v2: Default::default(),
        fundamental_v2: None,
        broadband_v2_per_hz: None,
        level_db: Default::default(),
        fundamental_db: None,
        noise_db: None,
        excess_dose_v2s: Default::default(),
        since_injection_s: None,
        clipped_share: None,
        verdict: None,
        reason: String::new(),
        lambda_db: Default::default(),
        detect_db: Default::default(),
        limit_db: Default::default(),
        hear_db: Default::default(),
        hear_cumulative_db: Default::default(),
        hearing: Default::default(),
        established: Default::default(),
        reference: None,
        loudest_quarter: None,
        drive_monitor_v: None,
        drive_monitor_db: None,
        calibrated: None,
    }
}
