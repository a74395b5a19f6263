//! Both sides together: what the sender makes of pulses reaches the engine, over cuts, too.

use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::engine::{DeviceNanos, PulseTag, SampleIndex};

fn tag(number: u64) -> PulseTag {
    PulseTag {
        number,
        first: SampleIndex(1000 * number),
        time: Some(DeviceNanos(200_000_000 * number + 7)),
        trigger_offset: None,
        drive_mpa: Some(0.16),
        drive_setting: Some(125.0),
        target: Arc::from("vessel"),
        exposure: NonZeroU32::new(2),
        stage: Stage::Exposure,
        sham: number % 2 == 1,
        lost_samples: 0,
    }
}

/// A pulse of `samples` with bytes that tell where they belong.
fn pulse(number: u64, samples: u64) -> Frame {
    let values = (0..samples).flat_map(|n| {
        [number * 1000 + n, n].map(|value| i16::try_from(value % 30_000).unwrap().to_le_bytes())
    });
    let bytes = values.flatten().collect();
    Frame { tag: Arc::new(tag(number)), offset: 0, bytes, last: true }
}

fn samples_a_frame(samples: u32) -> NonZeroU32 {
    NonZeroU32::new(samples).unwrap()
}

/// A sender and the monitor it talks to, joined by bytes.
struct Pair {
    sender: Sender,
    link: Link,
    decoder: Decoder,
    connection: Option<ConnectionId>,
    at: Duration,
    out: Vec<Step>,
}

impl Pair {
    fn new(most_bytes: usize) -> Self {
        let mut pair = Self {
            sender: Sender::new(hello(), most_bytes),
            link: Link::new(terms(), expectation()),
            decoder: Decoder::new(),
            connection: None,
            at: Duration::ZERO,
            out: Vec::new(),
        };
        pair.connect();
        pair
    }

    fn connect(&mut self) {
        self.decoder = Decoder::new();
        let line = self.sender.hello_line();
        let mut rest = line.as_bytes();
        let event = self.decoder.step(&mut rest, &mut Vec::new).unwrap();
        let Some(DecoderEvent::Hello { hello, .. }) = event else { panic!("{event:?}") };
        let accepted = self.link.hello(self.at, *hello, &peer(), &mut self.out).unwrap();
        self.decoder.start(accepted.layout);
        self.connection = Some(accepted.connection);
        let reply = Reply::Welcome(accepted.welcome).to_line();
        assert_eq!(self.sender.line(reply.as_bytes()), Ok(Heard::Welcome));
    }

    fn arrive(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        while let Some(event) = self.decoder.step(&mut rest, &mut Vec::new).unwrap() {
            let DecoderEvent::Frame(arrived) = event else { panic!("{event:?}") };
            self.link.frame(self.connection.unwrap(), self.at, arrived, &mut self.out);
        }
    }

    /// Carries at most `bytes` to the monitor, then cuts the link; without a bound all of it.
    fn carry(&mut self, bytes: Option<usize>) {
        let mut left = bytes.unwrap_or(usize::MAX);
        while let Some(frame) = self.sender.next_frame().map(<[u8]>::to_vec) {
            self.arrive(&frame[..left.min(frame.len())]);
            left = left.saturating_sub(frame.len());
            if left == 0 {
                break;
            }
        }
        if bytes.is_some() {
            self.sender.cut();
            self.link.cut(self.connection.unwrap(), self.at, &mut self.out);
        }
    }

    /// Half a second passes, and the sender hears what is said.
    fn hear(&mut self) -> Vec<Heard> {
        self.at += Duration::from_millis(500);
        let before = self.out.len();
        self.link.tick(self.at, &mut self.out);
        let said = self.out[before..].iter().filter_map(|step| match step {
            Step::Say(_, message) => Some(message.to_line()),
            _ => None,
        });
        said.map(|line| self.sender.line(line.as_bytes()).unwrap()).collect()
    }

    fn end(&mut self) -> Totals {
        let bytes = self.sender.end(0).unwrap();
        self.arrive(&bytes);
        match self.out.last() {
            Some(Step::Say(_, Message::End(totals))) => *totals,
            other => panic!("{other:?}"),
        }
    }

    /// What the engine got of each pulse, joined where no sample is missing.
    fn pulses(&self) -> Vec<Frame> {
        let mut pulses: Vec<Frame> = Vec::new();
        for step in &self.out {
            let Step::Input(Input::Frame(frame)) = step else { continue };
            match pulses.last_mut().filter(|before| Arc::ptr_eq(&before.tag, &frame.tag)) {
                Some(before) => {
                    assert!(!before.last);
                    let sets = u64::try_from(before.bytes.len() / 4).unwrap();
                    assert_eq!(frame.offset, before.offset + sets);
                    before.bytes.extend_from_slice(&frame.bytes);
                    before.last = frame.last;
                }
                None => pulses.push(frame.clone()),
            }
        }
        pulses
    }
}

