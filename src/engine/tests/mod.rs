//! A synthetic source through all threads.

mod account;
mod failures;

use std::cell::Cell;
use std::num::NonZeroU32;
use std::sync::Arc;
use std::time::Duration;

use super::input::Stage;
use super::*;
use crate::detect::{Channel, DetectSpec, Event, Row, Rule, Session, SignOfLife, Verdict, What};
use crate::session::table::pulse_line;
use crate::signal::{
    BandSpec, PerQuantity, Plan, Quantity, ReceiveSpec, SampleFormat, SignalSpec, SpectrumSpec,
    Window,
};

/// Samples of a record; the gates want 200 … 9399 of them.
const RECORD: u64 = 9600;
const WANTED: u64 = 9200;

/// A small receiver: 2 MS/s, drive 100 kHz, trigger after 3200 samples, eleven segments of 1000.
fn plan(channels: usize, unused: &[usize]) -> Plan {
    let spec = SignalSpec {
        drive_frequency_hz: 0.1e6,
        receive: ReceiveSpec {
            sample_rate_hz: 2e6,
            channels,
            sample_format: SampleFormat::Ri16Le,
            volts_per_count: vec![1e-4; channels],
            full_scale_counts: [-32_768.0, 32_767.0],
            gain_db: vec![0.0; channels],
            pretrigger_s: 1.6e-3,
            gate_start_s: 0.1e-3,
            gate_end_s: 3.1e-3,
            noise_gate_s: Some([-1.5e-3, -0.1e-3]),
            first_arrival_s: None,
            unused_channels: unused.to_vec(),
        },
        spectrum: SpectrumSpec { resolution_hz: 2e3, window: Window::Hann, overlap: 0.5 },
        bands: BandSpec {
            harmonics: vec![2, 3],
            ultraharmonic_halves: vec![3, 5],
            subharmonic: true,
            line_half_width_hz: 4e3,
            guard_half_width_hz: 6e3,
            flank_half_width_hz: 24e3,
            broadband_hz: vec![[0.16e6, 0.7e6]],
            notches_hz: Vec::new(),
            noise_band_hz: None,
        },
    };
    Plan::new(&spec).unwrap()
}

fn session(plan: &Plan) -> Session {
    let spec = DetectSpec {
        false_alarms_per_exposure: 0.01,
        expected_pulses: 600,
        stable_from: vec![Quantity::Ultraharmonic, Quantity::Subharmonic],
        rule: PerQuantity([Rule { needed: 1, of: 1 }; 4]),
        floor_allowance_db: 0.5,
        repeatability_db: PerQuantity([0.0; 4]),
        sign_of_life: SignOfLife::None,
        fundamental_drop_db: 3.0,
        noise_drift_db: 1.0,
        channels_needed: 1,
        running_pulse: false,
        drive_tolerance: 0.05,
        repetition_hz: 5.0,
        missing_after_periods: 2.5,
    };
    Session::new(plan, &spec, &[], None)
}

fn stream(channels: usize) -> Stream {
    Stream {
        name: "synthetic".into(),
        sample_format: SampleFormat::Ri16Le,
        channels,
        sample_rate_hz: 2e6,
        start: None,
        length: None,
    }
}

/// A pulse every 0.2 s; four of noise, then twelve of baseline, then exposure.
fn tag(number: u64) -> PulseTag {
    PulseTag {
        number,
        first: SampleIndex(number * 400_000),
        time: None,
        trigger_offset: None,
        drive_mpa: (number >= 4).then_some(0.4),
        drive_setting: None,
        target: Arc::from("vessel"),
        exposure: None,
        stage: match number {
            0..4 => Stage::Noise,
            4..16 => Stage::Baseline,
            _ => Stage::Exposure,
        },
        sham: false,
        lost_samples: 0,
    }
}

