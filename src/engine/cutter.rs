//! Frames and acts, in order → slices for the workers and pulses for the judge.
//!
//! A pulse (with many channels: pulse × group of channels) belongs to one worker. The cutter drops
//! what lies outside the gates, notices holes, stamps the time, and keeps the account; the workers
//! get the frame's own bytes, and take their channels out of them.

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;

use crossbeam_channel::{Receiver, Sender};

use super::account::Account;
use super::input::{Act, Frame, Input, PulseTag, Stage, Stream, device_time};
use super::judge::{Item, ToJudge};
use super::worker::Work;
use crate::detect::pulse::nanoseconds;
use crate::detect::{Mark, MarkKind, Pulse, PulseTime};
use crate::signal::{Plan, SampleFormat, Stretch, as_f64};

/// Channels that one job holds.
pub(super) const GROUP: usize = 16;

/// Acts that wait for the end of a pulse.
const MOST_ACTS: usize = 1 << 16;

/// Targets whose marks can still be taken back.
const MOST_TARGETS: usize = 1024;

/// Why the stream cannot be cut.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum CutError {
    /// A stream that is not what the configuration says.
    #[error("{name}: {field} is {found}, the configuration has {configured}")]
    Mismatch {
        /// The stream.
        name: String,
        /// What differs.
        field: &'static str,
        /// What the stream says.
        found: String,
        /// What the configuration says.
        configured: String,
    },
    /// A pulse number that does not rise.
    #[error("{name}: pulse {number} after pulse {before}: pulse numbers must rise")]
    NumberFalls {
        /// The stream.
        name: String,
        /// The number.
        number: u64,
        /// The number before.
        before: u64,
    },
    /// More acts in one pulse than anyone can do.
    #[error("more than {MOST_ACTS} acts in one pulse")]
    TooManyActs,
    /// The other threads have gone.
    #[error("the analysis has stopped")]
    Stopped,
}

/// Where the cutter's products go.
pub(super) struct Lines {
    pub(super) judge: Sender<ToJudge>,
    pub(super) tickets: Receiver<()>,
    pub(super) spent_bytes: Sender<Vec<u8>>,
}

struct Open {
    tag: Arc<PulseTag>,
    order: u64,
    next: u64,
    hull: (i64, i64),
    used: u64,
    /// Whether all gates are in, so that the workers have it whole.
    done: bool,
    /// Samples between its first and last gate that holes skipped.
    lost: u64,
}

/// What the person at the monitor says of the next pulses.
#[derive(Default)]
struct Said {
    stage: Option<Stage>,
    /// Targets with the numbers of their marks, the newest last.
    targets: Vec<(Option<u64>, Arc<str>)>,
}

impl Said {
    fn note(&mut self, act: &Act) {
        match act {
            Act::Stage(stage) => self.stage = Some(*stage),
            Act::Mark(Mark { id, kind: MarkKind::Target(target), .. }) => {
                if self.targets.len() >= MOST_TARGETS {
                    self.targets.remove(0);
                }
                self.targets.push((*id, Arc::clone(target)));
            }
            Act::Mark(Mark { kind: MarkKind::Void(mark), .. }) => {
                self.targets.retain(|(id, _)| *id != Some(*mark));
            }
            _ => {}
        }
    }

    fn target(&self, own: &Arc<str>) -> Arc<str> {
        let said = self.targets.last().filter(|_| own.is_empty());
        Arc::clone(said.map_or(own, |(_, target)| target))
    }
}

/// The samples of a frame that lie in the gates, as they came, for all workers at once.
#[derive(Debug)]
pub(super) struct Slice {
    pub(super) format: SampleFormat,
    bytes: Vec<u8>,
    within: Range<usize>,
}

impl Slice {
    /// The frame's buffer back, from the last who holds the slice.
    pub(super) fn spent(self: Arc<Self>) -> Option<Vec<u8>> {
        Arc::into_inner(self).map(|slice| slice.bytes)
    }

