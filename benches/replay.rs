//! How a replay's time and memory grow with samples and channels, with the program as it is built.
//!
//! `cargo bench --bench replay [-- --long]`: recordings of one stretch of noise, turned a little from
//! pulse to pulse, of 0.2, 0.4 and 0.8 GB, with `--long` up to 4 GB, of 1, 8 and 64 channels; each is replayed three times (once above 1 GB). Prints the
//! median time, what a gigabyte takes against the smallest recording of as many channels, and the
//! largest resident memory. Linux only: it reads /proc.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use simmer::engine::{DeviceNanos, PulseTag, SampleIndex, Stage, Stream};
use simmer::ingest::SigmfWriter;
use simmer::signal::SampleFormat;

const RATE_HZ: f64 = 20e6;
/// Sample sets of a record: 2 ms before the trigger, burst and ringing.
const SETS: usize = 130_000;
/// Pulses before the exposure.
const BASELINE: u64 = 6;

fn config(channels: usize) -> String {
    let example = include_str!("../config/bench-phantom.toml");
    let mut text = String::new();
    for line in example.lines() {
        let line = if line.starts_with("channels =") {
            format!("channels = {channels}")
        } else if line.starts_with("raw =") {
            "raw = false".to_owned()
        } else {
            line.to_owned()
        };
        // A string takes all that is written to it.
        writeln!(text, "{line}").ok();
    }
    text
}

fn tag(number: u64) -> PulseTag {
    PulseTag {
        number,
        first: SampleIndex(number * 4_000_000),
        time: Some(DeviceNanos(number * 200_000_000)),
        trigger_offset: None,
        drive_mpa: Some(0.2),
        drive_setting: None,
        target: "".into(),
        exposure: None,
        stage: if number < BASELINE { Stage::Baseline } else { Stage::Exposure },
        sham: false,
        lost_samples: 0,
    }
}

/// Writes a recording of so many pulses of invented noise.
fn record(base: &Path, channels: usize, pulses: u64) -> Result<()> {
    let stream = Stream {
        name: "noise".into(),
        sample_format: SampleFormat::Ri16Le,
        channels,
        sample_rate_hz: RATE_HZ,
        start: None,
        length: None,
    };
    let mut writer = SigmfWriter::create(base, &stream, &vec![6.103_515_625e-5; channels])?;
    let mut state = 0x9e37_79b9_u32;
    let mut bytes: Vec<u8> = (0..SETS * channels)
        .flat_map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (i16::try_from(state >> 22).unwrap_or(0) - 512).to_le_bytes()
        })
        .collect();
    for number in 0..pulses {
        bytes.rotate_left(2 * channels * 37);
        writer.pulse(&tag(number), &bytes)?;
    }
    writer.finish()?;
    Ok(())
}

/// Seconds that a replay takes, and its largest resident memory, MB.
fn replay(folder: &Path, round: usize) -> Result<(f64, f64)> {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_simmer"))
        .arg("replay")
        .arg("-c")
        .arg(folder.join("config.toml"))
        .arg("--out")
        .arg(folder.join(format!("session-{round}")))
        .arg(folder.join("noise.sigmf-meta"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()?;
    let (status, mut most) = (format!("/proc/{}/status", child.id()), 0.0_f64);
    let outcome = loop {
        if let Some(outcome) = child.try_wait()? {
            break outcome;
        }
        // It may have ended since.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let resident = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kilobytes = resident.and_then(|rest| rest.split_whitespace().next());
        most = most.max(kilobytes.map_or(Ok(0.0), str::parse)?);
        std::thread::sleep(Duration::from_millis(5));
    };
    if !outcome.success() {
        bail!("the replay ended with {outcome}");
    }
    Ok((begun.elapsed().as_secs_f64(), most / 1024.0))
}

fn main() -> Result<()> {
    let long = std::env::args().any(|argument| argument == "--long");
    let sizes: &[f64] = if long { &[0.4, 1.0, 4.0] } else { &[0.2, 0.4, 0.8] };
    let mut out = std::io::stdout();
    writeln!(out, "channels    GB  pulses   seconds   s/GB  against the first  resident MB")?;
    for channels in [1, 8, 64] {
        let mut first = None;
        for &gigabytes in sizes {
            let folder = tempfile::tempdir()?;
            std::fs::write(folder.path().join("config.toml"), config(channels))?;
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count")]
            let pulses = (gigabytes * 1e9 / (SETS * channels * 2) as f64).ceil() as u64;
            record(&folder.path().join("noise"), channels, pulses)?;
            let rounds = if gigabytes > 1.0 { 1 } else { 3 };
            let mut runs: Vec<(f64, f64)> =
                (0..rounds).map(|round| replay(folder.path(), round)).collect::<Result<_>>()?;
            runs.sort_by(|a, b| a.0.total_cmp(&b.0));
            let (seconds, _) = *runs.get(runs.len() / 2).context("a round")?;
            let resident = runs.iter().map(|run| run.1).fold(0.0, f64::max);
            let real = (usize::try_from(pulses)? * SETS * channels * 2) as f64 / 1e9;
            let per = seconds / real;
            let base = *first.get_or_insert(per);
            writeln!(
                out,
                "{channels:>8} {real:>5.2} {pulses:>7} {seconds:>9.2} {per:>6.2} {:>18.2} {resident:>12.0}",
                per / base
            )?;
        }
    }
    Ok(())
}