/// Counts of one pulse, channel after channel in each sample set: white noise, its own on each
/// channel, and four times as loud in the gate of every fifth exposure pulse.
fn counts(number: u64, channels: usize) -> Vec<u8> {
    let mut state = u32::try_from(number).unwrap().wrapping_mul(2_654_435_761);
    let mut bytes = Vec::new();
    for sample in 0..RECORD {
        let loud = if number > 16 && number.is_multiple_of(5) && sample >= 3400 { 4 } else { 1 };
        for _ in 0..channels {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let value = i16::try_from(state >> 20).unwrap() - 2048;
            bytes.extend((value * loud).to_le_bytes());
        }
    }
    bytes
}

/// A pulse in frames of so many samples.
fn frames(tag: PulseTag, bytes: &[u8], channels: usize, samples: usize) -> Vec<Input> {
    let tag = Arc::new(tag);
    let set = 2 * channels;
    let pieces = bytes.chunks(samples * set);
    let count = pieces.len();
    pieces
        .enumerate()
        .map(|(i, piece)| {
            Input::Frame(Frame {
                tag: Arc::clone(&tag),
                offset: u64::try_from(i * samples).unwrap(),
                bytes: piece.to_vec(),
                last: i + 1 == count,
            })
        })
        .collect()
}

fn pulse(number: u64, channels: usize) -> Vec<Input> {
    frames(tag(number), &counts(number, channels), channels, 4000)
}

/// Takes everything, as text and as it comes.
#[derive(Default)]
struct Kept {
    text: String,
    rows: Vec<Row>,
    events: Vec<Event>,
    pulses: Vec<u64>,
    ends: usize,
    fails_at: Option<u64>,
}

impl Sink for Kept {
    type Error = u64;

    fn take(&mut self, judged: &Judged) -> Result<(), u64> {
        match &judged.pulse {
            Some(pulse) if Some(pulse.number) == self.fails_at => return Err(pulse.number),
            Some(pulse) => self.pulses.push(pulse.number),
            None => self.ends += 1,
        }
        let mut line = String::new();
        for row in &judged.judgement.rows {
            pulse_line(row, &mut line);
            self.text.push_str(&line);
            self.text.push('\n');
        }
        self.rows.extend(judged.judgement.rows.iter().cloned());
        self.events.extend(judged.judgement.events.iter().cloned());
        Ok(())
    }
}

impl Kept {
    fn reasons(&self) -> Vec<(Option<u64>, &str)> {
        self.rows.iter().map(|row| (row.pulse, row.reason.as_str())).collect()
    }
}

type Outcome = Result<Finished, RunError<&'static str, u64>>;

/// Runs to an end; a run that hangs fails.
fn run_source<I>(plan: Plan, workers: usize, source: I, mut sink: Kept) -> (Outcome, Kept)
where
    I: Iterator<Item = Result<Input, &'static str>> + Send + 'static,
{
    let (done, outcome) = crossbeam_channel::bounded(1);
    std::thread::spawn(move || {
        let plan = Arc::new(plan);
        let result = run(&plan, session(&plan), workers, |_| Ok(source), &mut sink);
        done.send((result, sink)).ok();
    });
    outcome.recv_timeout(Duration::from_mins(2)).expect("the run ends within two minutes")
}

/// One channel, two workers, into an empty sink.
fn run_items(items: Vec<Input>) -> (Outcome, Kept) {
    let begin = std::iter::once(Input::Begin(stream(1)));
    let source: Vec<_> = begin.chain(items).map(Ok).collect();
    run_source(plan(1, &[]), 2, source.into_iter(), Kept::default())
}

#[track_caller]
fn finished(outcome: Outcome) -> Account {
    match outcome {
        Ok(finished) => finished.account,
        Err(error) => panic!("{error:?}"),
    }
}