    /// Whole sample sets.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes[self.within.clone()]
    }
}

/// Cuts one stream after the other.
pub(super) struct Cutter {
    plan: Arc<Plan>,
    /// Channels whose samples go on to the workers.
    channels: Vec<usize>,
    workers: Vec<Sender<Work>>,
    lines: Lines,
    stream: Option<Stream>,
    offset_s: f64,
    /// When the last pulse was.
    reached_s: f64,
    epoch_ns: Option<i128>,
    open: Option<Open>,
    order: u64,
    jobs: usize,
    last_number: Option<u64>,
    acts: VecDeque<Act>,
    said: Said,
    account: Account,
}

impl Cutter {
    pub(super) fn new(plan: Arc<Plan>, workers: Vec<Sender<Work>>, lines: Lines) -> Self {
        Self {
            channels: plan.heard_channels(),
            plan,
            workers,
            lines,
            stream: None,
            offset_s: 0.0,
            reached_s: 0.0,
            epoch_ns: None,
            open: None,
            order: 0,
            jobs: 0,
            last_number: None,
            acts: VecDeque::new(),
            said: Said::default(),
            account: Account::default(),
        }
    }

    pub(super) const fn account(&self) -> Account {
        self.account
    }

    /// Cuts until the stream ends or the line closes.
    pub(super) fn run(&mut self, input: &Receiver<Input>) -> Result<(), CutError> {
        for item in input {
            match item {
                Input::Begin(stream) => self.begin(stream)?,
                Input::Frame(frame) => self.frame(frame)?,
                Input::Act(act) => {
                    if self.acts.len() >= MOST_ACTS {
                        return Err(CutError::TooManyActs);
                    }
                    self.acts.push_back(act);
                    self.pass_acts()?;
                }
                Input::Length(samples) => {
                    if let Some(stream) = &mut self.stream {
                        stream.length = Some(samples);
                    }
                }
                Input::End => break,
            }
        }
        self.close()
    }

    /// An act amid a pulse waits until all its gates are in: it holds from the next pulse on.
    fn pass_acts(&mut self) -> Result<(), CutError> {
        while self.open.as_ref().is_none_or(|open| open.done)
            && let Some(act) = self.acts.pop_front()
        {
            self.said.note(&act);
            let order = self.next_order()?;
            self.to_judge(ToJudge::Item { order, item: Item::Act(act) })?;
        }
        Ok(())
    }

    fn begin(&mut self, stream: Stream) -> Result<(), CutError> {
        self.close()?;
        let receive = &self.plan.spec.receive;
        let mismatch = |field, found: String, configured: String| CutError::Mismatch {
            name: stream.name.clone(),
            field,
            found,
            configured,
        };
        if stream.channels != receive.channels {
            let (found, configured) = (stream.channels.to_string(), receive.channels.to_string());
            return Err(mismatch("channels", found, configured));
        }
        if (stream.sample_rate_hz - receive.sample_rate_hz).abs() > 0.0 {
            let configured = receive.sample_rate_hz.to_string();
            return Err(mismatch("sample_rate_hz", stream.sample_rate_hz.to_string(), configured));
        }
        self.said.stage = None;
        let order = self.next_order()?;
        let act = Act::Stream(stream.name.as_str().into());
        self.to_judge(ToJudge::Item { order, item: Item::Act(act) })?;
        let start_ns = stream.start.map(jiff::Timestamp::as_nanosecond);
        match (&self.stream, start_ns, self.epoch_ns) {
            (None, start, _) => self.epoch_ns = start,
            (Some(_), Some(start), Some(epoch)) => self.offset_s = seconds(start - epoch),
            (Some(before), ..) => match before.length {
                Some(length) => self.offset_s += whole(length) / before.sample_rate_hz,
                // A live stream without a start: it begins where the last one's pulses ended.
                None => self.offset_s = self.reached_s,
            },
        }
        self.stream = Some(stream);
        Ok(())
    }

