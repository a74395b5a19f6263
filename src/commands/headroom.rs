//! What this machine can hold, measured: how much faster than they come pulses are analysed, and a
//! segment length that would be faster still.

use std::convert::Infallible;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::replay::default_workers;
use super::{Failure, Prepared};
use crate::detect::{Session, Stage};
use crate::engine::{Buffers, Frame, Input, Judged, PulseTag, SampleIndex, Sink, Stream, run};
use crate::signal::plan::single;
use crate::signal::segment::candidates;
use crate::signal::{ChannelReading, Ear, Plan, SampleFormat, as_f64};

/// How long pulses are analysed.
const FOR: Duration = Duration::from_millis(400);

/// No further segment length is tried after this long.
const LENGTHS_FOR: Duration = Duration::from_millis(500);

/// How often each length is timed.
const ROUNDS: usize = 7;

/// Longest segment and gate for which others are tried, samples: a plan for longer ones takes seconds.
const LONGEST_COMPARED: usize = 1 << 15;
const LONGEST_GATE: usize = 1 << 20;

/// Largest pulse that is made to measure, bytes.
const MOST_BYTES: usize = 128 << 20;

/// Sample sets of a frame, as a digitiser sends them.
const FRAME_SETS: usize = 30_000;

/// Most channels a configuration can have.
const MOST_CHANNELS: f64 = 1024.0;

/// A gain under this is not worth another segment length.
const WORTH: f64 = 1.05;

/// Measures; under two seconds, but for pulses that take longer to analyse.
///
/// # Errors
/// When the analysis fails.
pub(super) fn text(prepared: &Prepared) -> Result<String, Failure> {
    let mut text = String::new();
    // Writing into a string cannot fail.
    let bytes = pulse_bytes(&prepared.plan);
    if bytes > MOST_BYTES {
        let (megabytes, most) = (bytes >> 20, MOST_BYTES >> 20);
        writeln!(
            text,
            "headroom       not measured: a pulse has {megabytes} MB, at most {most} are made"
        )
        .ok();
        return Ok(text);
    }
    let workers = default_workers();
    // The first run warms caches and clocks.
    pulses_a_second(prepared, workers, Duration::ZERO)?;
    let rate = pulses_a_second(prepared, workers, FOR)?;
    let settings = &prepared.loaded.settings;
    let factor = rate / settings.drive.repetition_hz;
    let channels = (factor * as_f64(prepared.plan.used_channels.len())).min(MOST_CHANNELS).floor();
    writeln!(
        text,
        "headroom       {factor:.1} times as fast as pulses come, with {workers} workers; about {channels} channels at this rate. Measured now, the analysis alone: receiving, recording and other programs come on top"
    )
    .ok();
    if factor < 2.0 {
        text.push_str("               too little: fewer channels, a lower repetition, a shorter gate or a faster machine\n");
    }
    text.push_str(&lengths_text(&prepared.plan));
    Ok(text)
}

/// Bytes of a pulse's record up to its last gate.
fn pulse_bytes(plan: &Plan) -> usize {
    let receive = &plan.spec.receive;
    record_sets(plan) * receive.channels * receive.sample_format.bytes()
}

fn record_sets(plan: &Plan) -> usize {
    let gates = [Some(plan.gate), plan.noise.as_ref().map(|noise| noise.gate), plan.feed_through];
    let ends = gates.into_iter().flatten().map(|gate| {
        plan.place(gate, None).saturating_add(i64::try_from(gate.len).unwrap_or(i64::MAX))
    });
    usize::try_from(ends.max().unwrap_or(0)).unwrap_or(0)
}