#[test]
fn pulses_reach_the_engine_as_they_were_sent() {
    let mut pair = Pair::new(1 << 20);
    let sent: Vec<_> = (1..=4).map(|number| pulse(number, 500)).collect();
    for pulse in &sent {
        pair.sender.samples(pulse, samples_a_frame(120)).unwrap();
        pair.carry(None);
    }
    assert_eq!(pair.pulses(), sent);
    assert_eq!(pair.hear(), [Heard::Acknowledged]);
    assert!(pair.sender.is_settled());
    assert_eq!(pair.end(), Totals { received: 20, lost: 0, pulses: 4 });
    assert_eq!(pair.link.counts().samples, 2000);
}

#[test]
fn frames_are_never_larger_than_the_monitor_takes() {
    let mut pair = Pair::new(1 << 20);
    pair.sender.samples(&pulse(1, 3000), samples_a_frame(u32::MAX)).unwrap();
    pair.carry(None);
    assert_eq!(pair.pulses(), [pulse(1, 3000)]);
    assert_eq!(pair.end().received, 3);
}

#[test]
fn a_pulse_may_be_sent_in_stretches_and_keeps_its_holes() {
    let mut pair = Pair::new(1 << 20);
    let whole = pulse(1, 100);
    let stretch = |offset: u64, bytes: std::ops::Range<usize>, last| Frame {
        tag: Arc::clone(&whole.tag),
        offset,
        bytes: whole.bytes[bytes].to_vec(),
        last,
    };
    pair.sender.samples(&stretch(0, 0..40, false), samples_a_frame(64)).unwrap();
    pair.sender.samples(&stretch(30, 120..400, true), samples_a_frame(64)).unwrap();
    pair.carry(None);
    let frames = pair.out.iter().filter_map(|step| match step {
        Step::Input(Input::Frame(frame)) => Some((frame.offset, frame.bytes.len(), frame.last)),
        _ => None,
    });
    assert_eq!(frames.collect::<Vec<_>>(), [(0, 40, false), (30, 256, false), (94, 24, true)]);
    assert!(pair.out.contains(&Step::Notice(Notice::Hole {
        pulse: 1,
        samples: 20,
        why: Hole::Unsaid
    })));
}

#[test]
fn a_pulse_whose_device_lost_samples_says_so_to_the_engine() {
    let mut pair = Pair::new(1 << 20);
    let lossy = |number, offset| {
        let tag = Arc::new(PulseTag { lost_samples: 9, ..tag(number) });
        Frame { tag, offset, ..pulse(number, 50) }
    };
    pair.sender.samples(&lossy(1, 0), samples_a_frame(20)).unwrap();
    pair.sender.samples(&lossy(2, 5), samples_a_frame(20)).unwrap();
    pair.carry(None);
    let tags: Vec<_> = pair
        .out
        .iter()
        .filter_map(|step| match step {
            Step::Input(Input::Frame(frame)) => Some((frame.tag.number, frame.tag.lost_samples)),
            _ => None,
        })
        .collect();
    assert_eq!(tags, [(1, 1), (1, 1), (1, 1), (1, 1), (2, 1), (2, 1), (2, 1), (2, 1)]);
    assert_eq!(pair.link.counts().samples, 100);
}

#[test]
fn acts_of_the_person_at_the_drive_reach_the_engine() {
    let mut pair = Pair::new(1 << 20);
    let acts = [MarkKind::Pause, MarkKind::Resume, MarkKind::Abort, MarkKind::ExposureEnded];
    acts.iter().for_each(|act| pair.sender.act(act).unwrap());
    pair.sender.samples(&pulse(1, 10), samples_a_frame(10)).unwrap();
    pair.carry(None);
    let found = pair.out.iter().filter_map(|step| match step {
        Step::Input(Input::Act(act)) => Some(act.clone()),
        _ => None,
    });
    assert_eq!(found.collect::<Vec<_>>(), acts.map(Act::sender));
    assert_eq!(pair.sender.act(&MarkKind::Note), Err(SendError::Act("note")));
}

#[test]
fn a_sender_keeps_a_bounded_number_of_bytes_and_says_what_it_forgot() {
    let mut pair = Pair::new(1000);
    pair.sender.samples(&pulse(1, 100), samples_a_frame(10)).unwrap();
    // A frame has 96 + 6 + 40 = 142 bytes, seven of them fit.
    assert_eq!((pair.sender.forgotten(), pair.sender.room_bytes()), (3, 1000 - 7 * 142));
    pair.carry(None);
    assert_eq!(pair.end(), Totals { received: 7, lost: 3, pulses: 1 });
}