#[test]
fn rows_are_the_same_bytes_for_any_number_of_workers_and_any_frames() {
    let channels = 3;
    let text = |workers: usize, samples: usize| {
        let mut source = vec![Ok(Input::Begin(stream(channels)))];
        for number in 0..24 {
            let bytes = counts(number, channels);
            source.extend(frames(tag(number), &bytes, channels, samples).into_iter().map(Ok));
        }
        source.push(Ok(Input::End));
        let sink = Kept::default();
        let (outcome, kept) = run_source(plan(channels, &[]), workers, source.into_iter(), sink);
        assert!(finished(outcome).closes());
        assert_eq!((kept.pulses.len(), kept.ends, kept.rows.len()), (24, 1, 24 * 4));
        kept
    };
    let first = text(1, 9600);
    for (workers, samples) in [(1, 1000), (2, 9600), (2, 613), (3, 4096), (3, 1)] {
        assert!(text(workers, samples).text == first.text, "{workers} workers, {samples} samples");
    }
    let loud = first.rows.iter().filter(|row| row.pulse == Some(20));
    assert!(loud.clone().all(|row| row.verdict == Some(Verdict::Inertial)));
    let quiet = first.rows.iter().filter(|row| row.pulse == Some(17));
    assert!(quiet.clone().all(|row| row.verdict == Some(Verdict::NotDetected)));
    assert_eq!((loud.count(), quiet.count()), (4, 4));
}

#[test]
fn many_channels_keep_their_order_through_groups_and_workers() {
    let (channels, unused) = (128, [5, 77]);
    let mut source = vec![Ok(Input::Begin(stream(channels)))];
    for number in 0..3 {
        let one = counts(number, 1);
        let (values, _) = one.as_chunks::<2>();
        // Channel c hears the same noise (c + 1)/16 times as loud.
        let bytes: Vec<u8> = values
            .iter()
            .flat_map(|value| (1..=128).map(|gain| i16::from_le_bytes(*value) / 16 * gain))
            .flat_map(i16::to_le_bytes)
            .collect();
        source.extend(frames(tag(number), &bytes, channels, 4000).into_iter().map(Ok));
    }
    let (outcome, kept) =
        run_source(plan(channels, &unused), 3, source.into_iter(), Kept::default());
    assert!(finished(outcome).closes());
    assert_eq!((kept.pulses.as_slice(), kept.rows.len()), (&[0, 1, 2][..], 3 * 127));
    let used: Vec<usize> = (0..128).filter(|channel| !unused.contains(channel)).collect();
    for rows in kept.rows.chunks(127) {
        let power = |row: &Row| row.power_v2[Quantity::Broadband].unwrap();
        for (row, &channel) in rows.iter().zip(&used) {
            assert_eq!(row.channel, Channel::One(channel));
            let gain = f64::from(u32::try_from(channel).unwrap() + 1);
            let ratio = power(row) / power(&rows[0]) / (gain * gain);
            assert!((ratio - 1.0).abs() < 1e-5, "channel {channel}: {ratio}");
        }
        assert_eq!(rows[126].channel, Channel::All);
    }
}

/// Injections and pulses in the order in which the sink heard of them.
fn order(kept: &Kept) -> Vec<(u64, u32)> {
    let marks = kept.events.iter().filter_map(|event| match event.what {
        What::Mark { number: Some(number), .. } => Some((event.pulse.unwrap(), number)),
        _ => None,
    });
    marks.collect()
}

#[test]
fn acts_hold_from_the_next_pulse_on_wherever_they_come() {
    let act = || vec![Input::Act(scene::injection())];
    let mut amid = pulse(2, 1);
    for _ in 0..40 {
        amid.insert(1, Input::Act(scene::injection()));
    }
    let items = [pulse(0, 1), act(), pulse(1, 1), amid, act(), pulse(3, 1), pulse(4, 1)].concat();
    let (outcome, kept) = run_items(items);
    assert!(finished(outcome).closes());
    assert_eq!(kept.pulses, [0, 1, 2, 3, 4]);
    let mut expected = vec![(1, 1)];
    expected.extend((2..=42).map(|number| (3, number)));
    assert_eq!(order(&kept), expected);
    let since: Vec<_> = kept.rows.iter().map(|row| row.since_injection_s).collect();
    assert_eq!(since[..2], [None, Some(0.0)]);
    assert!((since[2].unwrap() - 0.2).abs() < 1e-12 && since[3] == Some(0.0));
}