/// Pulses analysed a second of wall time; one at least.
fn pulses_a_second(prepared: &Prepared, workers: usize, span: Duration) -> Result<f64, Failure> {
    let plan = &prepared.plan;
    let session = Session::new(plan, &prepared.loaded.settings.detect, &[], None);
    let pulse = record(plan);
    let started = Instant::now();
    let source = |buffers: Buffers| {
        let goes_on = move |pulses: u64| pulses == 0 || started.elapsed() < span;
        Ok::<_, Infallible>(frames(plan, pulse, buffers, goes_on))
    };
    let finished = run(plan, session, workers, source, &mut Nobody)?;
    let pulses = as_f64(usize::try_from(finished.account.pulses).unwrap_or(usize::MAX));
    Ok(pulses / started.elapsed().as_secs_f64())
}

/// Nobody listens to the verdicts.
struct Nobody;

impl Sink for Nobody {
    type Error = Infallible;

    fn take(&mut self, _: &Judged) -> Result<(), Infallible> {
        Ok(())
    }
}

/// The same pulse again and again, in frames.
fn frames(
    plan: &Plan,
    pulse: Vec<u8>,
    buffers: Buffers,
    goes_on: impl Fn(u64) -> bool + Send,
) -> impl Iterator<Item = Result<Input, Infallible>> + Send {
    let receive = &plan.spec.receive;
    let begin = Input::Begin(Stream {
        name: "headroom".to_owned(),
        sample_format: receive.sample_format,
        channels: receive.channels,
        sample_rate_hz: receive.sample_rate_hz,
        start: None,
        length: None,
    });
    let set = receive.channels * receive.sample_format.bytes();
    let (mut number, mut at, mut tag) = (0_u64, 0, Arc::new(tag(0)));
    let rest = std::iter::from_fn(move || {
        if at == 0 {
            if !goes_on(number) {
                return None;
            }
            tag = Arc::new(self::tag(number));
        }
        let end = pulse.len().min(at + FRAME_SETS * set);
        let mut bytes = buffers.next();
        bytes.clear();
        bytes.extend_from_slice(&pulse[at..end]);
        let last = end == pulse.len();
        let offset = u64::try_from(at / set).unwrap_or(u64::MAX);
        at = if last { 0 } else { end };
        number += u64::from(last);
        Some(Input::Frame(Frame { tag: Arc::clone(&tag), offset, bytes, last }))
    });
    std::iter::once(begin).chain(rest).chain(std::iter::once(Input::End)).map(Ok)
}

fn tag(number: u64) -> PulseTag {
    PulseTag {
        number,
        first: SampleIndex(number << 32),
        time: None,
        trigger_offset: None,
        drive_mpa: Some(0.2),
        drive_setting: None,
        target: Arc::from(""),
        exposure: None,
        stage: Stage::Exposure,
        sham: false,
        lost_samples: 0,
    }
}

/// A pulse of noise, an eighth of full scale, as the configuration's samples are written.
fn record(plan: &Plan) -> Vec<u8> {
    let receive = &plan.spec.receive;
    let [low, high] = receive.full_scale_counts;
    let (middle, reach) = (0.5 * (low + high), 0.125 * (high - low));
    let mut bytes = Vec::with_capacity(pulse_bytes(plan));
    for share in shares().take(record_sets(plan) * receive.channels) {
        append(receive.sample_format, middle + reach * share, &mut bytes);
    }
    bytes
}

/// Numbers from −0.5 to 0.5, noise enough to be transformed: a linear congruential generator.
fn shares() -> impl Iterator<Item = f64> {
    let next = |state: &u32| Some(state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223));
    std::iter::successors(Some(1_u32), next).map(|s| f64::from(s) / f64::from(u32::MAX) - 0.5)
}

#[allow(clippy::cast_possible_truncation, reason = "casts to integers saturate")]
fn append(format: SampleFormat, count: f64, bytes: &mut Vec<u8>) {
    match format {
        SampleFormat::Ri8 => bytes.extend((count as i8).to_le_bytes()),
        SampleFormat::Ri16Le => bytes.extend((count as i16).to_le_bytes()),
        SampleFormat::Ri16Be => bytes.extend((count as i16).to_be_bytes()),
        SampleFormat::Ri32Le => bytes.extend((count as i32).to_le_bytes()),
        SampleFormat::Rf32Le => bytes.extend((count as f32).to_le_bytes()),
        SampleFormat::Rf64Le => bytes.extend(count.to_le_bytes()),
    }
}

