//! A first configuration from a recording alone: what can be seen is filled in, what decides an alarm
//! is marked for a person to decide.

use std::path::Path;

use super::check::Check;
use super::{Failure, USAGE, say};
use crate::engine::{Input, Stage};
use crate::ingest::{
    Arrangement, DEFAULT_BLOCK_BYTES, Expect, Hints, Look, Pulse, Recording, Source,
};
use crate::signal::{SampleFormat, as_f64, pcm};

/// Most sample sets of the first pulse that are looked at.
const MOST_SAMPLES: usize = 1 << 22;

/// Where the burst lies in the first pulse, s after its first sample.
struct Burst {
    start_s: f64,
    end_s: f64,
}

/// The text of a first configuration.
pub(super) fn draft(asked: &Check, path: &Path) -> Result<String, Failure> {
    let look = Recording::look(path)?;
    for warning in &look.warnings {
        say(&format!("warning: {}: {warning}", path.display()));
    }
    for assumed in &look.assumed {
        say(&format!("assumed: {}: {assumed}", path.display()));
    }
    let needed = |what: &str, option: &str| {
        Failure::new(
            USAGE,
            format!("{}: the recording does not say its {what}; give {option}", path.display()),
        )
    };
    let named = match asked.format.as_deref() {
        Some(name) => Some(SampleFormat::from_name(name).ok_or_else(|| {
            let known: Vec<&str> = SampleFormat::ALL.into_iter().map(SampleFormat::name).collect();
            Failure::new(USAGE, format!("--format is {name}, one of {} is read", known.join(" ")))
        })?),
        None => None,
    };
    let format = look.sample_format.or(named).ok_or_else(|| needed("sample format", "--format"))?;
    let rate = look
        .sample_rate_hz
        .or(asked.sample_rate_hz)
        .ok_or_else(|| needed("sample rate", "--sample-rate-hz"))?;
    let drive = asked.frequency_hz.ok_or_else(|| needed("drive frequency", "--frequency-hz"))?;
    if !(drive > 0.0 && rate > 0.0 && drive < rate / 2.0) {
        return Err(Failure::new(
            USAGE,
            format!("--frequency-hz is {drive}, it must lie between 0 and fs/2 = {}", rate / 2.0),
        ));
    }
    let channels = look.channels.unwrap_or(1);
    let burst = find_burst(path, &look, format, rate, channels)?;
    let seen = Seen { look: &look, format, rate, drive, channels, burst };
    Ok(seen.text(&path.file_name().unwrap_or_default().to_string_lossy()))
}

/// Finds the burst by its envelope: blocks of 1/20 ms against the quietest of them.
fn find_burst(
    path: &Path,
    look: &Look,
    format: SampleFormat,
    rate: f64,
    channels: usize,
) -> Result<Option<Burst>, Failure> {
    let place = |p: &Pulse| p.tag.stage != Stage::Noise;
    let Some(at) = look.pulses.iter().position(place) else { return Ok(None) };
    let expect = Expect {
        source: path.display().to_string(),
        sample_format: format,
        channels,
        sample_rate_hz: rate,
        volts_per_count: look.volts_per_count.clone().unwrap_or_else(|| vec![1.0; channels]),
        arrangement: Arrangement::default(),
    };
    let mut recording = Recording::open_with(
        path,
        &expect,
        &Hints { stage: Some(Stage::Exposure), ..Hints::default() },
    )?;
    recording.pulses = vec![recording.pulses[at].clone()];
    let (mut x, mut planar) = (Vec::new(), Vec::new());
    for item in Source::new(vec![recording], DEFAULT_BLOCK_BYTES, Vec::new)? {
        let Input::Frame(frame) = item? else { continue };
        pcm::to_planar(format, channels, &[0], &frame.bytes, &mut planar);
        x.extend_from_slice(&planar);
        if x.len() >= MOST_SAMPLES {
            break;
        }
    }
    let block = blocks_of(rate);
    let power: Vec<f64> = x
        .chunks_exact(block)
        .map(|b| {
            let mean = b.iter().copied().map(f64::from).sum::<f64>() / as_f64(block);
            b.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / as_f64(block)
        })
        .collect();
    let quietest = power.iter().copied().fold(f64::INFINITY, f64::min);
    let loudest = power.iter().copied().fold(0.0, f64::max);
    if power.len() < 4 || loudest < 9.0 * quietest {
        return Ok(None);
    }
    let level = (quietest.max(loudest * 1e-12) * loudest).sqrt();
    let first = power.iter().position(|&p| p > level).unwrap_or(0);
    let last = power.iter().rposition(|&p| p > level).unwrap_or(0);
    let at = |k: usize| as_f64(k * block) / rate;
    Ok(Some(Burst { start_s: at(first), end_s: at(last + 1) }))
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a rate is positive; the cast saturates and is held above 8"
)]
fn blocks_of(rate: f64) -> usize {
    ((rate / 20e3) as usize).max(8)
}

