//! Many channels on a small machine: what the daemon costs, and whether anything is lost.
//!
//! `cargo bench --bench load [-- --seconds N] [--channels N]`: 128 channels of 16 bits at 20 MS/s, bursts
//! of 10 ms, two a second (about 110 MB/s), over loopback, for 30 s (600 s with `--long`). Prints what the
//! monitor counted, its share of a core, and its resident memory over time. Linux only: it reads /proc.

use std::io::Write as _;
use std::num::NonZeroU32;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result};
use daemon::{greet, start};
use simmer::engine::{DeviceNanos, Frame, PulseTag, SampleIndex, Stage};
use simmer::ingest::wire::{Hello, StageFrom, StreamId};
use simmer::signal::SampleFormat;

mod daemon;

const RATE_HZ: u32 = 20_000_000;
/// Sample sets of a record: 0.9 ms before the trigger, the burst, 0.1 ms after it.
const SETS: usize = 220_000;
const FRAME_SETS: usize = 2000;
const PERIOD: Duration = Duration::from_millis(500);
/// Clock ticks of /proc a second, common practice: USER_HZ is 100.
const TICKS: f64 = 100.0;

fn config(channels: usize) -> String {
    format!(
        r#"
[drive]
frequency_hz = 0.7e6
pulse_s = 10e-3
repetition_hz = 2.0
drive_tolerance = 0.05
drive_means = "peak negative pressure at the focus, free field"
missing_after_periods = 5.0
[receive]
sample_rate_hz = 20e6
channels = {channels}
sample_format = "ri16_le"
volts_per_count = 6.103515625e-5
full_scale_counts = [-8192, 8191]
gain_db = 0.0
pretrigger_s = 0.9e-3
gate_start_s = 0.1e-3
gate_end_s = 9.9e-3
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
rule = {{ harmonic = "1 of 1", ultraharmonic = "2 of 3", subharmonic = "2 of 3", broadband = "1 of 1" }}
floor_allowance_db = 0.5
repeatability_db = {{ harmonic = 1.5, ultraharmonic = 0.0, subharmonic = 0.0, broadband = 0.1 }}
sign_of_life = "none"
fundamental_drop_db = 3.0
noise_drift_db = 1.0
channels_needed = 1
"#
    )
}

fn hello(channels: usize) -> Hello {
    Hello {
        stream: StreamId(u128::from(std::process::id())),
        resume: None,
        sample_format: SampleFormat::Ri16Le,
        channels,
        sample_rate_hz: f64::from(RATE_HZ),
        volts_per_count: vec![6.103_515_625e-5; channels],
        gain_db: vec![0.0; channels],
        pretrigger_samples: 18_000,
        start_utc: None,
        stage_from: StageFrom::Sender,
        drive_setting_unit: String::new(),
        payload_crc: true,
        device: "load bench".to_owned(),
        token: None,
    }
}

/// A frame's worth of invented noise.
fn noise(channels: usize) -> Vec<u8> {
    let mut state = 0x9e37_79b9_u32;
    (0..FRAME_SETS * channels)
        .flat_map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (i16::try_from(state >> 22).unwrap_or(0) - 512).to_le_bytes()
        })
        .collect()
}

fn tag(number: u64) -> Arc<PulseTag> {
    Arc::new(PulseTag {
        number,
        first: SampleIndex(number * u64::from(RATE_HZ) / 2),
        time: Some(DeviceNanos(number * 500_000_000)),
        trigger_offset: None,
        drive_mpa: Some(0.2),
        drive_setting: None,
        target: Arc::from(""),
        exposure: None,
        stage: if number < 12 { Stage::Baseline } else { Stage::Exposure },
        sham: false,
        lost_samples: 0,
    })
}

/// Processor time a process has used, s, and its resident memory, MB.
fn used(process: u32) -> Result<(f64, f64)> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat"))?;
    let fields: Vec<&str> =
        stat.rsplit_once(')').context("no name in stat")?.1.split_whitespace().collect();
    let ticks: f64 = fields[11].parse::<f64>()? + fields[12].parse::<f64>()?;
    let status = std::fs::read_to_string(format!("/proc/{process}/status"))?;
    let resident = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    let kilobytes: f64 =
        resident.and_then(|rest| rest.split_whitespace().next()).context("no VmRSS")?.parse()?;
    Ok((ticks / TICKS, kilobytes / 1024.0))
}

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let asked = |name: &str| -> Result<Option<u64>> {
        let place = arguments.iter().position(|argument| argument == name);
        let value = place.and_then(|place| arguments.get(place + 1));
        Ok(value.map(|value| value.parse()).transpose()?)
    };
    let long = arguments.iter().any(|argument| argument == "--long");
    let seconds = asked("--seconds")?.unwrap_or(if long { 600 } else { 30 });
    let channels = usize::try_from(asked("--channels")?.unwrap_or(128))?;
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("load.toml");
    std::fs::write(&path, config(channels))?;
    let out = folder.path().join("session");
    let (path, out) = (path.to_string_lossy(), out.to_string_lossy());
    let words = ["monitor", "-c", &path, "--out", &out];
    let places = ["--listen", "127.0.0.1:0", "--stream", "127.0.0.1:0"];
    let (running, found) =
        start(&[&words[..], &places].concat(), &["page on http://", "stream on "])?;
    let process = running.0.id();
    let mut link = greet(&found[1], hello(channels))?;
    let bytes = noise(channels);
    let most = NonZeroU32::new(u32::try_from(FRAME_SETS)?).context("not zero")?;
    let mut memory = Vec::new();
    let pulses = 2 * seconds;
    let (begun, (before_s, _)) = (Instant::now(), used(process)?);
    let mut late = Duration::ZERO;
    for number in 0..pulses {
        let due = begun + PERIOD * u32::try_from(number)?;
        late = late.max(Instant::now().saturating_duration_since(due));
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        let tag = tag(number);
        for from in (0..SETS).step_by(FRAME_SETS) {
            let last = from + FRAME_SETS == SETS;
            let offset = u64::try_from(from)?;
            let frame = Frame { tag: Arc::clone(&tag), offset, bytes: bytes.clone(), last };
            link.sender.samples(&frame, most)?;
            link.write()?;
        }
        memory.push(used(process)?.1);
    }
    let (after_s, _) = used(process)?;
    let took_s = begun.elapsed().as_secs_f64();
    let totals = link.end()?;
    let megabytes = (pulses as f64) * (SETS * channels * 2) as f64 / 1e6;
    let part = |share: usize| memory[(memory.len() * share / 100).min(memory.len() - 1)];
    let peak = memory.iter().copied().fold(0.0, f64::max);
    writeln!(
        std::io::stdout(),
        "{channels} channels, {pulses} pulses of 11 ms in {took_s:.1} s, {:.1} MB/s, sender at most {:.0} ms late\n\
         the monitor says: {totals}\n\
         daemon: {:.2} of one core; resident {:.0} MB after a tenth, {:.0} MB halfway, {:.0} MB at the end, {peak:.0} MB at most",
        megabytes / took_s,
        late.as_secs_f64() * 1e3,
        (after_s - before_s) / took_s,
        part(10),
        part(50),
        part(100),
    )?;
    Ok(())
}