/// The fastest segment length near the configured one, where it is worth a word.
fn lengths_text(plan: &Plan) -> String {
    let own = plan.segments.n;
    if own > LONGEST_COMPARED || plan.gate.len > LONGEST_GATE {
        return "               other segment lengths are not compared: the gate or the segment is too long\n".to_owned();
    }
    let rate = plan.spec.receive.sample_rate_hz;
    let asked = plan.spec.spectrum.resolution_hz;
    let mut lengths: Vec<usize> = candidates(rate, plan.spec.drive_frequency_hz, asked)
        .filter(|choice| choice.n != own && (choice.locked || !plan.bin_locked))
        .map(|choice| choice.n)
        .collect();
    lengths.sort_by_key(|n| n.abs_diff(own));
    let noise = plan.noise.as_ref().map_or(0, |noise| noise.gate.len);
    let samples: Vec<f32> =
        shares().map(|share| single(1000.0 * share)).take(plan.gate.len.max(noise)).collect();
    let until = Instant::now() + LENGTHS_FOR;
    let mut best: Option<(Plan, f64)> = None;
    for n in lengths {
        if Instant::now() >= until {
            break;
        }
        let mut spec = plan.spec.clone();
        spec.spectrum.resolution_hz = rate / as_f64(n);
        // A length that does not fit gate or bands is no neighbour.
        let Ok(other) = Plan::new(&spec) else { continue };
        if other.segments.n != n {
            continue;
        }
        let other = other.equipped_as(plan);
        let gain = gain(plan, &other, &samples);
        if best.as_ref().is_none_or(|(_, most)| gain > *most) {
            best = Some((other, gain));
        }
    }
    let locked = if plan.bin_locked { "bin-locked " } else { "" };
    match best {
        None => String::new(),
        Some((fastest, gain)) if gain >= WORTH => format!(
            "               faster: segments of {} samples, {locked}{:.4} Hz bins, by a factor of {gain:.2} (resolution_hz = {}); it makes another baseline\n",
            fastest.segments.n, fastest.bin_hz, fastest.spec.spectrum.resolution_hz
        ),
        Some(_) => format!(
            "               no {locked}segment length near {own} is faster by 5 % or more\n"
        ),
    }
}

/// How much faster another plan hears a gate; both are timed in turn, medians of a few.
fn gain(own: &Plan, other: &Plan, samples: &[f32]) -> f64 {
    let mut hearings = [Hearing::new(own), Hearing::new(other)];
    for _ in 0..ROUNDS {
        hearings.iter_mut().for_each(|hearing| hearing.time(samples));
    }
    let [own_s, other_s] = hearings.each_mut().map(Hearing::median);
    own_s / other_s
}

/// One plan, heard again and again.
struct Hearing<'a> {
    plan: &'a Plan,
    ear: Ear,
    reading: ChannelReading,
    seconds: Vec<f64>,
}

impl<'a> Hearing<'a> {
    fn new(plan: &'a Plan) -> Self {
        let (ear, reading) = (Ear::new(plan), ChannelReading::default());
        Self { plan, ear, reading, seconds: Vec::new() }
    }

    fn time(&mut self, samples: &[f32]) {
        let plan = self.plan;
        let started = Instant::now();
        self.ear.begin(plan, None);
        let stretches = plan.noise.as_ref().map(|noise| noise.gate).into_iter().chain([plan.gate]);
        for stretch in stretches {
            let at = plan.place(stretch, None);
            self.ear.push(plan, at, &samples[..stretch.len]);
        }
        self.ear.finish(plan, 1.0, false, &mut self.reading);
        self.seconds.push(started.elapsed().as_secs_f64());
    }

    fn median(&mut self) -> f64 {
        self.seconds.sort_by(f64::total_cmp);
        self.seconds[self.seconds.len() / 2]
    }
}