    fn frame(&mut self, frame: Frame) -> Result<(), CutError> {
        let fresh = self.open.as_ref().is_none_or(|open| open.tag.number != frame.tag.number);
        if fresh {
            self.close()?;
            self.open(&frame.tag)?;
        }
        self.account.frames += 1;
        let last = frame.last;
        self.slices(frame)?;
        if last { self.close() } else { Ok(()) }
    }

    fn next_order(&mut self) -> Result<u64, CutError> {
        self.lines.tickets.recv().map_err(|_| CutError::Stopped)?;
        self.order += 1;
        Ok(self.order - 1)
    }

    fn to_judge(&self, message: ToJudge) -> Result<(), CutError> {
        self.lines.judge.send(message).map_err(|_| CutError::Stopped)
    }

    fn groups(&self) -> usize {
        self.channels.len().div_ceil(GROUP)
    }

    /// The worker of a group of the open pulse.
    fn worker(&self, group: usize) -> &Sender<Work> {
        &self.workers[(self.jobs + group) % self.workers.len()]
    }

    fn work(&self, group: usize, work: Work) -> Result<(), CutError> {
        self.worker(group).send(work).map_err(|_| CutError::Stopped)
    }

    fn open(&mut self, tag: &Arc<PulseTag>) -> Result<(), CutError> {
        if let Some(before) = self.last_number.filter(|before| tag.number <= *before) {
            let name = self.stream.as_ref().map(|s| s.name.clone()).unwrap_or_default();
            return Err(CutError::NumberFalls { name, number: tag.number, before });
        }
        self.last_number = Some(tag.number);
        self.account.pulses += 1;
        let time = self.time(tag);
        self.reached_s = time.since_start_s;
        let order = self.next_order()?;
        let pulse = Pulse {
            number: tag.number,
            time,
            target: self.said.target(&tag.target),
            exposure: tag.exposure,
            stage: self.said.stage.unwrap_or(tag.stage),
            drive_mpa: tag
                .drive_mpa
                .or_else(|| self.plan.drive_table.as_ref()?.mpa(tag.drive_setting?)),
            drive_setting: tag.drive_setting,
            sham: tag.sham,
        };
        self.to_judge(ToJudge::Item { order, item: Item::Pulse(pulse, self.groups()) })?;
        for group in 0..self.groups() {
            let (trigger, lost) = (tag.trigger_offset, tag.lost_samples > 0);
            self.work(group, Work::Open { order, group, trigger, lost })?;
        }
        let hull = hull(&self.plan, tag.trigger_offset);
        self.open = Some(Open {
            tag: Arc::clone(tag),
            order,
            next: 0,
            hull,
            used: 0,
            done: false,
            lost: 0,
        });
        Ok(())
    }

    fn time(&self, tag: &PulseTag) -> PulseTime {
        let rate = self.plan.spec.receive.sample_rate_hz;
        // To the nanosecond, as the live stream has it, so that both give the same numbers.
        let own = tag.time.or_else(|| device_time(tag.first, rate));
        let own_s = own.map_or_else(|| whole(tag.first.0) / rate, |ns| whole(ns.0) / 1e9);
        let start_ns =
            self.stream.as_ref().and_then(|s| s.start).map(jiff::Timestamp::as_nanosecond);
        let own_ns = own.map_or_else(|| nanoseconds(own_s), |ns| i128::from(ns.0));
        PulseTime {
            since_start_s: self.offset_s + own_s,
            utc_ns: start_ns.map(|start| start + own_ns),
        }
    }

