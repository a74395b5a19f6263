//! From the last byte of a pulse to its alarm's line on a follower, and from the start of a program
//! to its page. Over real sockets, with the program as it is built.
//!
//! `cargo bench --bench latency [-- --pulses N]`: pulses of 10 ms at 50 MS/s, ten a second. Every
//! second pulse clips, so that an alarm comes on and goes off again. Frames are written when a device
//! would have sampled them; the clock starts just before the last one, 2000 samples, is written.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::num::NonZeroU32;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use daemon::{get, greet, start};
use simmer::engine::{DeviceNanos, Frame, PulseTag, SampleIndex, Stage};
use simmer::ingest::wire::{Hello, StageFrom, StreamId};
use simmer::signal::SampleFormat;

mod daemon;

const RATE_HZ: u32 = 50_000_000;
const SAMPLES: usize = 550_000;
const LAST: usize = 2000;
const FRAME: usize = 32_768;
const PERIOD: Duration = Duration::from_millis(100);

const CONFIG: &str = r#"
[drive]
frequency_hz = 0.7e6
pulse_s = 10e-3
repetition_hz = 10.0
drive_tolerance = 0.05
drive_means = "peak negative pressure at the focus, free field"
missing_after_periods = 5.0
[receive]
sample_rate_hz = 50e6
channels = 1
sample_format = "ri16_le"
volts_per_count = 6.103515625e-5
full_scale_counts = [-8192, 8191]
gain_db = 0.0
pretrigger_s = 0.9e-3
gate_start_s = 0.1e-3
gate_end_s = 10.1e-3
noise_gate_start_s = -0.85e-3
noise_gate_end_s = -0.05e-3
unused_channels = []
[spectrum]
resolution_hz = 5e3
window = "hann"
overlap = 0.5
[bands]
harmonics = [2, 3, 4]
ultraharmonics = [1.5, 2.5, 3.5]
subharmonic = true
line_half_width_hz = 15e3
guard_half_width_hz = 60e3
flank_half_width_hz = 150e3
broadband_hz = [[1.1e6, 6.0e6]]
[detect]
false_alarms_per_exposure = 0.01
expected_pulses = 6000
stable_from = ["ultraharmonic", "subharmonic"]
rule = { harmonic = "1 of 1", ultraharmonic = "2 of 3", subharmonic = "2 of 3", broadband = "1 of 1" }
floor_allowance_db = 0.5
repeatability_db = { harmonic = 1.5, ultraharmonic = 0.0, subharmonic = 0.0, broadband = 0.1 }
sign_of_life = "none"
fundamental_drop_db = 3.0
noise_drift_db = 1.0
channels_needed = 1
[[alarm]]
name = "overload"
severity = "warning"
condition = "overload"
hold_s = 0.0
latch = false
sinks = ["page", "events"]
"#;

fn start_up() -> Result<()> {
    let mut times = Vec::new();
    for _ in 0..7 {
        let begun = Instant::now();
        let (_running, found) =
            start(&["demo", "--seconds", "60", "--listen", "127.0.0.1:0"], &["page on http://"])?;
        let mut head = [0; 12];
        get(&found[0], "/")?.read_exact(&mut head)?;
        if head != *b"HTTP/1.1 200" {
            bail!("the page answers {:?}", String::from_utf8_lossy(&head));
        }
        times.push(begun.elapsed());
    }
    times.sort();
    writeln!(
        std::io::stdout(),
        "demo: start to page     median {:.1} ms, worst of {} {:.1} ms",
        ms(times[times.len() / 2]),
        times.len(),
        ms(times[times.len() - 1])
    )?;
    Ok(())
}

fn ms(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1e3
}

fn hello() -> Hello {
    Hello {
        stream: StreamId(u128::from(std::process::id())),
        resume: None,
        sample_format: SampleFormat::Ri16Le,
        channels: 1,
        sample_rate_hz: f64::from(RATE_HZ),
        volts_per_count: vec![6.103_515_625e-5],
        gain_db: vec![0.0],
        pretrigger_samples: 45_000,
        start_utc: None,
        stage_from: StageFrom::Sender,
        drive_setting_unit: String::new(),
        payload_crc: true,
        device: "latency bench".to_owned(),
        token: None,
    }
}