#[test]
fn a_keepalive_is_for_the_frame_that_is_written_next() {
    let mut pair = Pair::new(1 << 20);
    pair.sender.samples(&pulse(1, 20), samples_a_frame(10)).unwrap();
    let keepalive = pair.sender.keepalive().unwrap();
    assert_eq!(pair.sender.end(0), None);
    pair.arrive(&keepalive);
    pair.carry(None);
    assert_eq!(pair.end(), Totals { received: 2, lost: 0, pulses: 1 });
}

#[test]
fn what_no_frame_can_carry_is_refused_and_nothing_is_added() {
    let mut pair = Pair::new(1 << 20);
    let mut check = |frame: Frame, message: &str| {
        let fault = pair.sender.samples(&frame, samples_a_frame(10)).unwrap_err();
        assert_eq!(fault.to_string(), message);
        assert!(pair.sender.is_settled());
    };
    let with = |change: fn(&mut PulseTag)| {
        let mut tag = tag(1);
        change(&mut tag);
        Frame { tag: Arc::new(tag), ..pulse(1, 10) }
    };
    check(
        Frame { bytes: vec![0; 6], ..pulse(1, 10) },
        "pulse 1: 6 bytes of samples, must be whole sample sets of 4 bytes",
    );
    check(
        with(|tag| tag.target = Arc::from("x".repeat(33))),
        "pulse 1: target \"xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx\" must have at most 32 bytes and no control characters",
    );
    check(
        with(|tag| tag.trigger_offset = Some(5)),
        "pulse 1: trigger_offset is 5, the stream's pretrigger_samples is 4",
    );
    check(
        with(|tag| tag.first = SampleIndex(JSON_INTEGER_END)),
        "pulse 1: last sample must be below 2^53",
    );
    check(with(|tag| tag.drive_mpa = Some(f64::INFINITY)), "pulse 1: drive_mpa must be finite");
    check(with(|tag| tag.time = Some(DeviceNanos(1 << 63))), "pulse 1: time must be below 2^63 ns");
    let mut early = Sender::new(hello(), 1000);
    let fault = early.samples(&pulse(1, 10), samples_a_frame(10));
    assert_eq!(fault, Err(SendError::NotWelcome));
    pair.sender.samples(&pulse(2, 10), samples_a_frame(10)).unwrap();
    let fault = pair.sender.samples(&pulse(1, 10), samples_a_frame(10)).unwrap_err();
    assert_eq!(fault.to_string(), "pulse 1: first sample is 1000, must be at least 2010");
}

#[test]
fn a_pulse_without_a_time_gets_index_by_rate() {
    let mut pair = Pair::new(1 << 20);
    let tag = Arc::new(PulseTag { time: None, ..tag(3) });
    pair.sender.samples(&Frame { tag, ..pulse(3, 10) }, samples_a_frame(10)).unwrap();
    pair.carry(None);
    // 3000 samples at 20 MHz.
    assert_eq!(pair.pulses()[0].tag.time, Some(DeviceNanos(150_000)));
}

#[test]
fn an_ack_of_frames_that_were_never_sent_is_a_fault() {
    let mut pair = Pair::new(1 << 20);
    let fault = pair.sender.line(b"{\"ack\":5}").unwrap_err();
    assert_eq!(fault.detail, "the monitor is at frame 5, there were 0");
}

proptest! {
    #[test]
    fn the_account_closes_over_cuts_at_any_byte(
        cuts in proptest::collection::vec(0_usize..3000, 1..6),
        frame_samples in 1_u32..200,
    ) {
        let mut pair = Pair::new(1 << 20);
        let sent: Vec<_> = (1..=6).map(|number| pulse(number, 150)).collect();
        let mut cuts = cuts.into_iter();
        for pulse in &sent {
            pair.sender.samples(pulse, samples_a_frame(frame_samples)).unwrap();
            if let Some(cut) = cuts.next() {
                pair.carry(Some(cut));
                pair.connect();
            }
            pair.carry(None);
            pair.hear();
        }
        prop_assert_eq!(pair.pulses(), sent);
        let totals = pair.end();
        let frames = 6 * u64::from(150_u32.div_ceil(frame_samples));
        prop_assert_eq!(totals, Totals { received: frames, lost: 0, pulses: 6 });
        prop_assert_eq!(pair.link.counts().samples, 900);
        prop_assert_eq!(pair.link.counts().duplicates, 0);
    }
}
