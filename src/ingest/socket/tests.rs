//! The socket over real connections on this machine: every wait has a deadline, none is a sleep.

use std::num::NonZeroU32;
use std::sync::Mutex;

use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::TcpStream;

use super::super::play::{Address, Pace, Play, play};
use super::super::wire::{Expectation, Header, Layout, Terms};
use super::super::wire::{Flags, StreamId, Target, Totals};
use super::*;
use crate::detect::MarkKind;
use crate::engine::{Frame, PulseTag, SampleIndex};
use crate::signal::SampleFormat;

const DEADLINE: Duration = Duration::from_secs(20);

fn hello(stream: u128) -> Hello {
    Hello {
        stream: StreamId(stream),
        resume: None,
        sample_format: SampleFormat::Ri16Le,
        channels: 1,
        sample_rate_hz: 1e6,
        volts_per_count: vec![1e-4],
        gain_db: vec![0.0],
        pretrigger_samples: 4,
        start_utc: None,
        stage_from: StageFrom::Sender,
        drive_setting_unit: String::new(),
        payload_crc: true,
        device: "bench".to_owned(),
        token: None,
    }
}

fn link() -> Link {
    let terms = Terms {
        max_payload_bytes: 1 << 16,
        keepalive: Duration::from_secs(2),
        resume: Duration::from_secs(30),
        pulse: Duration::from_secs(1),
        gate_end_samples: None,
    };
    let expectation = Expectation {
        sample_format: SampleFormat::Ri16Le,
        channels: 1,
        sample_rate_hz: 1e6,
        volts_per_count: vec![1e-4],
        gain_db: vec![0.0],
        pretrigger_samples: 4,
    };
    Link::new(terms, expectation)
}

/// A socket that listens, and the engine's end of its line.
struct Scene {
    address: std::net::SocketAddr,
    inputs: mpsc::Receiver<Input>,
    acts: mpsc::Sender<Act>,
    told: Arc<Mutex<Vec<String>>>,
    stop: CancellationToken,
    running: tokio::task::JoinHandle<Counts>,
}

impl Scene {
    async fn new(overdue_after: Duration) -> Self {
        let tcp = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = tcp.local_addr().unwrap();
        let (inputs_in, inputs) = mpsc::channel(1024);
        let (acts, acts_out) = mpsc::channel(8);
        let told: Arc<Mutex<Vec<String>>> = Arc::default();
        let stop = CancellationToken::new();
        let log = Arc::clone(&told);
        let socket = Socket {
            link: link(),
            inputs: inputs_in,
            acts: acts_out,
            buffers: Arc::new(Vec::new),
            tell: Box::new(move |told| {
                let word = match told {
                    Told::Up { .. } => "up",
                    Told::Cut => "cut",
                    Told::Ended => "ended",
                    Told::Waiting => "waiting",
                    Told::Counts(_) | Told::Act(_) => return,
                };
                log.lock().unwrap().push(word.to_owned());
            }),
            overdue_after,
            stop: stop.clone(),
        };
        let listeners = Listeners { tcp: Some(tcp), ..Listeners::default() };
        let running = tokio::spawn(run(listeners, socket));
        Self { address, inputs, acts, told, stop, running }
    }

    async fn next(&mut self) -> Input {
        tokio::time::timeout(DEADLINE, self.inputs.recv()).await.unwrap().unwrap()
    }

    /// Stops; what still came, and the counts.
    async fn stop(mut self) -> (Vec<Input>, Counts) {
        self.stop.cancel();
        let counts = tokio::time::timeout(DEADLINE, self.running).await.unwrap().unwrap();
        let mut rest = Vec::new();
        while let Some(input) = self.inputs.recv().await {
            rest.push(input);
        }
        (rest, counts)
    }
}

fn tag(number: u64) -> Arc<PulseTag> {
    Arc::new(PulseTag {
        number,
        first: SampleIndex(number * 1000),
        time: None,
        trigger_offset: None,
        drive_mpa: Some(0.2),
        drive_setting: None,
        target: Arc::from("vessel"),
        exposure: None,
        stage: Stage::Exposure,
        sham: false,
        lost_samples: 0,
    })
}

fn pulse(number: u64) -> Frame {
    let bytes = (0..200_u8).map(|byte| byte.wrapping_add(u8::try_from(number % 7).unwrap()));
    Frame { tag: tag(number), offset: 0, bytes: bytes.collect(), last: true }
}

/// Plays pulses from a thread, in small frames and writes.
fn sender(
    address: std::net::SocketAddr,
    stream: u128,
    items: Vec<Input>,
    write_bytes: usize,
) -> tokio::task::JoinHandle<Totals> {
    tokio::task::spawn_blocking(move || {
        let what = Play {
            to: Address::Tcp(address.to_string()),
            hello: hello(stream),
            pace: Pace::Max,
            frame_samples: NonZeroU32::new(30).unwrap(),
            write_bytes,
        };
        let items = items.into_iter().map(Ok::<_, std::convert::Infallible>);
        play(&what, items, &mut |_, _| {}).unwrap().totals
    })
}

