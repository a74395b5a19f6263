//! A worker hears the pulses it is given and keeps nothing across them.

use std::sync::Arc;

use crossbeam_channel::{Receiver, Sender};

use super::cutter::{GROUP, Slice};
use super::judge::ToJudge;
use crate::signal::{ChannelReading, Ear, Plan, pcm};

/// Samples, of all channels of a group together, that are decoded at a time: they stay in the
/// nearest cache.
const PIECE: usize = 1 << 11;

/// What a worker is told about one group of channels of one pulse.
#[derive(Debug)]
pub(super) enum Work {
    /// A pulse begins; `lost` when the device lost samples of it.
    Open { order: u64, group: usize, trigger: Option<u64>, lost: bool },
    /// Its next samples.
    Slice { order: u64, group: usize, offset: i64, slice: Arc<Slice> },
    /// It is over; `lost` when the device lost samples.
    Close { order: u64, group: usize, lost: bool },
}

/// Where a worker's products go.
pub(super) struct WorkerLines {
    pub(super) work: Receiver<Work>,
    pub(super) judge: Sender<ToJudge>,
    pub(super) spent_bytes: Sender<Vec<u8>>,
    pub(super) spent_readings: Receiver<Vec<ChannelReading>>,
}

struct Job {
    order: u64,
    group: usize,
    ears: Vec<Ear>,
    /// Quarters of the running pulse that were told.
    told: usize,
}

/// Works until its line closes.
pub(super) fn run(plan: &Arc<Plan>, lines: &WorkerLines) {
    let heard = plan.heard_channels();
    let mut open: Vec<Job> = Vec::new();
    let mut idle: Vec<Vec<Ear>> = Vec::new();
    let mut planar = Vec::new();
    for work in &lines.work {
        match work {
            Work::Open { order, group, trigger, lost } => {
                let channels = group_of(&heard, group).len();
                let at = idle.iter().position(|ears| ears.len() == channels);
                let mut ears = at.map_or_else(
                    || (0..channels).map(|_| Ear::new(plan)).collect(),
                    |at| idle.swap_remove(at),
                );
                for ear in &mut ears {
                    ear.begin(plan, trigger);
                }
                // Numbers that mean nothing are not told while the pulse runs either.
                let told = if lost { usize::MAX } else { 0 };
                open.push(Job { order, group, ears, told });
            }
            Work::Slice { order, group, offset, slice } => {
                if let Some(job) = open.iter_mut().find(|j| (j.order, j.group) == (order, group)) {
                    hear(plan, group_of(&heard, group), job, (offset, &slice), &mut planar);
                    if !tell(plan, &heard, job, &lines.judge) {
                        return;
                    }
                }
                if let Some(bytes) = slice.spent() {
                    // A full or closed pool only means that the buffer is dropped.
                    lines.spent_bytes.try_send(bytes).ok();
                }
            }
            Work::Close { order, group, lost } => {
                let Some(at) = open.iter().position(|j| (j.order, j.group) == (order, group))
                else {
                    continue;
                };
                let mut job = open.swap_remove(at);
                let readings = finish(plan, &heard, &mut job, lost, lines);
                idle.push(job.ears);
                if lines.judge.send(ToJudge::Heard { order, group, readings }).is_err() {
                    return;
                }
            }
        }
    }
}

/// Lets the ears hear a slice, decoded into `planar` piece by piece.
fn hear(
    plan: &Plan,
    channels: &[usize],
    job: &mut Job,
    (mut offset, slice): (i64, &Slice),
    planar: &mut Vec<f32>,
) {
    let (format, all) = (slice.format, plan.spec.receive.channels);
    let samples = (PIECE / channels.len()).max(1);
    for bytes in slice.bytes().chunks(samples * all * format.bytes()) {
        pcm::to_planar(format, all, channels, bytes, planar);
        let samples = planar.len() / channels.len();
        for (ear, x) in job.ears.iter_mut().zip(planar.chunks_exact(samples)) {
            ear.push(plan, offset, x);
        }
        offset += i64::try_from(samples).unwrap_or(i64::MAX);
    }
}

/// Tells the judge what the quarters of the running pulse say; whether anybody listens.
fn tell(plan: &Plan, channels: &[usize], job: &mut Job, judge: &Sender<ToJudge>) -> bool {
    let passed = job.ears.iter().map(Ear::passed).min().unwrap_or(0);
    let channels = group_of(channels, job.group);
    for quarter in job.told..passed {
        let volts = |channel: usize| plan.spec.receive.volts_per_count[channel];
        let ears = job.ears.iter().zip(channels);
        let lambdas = ears.map(|(ear, &at)| ear.running_db(plan, volts(at))[quarter]).collect();
        let (order, group) = (job.order, job.group);
        if judge.send(ToJudge::Running { order, group, quarter, lambdas }).is_err() {
            return false;
        }
    }
    job.told = job.told.max(passed);
    true
}

fn finish(
    plan: &Plan,
    channels: &[usize],
    job: &mut Job,
    lost: bool,
    lines: &WorkerLines,
) -> Vec<ChannelReading> {
    let mut readings = lines.spent_readings.try_recv().unwrap_or_default();
    readings.resize_with(job.ears.len(), ChannelReading::default);
    let channels = group_of(channels, job.group);
    for ((ear, reading), &channel) in job.ears.iter_mut().zip(&mut readings).zip(channels) {
        ear.finish(plan, plan.spec.receive.volts_per_count[channel], lost, reading);
    }
    readings
}

fn group_of(channels: &[usize], group: usize) -> &[usize] {
    channels.chunks(GROUP).nth(group).unwrap_or_default()
}
