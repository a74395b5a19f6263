//! Tests of the protocol as a whole: rules by name, bytes cut and damaged, both sides together.

mod bytes;
mod rules;
mod sending;

use std::num::NonZeroU32;
use std::time::Duration;

use super::*;
use crate::detect::{MarkKind, Stage};
use crate::engine::{Act, Frame, Input};
use crate::signal::SampleFormat;

/// The demo's rate and scale on two channels.
pub(super) fn hello() -> Hello {
    Hello {
        stream: StreamId(7),
        resume: None,
        sample_format: SampleFormat::Ri16Le,
        channels: 2,
        sample_rate_hz: 20e6,
        volts_per_count: vec![6.103_515_625e-5],
        gain_db: vec![0.0],
        pretrigger_samples: 4,
        start_utc: None,
        stage_from: StageFrom::Sender,
        drive_setting_unit: "mV".to_owned(),
        payload_crc: true,
        device: "flow phantom".to_owned(),
        token: None,
    }
}

pub(super) fn expectation() -> Expectation {
    Expectation {
        sample_format: SampleFormat::Ri16Le,
        channels: 2,
        sample_rate_hz: 20e6,
        volts_per_count: vec![6.103_515_625e-5; 2],
        gain_db: vec![0.0],
        pretrigger_samples: 4,
    }
}

fn terms() -> Terms {
    Terms {
        max_payload_bytes: 4096,
        keepalive: Duration::from_secs(2),
        resume: Duration::from_secs(30),
        pulse: Duration::from_secs(1),
        gate_end_samples: None,
    }
}

fn layout() -> Layout {
    Layout::new(&hello(), terms().max_payload_bytes).unwrap()
}

fn peer() -> Peer {
    Peer { name: "bench".to_owned(), local: false }
}

/// A frame of `samples` from `offset` of a pulse that begins at sample 1000 × `pulse`.
fn header(sequence: u64, pulse: u64, offset: u64, samples: u32, flags: Flags) -> Header {
    Header {
        flags,
        sequence,
        first_sample: 1000 * pulse + offset,
        pulse,
        pulse_first_sample: 1000 * pulse,
        pulse_time_ns: 200_000_000 * pulse,
        drive_mpa: Some(0.16),
        drive_setting: None,
        exposure: NonZeroU32::new(1),
        samples,
        stage: Some(Stage::Exposure),
        target: Target::new("vessel").unwrap(),
    }
}

fn arrived(header: Header) -> Arrived {
    let bytes = usize::try_from(header.samples * layout().set_bytes()).unwrap();
    let payload = (0..=255).cycle().take(bytes).collect();
    Arrived { header, payload, payload_ok: true }
}

fn encoded(header: &Header) -> Vec<u8> {
    let mut bytes = Vec::new();
    header.encode(&layout(), &arrived(*header).payload, &mut bytes);
    bytes
}

/// Feeds a decoder, starting it after its hello; stops at a fault.
fn decode(decoder: &mut Decoder, bytes: &[u8]) -> (Vec<DecoderEvent>, Option<Refusal>) {
    let mut rest = bytes;
    let mut events = Vec::new();
    loop {
        match decoder.step(&mut rest, &mut Vec::new) {
            Ok(Some(event)) => {
                if let DecoderEvent::Hello { hello, .. } = &event {
                    decoder.start(Layout::new(hello, terms().max_payload_bytes).unwrap());
                }
                events.push(event);
            }
            Ok(None) => return (events, None),
            Err(refusal) => return (events, Some(refusal)),
        }
    }
}

/// A decoder that waits for its first frame.
fn started() -> Decoder {
    let mut decoder = Decoder::new();
    let (events, fault) = decode(&mut decoder, hello().to_line().as_bytes());
    assert_eq!((events.len(), fault), (1, None));
    decoder
}

/// A monitor's side with its connection and what it had to do.
struct Monitor {
    link: Link,
    connection: ConnectionId,
    at: Duration,
    out: Vec<Step>,
}

impl Monitor {
    fn with(terms: Terms) -> Self {
        let mut link = Link::new(terms, expectation());
        let mut out = Vec::new();
        let accepted = link.hello(Duration::ZERO, hello(), &peer(), &mut out).unwrap();
        assert!(matches!(&out[..], [Step::Input(Input::Begin(_))]));
        out.clear();
        Self { link, connection: accepted.connection, at: Duration::ZERO, out }
    }

    fn new() -> Self {
        Self::with(terms())
    }

    fn take(&mut self, arrived: Arrived) {
        self.link.frame(self.connection, self.at, arrived, &mut self.out);
    }

    fn frame(&mut self, sequence: u64, pulse: u64, offset: u64, samples: u32, flags: Flags) {
        self.take(arrived(header(sequence, pulse, offset, samples, flags)));
    }

    fn later(&mut self, wait: Duration) {
        self.at += wait;
        self.link.tick(self.at, &mut self.out);
    }

    fn resume(&mut self, oldest: u64) -> Result<Accepted, Refusal> {
        let hello = Hello { resume: Some(oldest), ..hello() };
        let accepted = self.link.hello(self.at, hello, &peer(), &mut self.out)?;
        self.connection = accepted.connection;
        Ok(accepted)
    }

    fn cut(&mut self) {
        self.link.cut(self.connection, self.at, &mut self.out);
    }

    fn pick<'a, T>(&'a self, pick: impl Fn(&'a Step) -> Option<&'a T>) -> Vec<&'a T> {
        self.out.iter().filter_map(pick).collect()
    }

    fn notices(&self) -> Vec<&Notice> {
        self.pick(|step| if let Step::Notice(notice) = step { Some(notice) } else { None })
    }

    fn said(&self) -> Vec<&Message> {
        self.pick(|step| if let Step::Say(_, said) = step { Some(said) } else { None })
    }

    fn frames(&self) -> Vec<&Frame> {
        self.pick(|step| match step {
            Step::Input(Input::Frame(frame)) => Some(frame),
            _ => None,
        })
    }

    fn acts(&self) -> Vec<&Act> {
        self.pick(|step| match step {
            Step::Input(Input::Act(act)) => Some(act),
            _ => None,
        })
    }

    /// Pulse, offset, sample sets and last of every frame that the engine got.
    #[track_caller]
    fn check_frames(&self, expected: &[(u64, u64, usize, bool)]) {
        let set = usize::try_from(layout().set_bytes()).unwrap();
        let found: Vec<_> = self
            .frames()
            .into_iter()
            .map(|frame| (frame.tag.number, frame.offset, frame.bytes.len() / set, frame.last))
            .collect();
        assert_eq!(found, expected);
    }

    /// The only thing said is this error, and the connection is closed.
    #[track_caller]
    fn check_error(&self, code: ErrorCode, detail: &str, next: u64) {
        let said = self.said();
        let [Message::Error { refusal, sequence }] = &said[..] else { panic!("{said:?}") };
        assert_eq!((refusal.error, refusal.detail.as_str(), *sequence), (code, detail, next));
        assert!(self.out.contains(&Step::Close(self.connection)));
    }
}