/// A connection by hand.
struct Hand {
    lines: BufReader<TcpStream>,
}

impl Hand {
    async fn connect(scene: &Scene) -> Self {
        Self { lines: BufReader::new(TcpStream::connect(scene.address).await.unwrap()) }
    }

    async fn write(&mut self, bytes: &[u8]) {
        self.lines.get_mut().write_all(bytes).await.unwrap();
    }

    async fn line(&mut self) -> String {
        let mut line = String::new();
        let read = self.lines.read_line(&mut line);
        tokio::time::timeout(DEADLINE, read).await.unwrap().unwrap();
        line
    }

    /// The first line that is no acknowledgement.
    async fn word(&mut self) -> String {
        loop {
            let line = self.line().await;
            if !line.starts_with("{\"ack\"") {
                return line;
            }
        }
    }

    async fn is_closed(&mut self) -> bool {
        let mut rest = Vec::new();
        let read = self.lines.read_to_end(&mut rest);
        tokio::time::timeout(DEADLINE, read).await.is_ok()
    }

    async fn greeted(scene: &Scene, hello: &Hello) -> Self {
        let mut hand = Self::connect(scene).await;
        hand.write(hello.to_line().as_bytes()).await;
        assert!(hand.line().await.starts_with("{\"ok\":true"));
        hand
    }
}