/// What was seen, ready to be written down.
struct Seen<'a> {
    look: &'a Look,
    format: SampleFormat,
    rate: f64,
    drive: f64,
    channels: usize,
    burst: Option<Burst>,
}

impl Seen<'_> {
    /// The whole configuration; `name` is the recording's.
    fn text(&self, name: &str) -> String {
        format!(
            "# First configuration for {name}, made from what the recording shows.\n\
             # Every line marked DECIDE needs a person; nothing here was tuned.\n# {}\n\n{}\n{}\n{}\n{}",
            crate::CAUTION,
            self.drive_section(),
            self.receive_section(),
            self.bands_section(),
            self.detect_section(),
        )
    }

    /// Start and end of the burst after the record's start, s.
    fn burst_s(&self) -> (f64, f64) {
        let pulse = self.look.pulses.first().map(|pulse| pulse.samples);
        let record_s = whole(pulse.or(self.look.samples).unwrap_or(0)) / self.rate;
        let least_s = 64.0 / self.rate;
        self.burst.as_ref().map_or((0.0, record_s.max(least_s)), |b| (b.start_s, b.end_s))
    }

    const fn seen(&self) -> &'static str {
        if self.burst.is_some() {
            "from the envelope of the first pulse"
        } else {
            "DECIDE: no burst was found"
        }
    }

    fn drive_section(&self) -> String {
        let (start_s, end_s) = self.burst_s();
        format!(
            r#"[drive]
frequency_hz = {:e}
pulse_s = {:e}          # {}
repetition_hz = {:e}
drive_tolerance = 0.05         # DECIDE: drives match within this share
drive_means = "not stated"     # DECIDE: what drive_mpa stands for, with its calibration
missing_after_periods = 2.5    # DECIDE
"#,
            self.drive,
            end_s - start_s,
            self.seen(),
            repetition(self.look, self.rate).unwrap_or(1.0),
        )
    }

    fn receive_section(&self) -> String {
        let (start_s, end_s) = self.burst_s();
        let burst_s = end_s - start_s;
        let [low, high] = self.look.full_scale_counts.unwrap_or(full_scale(self.format));
        let volts = self.look.volts_per_count.as_ref().map_or_else(
            || {
                "1.0   # DECIDE: the recording does not say; with 1.0 all powers are in counts"
                    .into()
            },
            |list| format!("{list:?}"),
        );
        let noise = if start_s > 0.2e-3 {
            format!(
                "noise_gate_start_s = {:e}\nnoise_gate_end_s = {:e}\n",
                0.05e-3 - start_s,
                -0.05e-3
            )
        } else {
            "# no silence before the burst was found: the broadband will be unreferenced\n"
                .to_owned()
        };
        format!(
            r#"[receive]
sample_rate_hz = {:e}
channels = {}
sample_format = "{}"
volts_per_count = {volts}
full_scale_counts = [{low}, {high}]   # DECIDE: the converter's own range
gain_db = 0.0                  # DECIDE: for the record; a change voids the baseline
pretrigger_s = {start_s:e}     # {}
gate_start_s = {:e}
gate_end_s = {:e}
{noise}unused_channels = []
"#,
            self.rate,
            self.channels,
            self.format.name(),
            self.seen(),
            0.05 * burst_s,
            0.97 * burst_s,
        )
    }

    /// Orders from `first` in whole steps that stay below 0.9 of fs/2.
    fn orders(&self, first: f64) -> Vec<String> {
        let top = 0.45 * self.rate;
        (0..3_u8)
            .map(|step| first + f64::from(step))
            .filter(|h| (h + 0.25) * self.drive < top)
            .map(|h| h.to_string())
            .collect()
    }

    fn bands_section(&self) -> String {
        let (start_s, end_s) = self.burst_s();
        let resolution = (self.drive / 140.0).max(8.0 / (0.92 * (end_s - start_s)).max(1e-6));
        format!(
            r#"[spectrum]
resolution_hz = {resolution:e}
window = "hann"
overlap = 0.5

[bands]
harmonics = [{}]
ultraharmonics = [{}]
subharmonic = true
line_half_width_hz = {:e}
guard_half_width_hz = {:e}
flank_half_width_hz = {:e}
broadband_hz = [[{:e}, {:e}]]   # DECIDE: where the receiver is sensitive
notches_hz = []
"#,
            self.orders(2.0).join(", "),
            self.orders(1.5).join(", "),
            3.0 * resolution,
            12.0 * resolution,
            30.0 * resolution,
            1.5 * self.drive,
            0.45 * self.rate,
        )
    }

    fn detect_section(&self) -> String {
        let stable = if self.orders(1.5).is_empty() {
            "\"subharmonic\""
        } else {
            "\"ultraharmonic\", \"subharmonic\""
        };
        format!("[detect]\nstable_from = [{stable}]   # DECIDE\n{DETECT_AND_ALARM}")
    }
}