/// A pulse's samples: invented noise, or such that clips.
fn samples(loud: bool) -> Vec<u8> {
    let mut state = 0x9e37_79b9_u32;
    (0..SAMPLES)
        .flat_map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = i16::try_from(state >> 22).unwrap_or(0) - 512;
            let count = if loud { noise.signum() * 8191 } else { noise };
            count.to_le_bytes()
        })
        .collect()
}

fn frame(number: u64, from: usize, bytes: &[u8], last: bool) -> Frame {
    let tag = PulseTag {
        number,
        first: SampleIndex(number * u64::from(RATE_HZ) / 10),
        time: Some(DeviceNanos(number * 100_000_000)),
        trigger_offset: None,
        drive_mpa: Some(0.2),
        drive_setting: None,
        target: Arc::from(""),
        exposure: None,
        stage: Stage::Exposure,
        sham: false,
        lost_samples: 0,
    };
    Frame { tag: Arc::new(tag), offset: from as u64, bytes: bytes.to_vec(), last }
}

fn alarms(pulses: u64) -> Result<()> {
    let folder = tempfile::tempdir()?;
    let config = folder.path().join("latency.toml");
    std::fs::write(&config, CONFIG)?;
    let out = folder.path().join("session");
    let arguments = [
        "monitor",
        "-c",
        &config.to_string_lossy(),
        "--out",
        &out.to_string_lossy(),
        "--listen",
        "127.0.0.1:0",
        "--stream",
        "127.0.0.1:0",
    ];
    let (_running, found) = start(&arguments, &["page on http://", "stream on "])?;
    let follower = BufReader::new(get(&found[0], "/api/v1/events/follow")?);
    let (raised_in, raised) = std::sync::mpsc::sync_channel(1024);
    std::thread::spawn(move || {
        for line in follower.lines().map_while(Result::ok) {
            if line.contains("\"alarm raised\"") && raised_in.send(Instant::now()).is_err() {
                break;
            }
        }
    });
    let mut link = greet(&found[1], hello())?;
    let most = NonZeroU32::new(50_000).context("not zero")?;
    let (quiet, loud) = (samples(false), samples(true));
    let (mut waits, begun) = (Vec::new(), Instant::now());
    for number in 0..pulses {
        let due = begun + PERIOD * u32::try_from(number)?;
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        let bytes = if number % 2 == 1 { &loud } else { &quiet };
        let mut last = begun;
        let mut from = 0;
        while from < SAMPLES {
            // As a device has them: not before they were sampled.
            let to =
                (from + FRAME).min(if from < SAMPLES - LAST { SAMPLES - LAST } else { SAMPLES });
            let sampled = Duration::from_secs_f64(to as f64 / f64::from(RATE_HZ));
            std::thread::sleep((due + sampled).saturating_duration_since(Instant::now()));
            let part = &bytes[from * 2..to * 2];
            link.sender.samples(&frame(number, from, part, to == SAMPLES), most)?;
            last = Instant::now();
            link.write()?;
            from = to;
        }
        if number % 2 == 1 {
            let at = raised.recv_timeout(Duration::from_secs(10)).context("no alarm came")?;
            waits.push(at - last);
        }
    }
    waits.sort();
    let of = |share: usize| ms(waits[(waits.len() * share / 100).min(waits.len() - 1)]);
    writeln!(
        std::io::stdout(),
        "last byte of a pulse to its alarm's line, {} alarms: p50 {:.2} ms, p99 {:.2} ms, worst {:.2} ms",
        waits.len(),
        of(50),
        of(99),
        of(100)
    )?;
    Ok(())
}

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let pulses = arguments.iter().position(|argument| argument == "--pulses");
    let pulses =
        pulses.and_then(|place| arguments.get(place + 1)).map_or(Ok(200), |n| n.parse())?;
    start_up()?;
    alarms(pulses)
}