fn frame_bytes(sequence: u64, number: u64) -> Vec<u8> {
    let layout = Layout::new(&hello(1), 1 << 16).unwrap();
    let header = Header {
        flags: Flags::FIRST.with(Flags::LAST),
        sequence,
        first_sample: number * 1000,
        pulse: number,
        pulse_first_sample: number * 1000,
        pulse_time_ns: number * 1_000_000,
        drive_mpa: None,
        drive_setting: None,
        exposure: None,
        samples: 4,
        stage: Some(Stage::Exposure),
        target: Target::NONE,
    };
    let mut bytes = Vec::new();
    header.encode(&layout, &[0, 1, 2, 3, 4, 5, 6, 7], &mut bytes);
    bytes
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_arrives_whole_however_its_bytes_are_written() {
    for write_bytes in [1, 7, 1 << 20] {
        let mut scene = Scene::new(DEADLINE).await;
        let items = (0..5).map(|n| Input::Frame(pulse(n))).collect();
        let totals = sender(scene.address, 1, items, write_bytes).await.unwrap();
        assert_eq!(totals, Totals { received: 20, lost: 0, pulses: 5 });
        assert!(matches!(scene.next().await, Input::Begin(_)));
        for number in 0..5 {
            let mut bytes = Vec::new();
            while bytes.len() < 200 {
                let Input::Frame(frame) = scene.next().await else { panic!("no frame") };
                assert_eq!((frame.tag.number, frame.offset), (number, bytes.len() as u64 / 2));
                bytes.extend(frame.bytes);
            }
            assert_eq!(bytes, pulse(number).bytes);
        }
        assert_eq!(*scene.told.lock().unwrap(), ["up", "ended"]);
        let (rest, counts) = scene.stop().await;
        // 4000 is the last pulse's first sample, 100 are its samples.
        assert_eq!(rest, [Input::Act(Act::sender(MarkKind::Pause)), Input::Length(4100)]);
        assert_eq!((counts.samples, counts.frames, counts.unfinished), (500, 20, 0));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_stream_goes_on_from_the_numbers_of_the_first() {
    let mut scene = Scene::new(DEADLINE).await;
    let items = || vec![Input::Frame(pulse(0)), Input::Frame(pulse(1))];
    sender(scene.address, 1, items(), 1 << 20).await.unwrap();
    sender(scene.address, 2, items(), 1 << 20).await.unwrap();
    let (mut numbers, mut gaps) = (Vec::new(), Vec::new());
    while numbers.last() != Some(&3) {
        match scene.next().await {
            Input::Frame(frame) if numbers.last() != Some(&frame.tag.number) => {
                numbers.push(frame.tag.number);
            }
            Input::Act(Act::Gap(text)) => gaps.push(text),
            _ => {}
        }
    }
    assert_eq!(numbers, [0, 1, 2, 3]);
    assert!(gaps[0].contains("its numbers are raised by 2"), "{gaps:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn acts_stand_where_they_were_done() {
    let mut scene = Scene::new(DEADLINE).await;
    let mut hand = Hand::greeted(&scene, &hello(1)).await;
    assert!(matches!(scene.next().await, Input::Begin(_)));
    for number in 0..3 {
        hand.write(&frame_bytes(number, number)).await;
        let Input::Frame(frame) = scene.next().await else { panic!("no frame") };
        assert_eq!(frame.tag.number, number);
        let note = Mark { text: number.to_string(), ..Mark::of_sender(MarkKind::Note) };
        scene.acts.send(Act::Mark(note.clone())).await.unwrap();
        assert_eq!(scene.next().await, Input::Act(Act::Mark(note)));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_operator_owns_the_stage_only_where_the_stream_says_so() {
    let operated = Hello { stage_from: StageFrom::Operator, ..hello(1) };
    let mut scene = Scene::new(DEADLINE).await;
    scene.acts.send(Act::Stage(Stage::Baseline)).await.unwrap();
    assert_eq!(scene.next().await, Input::Act(Act::Stage(Stage::Baseline)));
    let _hand = Hand::greeted(&scene, &operated).await;
    assert!(matches!(scene.next().await, Input::Begin(_)));
    assert_eq!(scene.next().await, Input::Act(Act::Stage(Stage::Baseline)));

    let mut scene = Scene::new(DEADLINE).await;
    let _hand = Hand::greeted(&scene, &hello(1)).await;
    assert!(matches!(scene.next().await, Input::Begin(_)));
    scene.acts.send(Act::Stage(Stage::Baseline)).await.unwrap();
    scene.acts.send(Act::Acknowledge(3)).await.unwrap();
    assert_eq!(scene.next().await, Input::Act(Act::Acknowledge(3)));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pulse_that_does_not_come_is_told_by_the_clock() {
    let mut scene = Scene::new(Duration::from_millis(30)).await;
    let mut hand = Hand::greeted(&scene, &hello(1)).await;
    hand.write(&frame_bytes(0, 0)).await;
    assert!(matches!(scene.next().await, Input::Begin(_)));
    assert!(matches!(scene.next().await, Input::Frame(_)));
    assert_eq!(scene.next().await, Input::Act(Act::Overdue));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broken_header_closes_and_the_stream_goes_on_after_a_resume() {
    let mut scene = Scene::new(DEADLINE).await;
    let mut hand = Hand::greeted(&scene, &hello(1)).await;
    hand.write(&frame_bytes(0, 0)).await;
    let mut broken = frame_bytes(1, 1);
    broken[20] ^= 1;
    hand.write(&broken).await;
    let said = hand.word().await;
    let Ok(Message::Error { refusal, sequence }) = Message::parse(said.as_bytes()) else {
        panic!("{said}")
    };
    assert_eq!((refusal.error, sequence), (ErrorCode::Header, 1));
    assert!(hand.is_closed().await);

    let resumed = Hello { resume: Some(1), ..hello(1) };
    let mut hand = Hand::greeted(&scene, &resumed).await;
    hand.write(&frame_bytes(1, 1)).await;
    let mut numbers = Vec::new();
    while numbers.len() < 2 {
        if let Input::Frame(frame) = scene.next().await {
            numbers.push(frame.tag.number);
        }
    }
    assert_eq!(numbers, [0, 1]);
    assert_eq!(*scene.told.lock().unwrap(), ["up", "cut", "up"]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_hundred_others_are_busy_and_the_first_goes_on() {
    let mut scene = Scene::new(DEADLINE).await;
    let mut hand = Hand::greeted(&scene, &hello(1)).await;
    assert!(matches!(scene.next().await, Input::Begin(_)));
    let mut others = Vec::new();
    for n in 0..200 {
        let mut other = Hand::connect(&scene).await;
        other.write(hello(100 + n).to_line().as_bytes()).await;
        others.push(other);
    }
    for other in &mut others {
        assert!(other.line().await.contains("\"error\":\"busy\""));
        assert!(other.is_closed().await);
    }
    hand.write(&frame_bytes(0, 0)).await;
    assert!(matches!(scene.next().await, Input::Frame(_)));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stop_tells_the_sender_and_keeps_what_had_come() {
    let scene = Scene::new(DEADLINE).await;
    let mut hand = Hand::greeted(&scene, &hello(1)).await;
    let mut open = frame_bytes(0, 0);
    // The first frame of a pulse that has more: flag 1 alone, and the header's CRC anew.
    open[6] = 1;
    let crc = crc32fast::hash(&open[..92]);
    open[92..96].copy_from_slice(&crc.to_le_bytes());
    hand.write(&open).await;
    while hand.line().await != "{\"ack\":1}\n" {}
    let (rest, counts) = scene.stop().await;
    assert!(hand.word().await.contains("\"error\":\"stopping\""));
    assert!(hand.is_closed().await);
    let frames = rest.iter().filter(|input| matches!(input, Input::Frame(_))).count();
    // The samples, and the frame without samples that closes the pulse.
    assert_eq!((frames, counts.unfinished), (2, 1));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_engine_that_has_gone_ends_the_socket() {
    let scene = Scene::new(DEADLINE).await;
    let hand = Hand::greeted(&scene, &hello(1)).await;
    drop(scene.inputs);
    let counts = tokio::time::timeout(DEADLINE, scene.running).await.unwrap().unwrap();
    assert_eq!(counts.streams, 1);
    drop(hand);
}

#[tokio::test]
async fn lines_that_nobody_reads_are_bounded() {
    let (lines, mut said) = mpsc::channel(1 << 16);
    let voice = Voice::for_test(lines);
    let line = "x".repeat(1000);
    let taken = (0..1000).take_while(|_| voice.say(&line)).count();
    assert_eq!(taken, 65);
    assert_eq!(said.recv().await.unwrap(), line);
}