/// What decides verdicts and alarms: a start, for a person to decide.
const DETECT_AND_ALARM: &str = r#"false_alarms_per_exposure = 0.01   # DECIDE: chance of any false verdict in one exposure
expected_pulses = 600              # DECIDE: pulses of one exposure
rule = { harmonic = "1 of 1", ultraharmonic = "2 of 3", subharmonic = "2 of 3", broadband = "1 of 1" }   # DECIDE
floor_allowance_db = 0.5           # DECIDE
repeatability_db = { harmonic = 1.5, ultraharmonic = 0.0, subharmonic = 0.0, broadband = 0.1 }   # DECIDE: measure with simmer baseline --repeat
sign_of_life = "fundamental"       # DECIDE
fundamental_drop_db = 3.0          # DECIDE
noise_drift_db = 1.0               # DECIDE
channels_needed = 1                # DECIDE

[[alarm]]                          # DECIDE: at least who is told, and how
name = "inertial"
severity = "stop"
quantity = "broadband"
limit = "budget"
hold_s = 1.0
latch = true
sinks = ["page", "events"]
"#;

fn whole(count: u64) -> f64 {
    as_f64(usize::try_from(count).unwrap_or(usize::MAX))
}

/// Median distance of pulses, as a rate.
fn repetition(look: &Look, rate: f64) -> Option<f64> {
    let time = |p: &crate::ingest::Pulse| {
        p.tag.time.map_or_else(|| whole(p.tag.first.0) / rate, |ns| whole(ns.0) / 1e9)
    };
    let mut gaps: Vec<f64> =
        look.pulses.windows(2).map(|pair| time(&pair[1]) - time(&pair[0])).collect();
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() / 2).filter(|gap| **gap > 0.0).map(|gap| 1.0 / gap)
}

const fn full_scale(format: SampleFormat) -> [i64; 2] {
    match format {
        SampleFormat::Ri8 => [-128, 127],
        SampleFormat::Ri16Le | SampleFormat::Ri16Be => [-32768, 32767],
        SampleFormat::Ri32Le => [-2_147_483_648, 2_147_483_647],
        SampleFormat::Rf32Le | SampleFormat::Rf64Le => [-1, 1],
    }
}