#[test]
fn an_act_after_the_last_pulse_is_still_on_record() {
    let (outcome, kept) = run_items([pulse(0, 1), vec![Input::Act(scene::injection())]].concat());
    assert!(finished(outcome).closes());
    let last = kept.events.last().unwrap();
    assert_eq!(last.pulse, None);
    assert!(matches!(last.what, What::Mark { number: Some(1), .. }));
}

#[test]
fn time_runs_on_over_recordings_and_nothing_is_missing_between_them() {
    let start = |seconds: i64| jiff::Timestamp::from_second(1_777_887_000 + seconds).unwrap();
    let first = Stream { start: Some(start(0)), length: Some(4_000_000), ..stream(1) };
    let second = Stream { start: Some(start(60)), ..first.clone() };
    let third = Stream { start: None, ..first.clone() };
    let at = |number: u64, index: u64| {
        let tag = PulseTag { first: SampleIndex(index), ..tag(number) };
        frames(tag, &counts(number, 1), 1, 4000)
    };
    let timed = PulseTag { time: Some(DeviceNanos(250_000_001)), ..tag(3) };
    let items = [
        vec![Input::Begin(first)],
        at(0, 0),
        at(1, 2_000_000),
        vec![Input::Begin(second)],
        at(2, 400_000),
        vec![Input::Begin(third)],
        frames(timed, &counts(3, 1), 1, 4000),
    ]
    .concat();
    let source: Vec<_> = items.into_iter().map(Ok).collect();
    let (outcome, kept) = run_source(plan(1, &[]), 2, source.into_iter(), Kept::default());
    assert!(finished(outcome).closes());
    let epoch = start(0).as_nanosecond();
    let found: Vec<_> = kept
        .rows
        .iter()
        .map(|row| (row.pulse, row.time.since_start_s, row.time.utc_ns.map(|ns| ns - epoch)))
        .collect();
    assert_eq!(
        found,
        [
            (Some(0), 0.0, Some(0)),
            // Within one recording five periods without a pulse are a hole.
            (None, 0.5, Some(500_000_000)),
            (Some(1), 1.0, Some(1_000_000_000)),
            (Some(2), 60.2, Some(60_200_000_000)),
            (Some(3), 62.0 + 0.250_000_001, None),
        ]
    );
}

#[test]
fn spent_buffers_come_back_to_the_source() {
    let reused = Arc::new(std::sync::atomic::AtomicUsize::new(0));
    let seen = Arc::clone(&reused);
    let plan = Arc::new(plan(1, &[]));
    let mut sink = Kept::default();
    let make = |buffers: Buffers| {
        let grown = Cell::new(0_u64);
        let frame = move || {
            let number = grown.replace(grown.get() + 1);
            let mut bytes = buffers.next();
            let again = usize::from(bytes.capacity() > 0);
            bytes.clear();
            seen.fetch_add(again, std::sync::atomic::Ordering::Relaxed);
            bytes.extend(counts(number, 1));
            let exposure = NonZeroU32::new(1);
            let tag = Arc::new(PulseTag { exposure, ..tag(number) });
            (number < 40).then_some(Input::Frame(Frame { tag, offset: 0, bytes, last: true }))
        };
        Ok(std::iter::once(Input::Begin(stream(1))).chain(std::iter::from_fn(frame)).map(Ok))
    };
    let outcome: Outcome = run(&plan, session(&plan), 1, make, &mut sink);
    assert!(finished(outcome).closes());
    assert_eq!(sink.pulses.len(), 40);
    assert!(reused.load(std::sync::atomic::Ordering::Relaxed) > 20);
}