    fn slices(&mut self, frame: Frame) -> Result<(), CutError> {
        let (Some(open), Some(stream)) = (&mut self.open, &self.stream) else { return Ok(()) };
        let set = stream.channels * stream.sample_format.bytes();
        let samples = u64::try_from(frame.bytes.len() / set).unwrap_or(u64::MAX);
        let end = frame.offset.saturating_add(samples);
        if frame.offset > open.next {
            self.account.lost_in_holes += frame.offset - open.next;
            let (from, to) = (signed(open.next), signed(frame.offset));
            open.lost += overlap((from, to), open.hull);
        }
        open.next = end;
        let start = signed(frame.offset);
        let used = overlap((start, signed(end)), open.hull);
        let low = start.max(open.hull.0);
        open.used += used;
        self.account.received += samples;
        self.account.used += used;
        self.account.outside_gates += samples - used;
        let order = open.order;
        if used > 0 {
            let first = usize::try_from(low - start).unwrap_or(0) * set;
            let within = first..first + usize::try_from(used).unwrap_or(0) * set;
            let format = stream.sample_format;
            let slice = Arc::new(Slice { format, bytes: frame.bytes, within });
            for group in 1..self.groups() {
                let slice = Arc::clone(&slice);
                self.work(group, Work::Slice { order, group, offset: low, slice })?;
            }
            // Only workers hold it then, so that one of them gives the buffer back.
            self.work(0, Work::Slice { order, group: 0, offset: low, slice })?;
        } else {
            // A full or closed pool only means that the buffer is dropped.
            self.lines.spent_bytes.try_send(frame.bytes).ok();
        }
        let over = self.open.as_ref().is_some_and(|open| signed(open.next) >= open.hull.1);
        if over { self.done() } else { Ok(()) }
    }

    /// All gates of the open pulse are in, or nothing of it follows: the workers have it whole.
    fn done(&mut self) -> Result<(), CutError> {
        let Some(open) = self.open.as_mut().filter(|open| !open.done) else { return Ok(()) };
        open.done = true;
        let (order, lost) = (open.order, open.tag.lost_samples > 0);
        for group in 0..self.groups() {
            self.work(group, Work::Close { order, group, lost })?;
        }
        self.jobs += self.groups();
        self.pass_acts()
    }

    fn close(&mut self) -> Result<(), CutError> {
        self.done()?;
        let Some(open) = self.open.take() else { return Ok(()) };
        let wanted = overlap(open.hull, open.hull);
        let unreached = (i64::MIN, 0.min(open.hull.1));
        let not_recorded =
            overlap(unreached, open.hull) + overlap((signed(open.next), i64::MAX), open.hull);
        self.account.wanted += wanted;
        self.account.lost_in_gates += open.lost;
        self.account.not_recorded += not_recorded;
        self.account.lost_by_device += open.tag.lost_samples;
        self.account.incomplete_pulses +=
            u64::from(open.used < wanted || open.tag.lost_samples > 0);
        self.pass_acts()
    }
}

/// Samples that two stretches have in common.
fn overlap(a: (i64, i64), b: (i64, i64)) -> u64 {
    u64::try_from(a.1.min(b.1).saturating_sub(a.0.max(b.0))).unwrap_or(0)
}

/// From the first gate's start to the last gate's end, in samples after the pulse's first.
fn hull(plan: &Plan, trigger: Option<u64>) -> (i64, i64) {
    let ends = |stretch: Stretch| {
        let start = plan.place(stretch, trigger);
        (start, start.saturating_add(i64::try_from(stretch.len).unwrap_or(i64::MAX)))
    };
    let mut hull = ends(plan.gate);
    let others = plan.noise.as_ref().map(|noise| noise.gate).into_iter().chain(plan.feed_through);
    for (low, high) in others.map(ends) {
        hull = (hull.0.min(low), hull.1.max(high));
    }
    hull
}

fn signed(samples: u64) -> i64 {
    i64::try_from(samples).unwrap_or(i64::MAX)
}

fn whole(count: u64) -> f64 {
    as_f64(usize::try_from(count).unwrap_or(usize::MAX))
}

#[allow(clippy::cast_precision_loss, reason = "a difference of times; 2^53 ns are 104 days")]
fn seconds(nanoseconds: i128) -> f64 {
    nanoseconds as f64 / 1e9
}
