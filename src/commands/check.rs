//! `simmer check`: what a configuration comes to, and what a recording is worth. No side effects.

use std::collections::BTreeSet;
use std::convert::Infallible;
use std::fmt::Write as _;
use std::path::PathBuf;

use super::draft;
use super::headroom;
use super::pulses::PulseOptions;
use super::replay::{default_workers, source};
use super::suspicion;
use super::tables;
use super::{Failure, Prepared, USAGE, give, prepare, say};
use crate::config::Level;
use crate::detect::{Session, Stage, alpha, pairs};
use crate::engine::{Judged, Sink, run};
use crate::ingest::Recording;
use crate::signal::bands::Line;
use crate::signal::interference::{notches_line, tones};
use crate::signal::plan::{level_sd_db, referenced_sd_db};
use crate::signal::{Heard, Plan, Quantity, Stretch, as_f64, decibels};
use crate::stats::{Reference, fisher_upper_quantile};

/// What to look at.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  simmer check -c demo-data/config.toml
  simmer check -c demo-data/config.toml demo-data/exposure.sigmf-meta
  simmer check --frequency-hz 0.7e6 demo-data/baseline.sigmf-meta")]
pub struct Check {
    /// Configuration (TOML); without one a first configuration is drafted from a recording
    #[arg(short, long, value_name = "CONFIG")]
    pub config: Option<PathBuf>,
    /// Sample rate, where the recording does not say
    #[arg(long, value_name = "HZ", conflicts_with = "config")]
    pub sample_rate_hz: Option<f64>,
    /// Drive frequency
    #[arg(long, value_name = "HZ", conflicts_with = "config")]
    pub frequency_hz: Option<f64>,
    /// Sample format, where the recording does not say: ri8, ri16_le, ri16_be, ri32_le, rf32_le, rf64_le
    #[arg(long, value_name = "FORMAT", conflicts_with = "config")]
    pub format: Option<String>,
    /// Where pulses lie and what they are for
    #[command(flatten)]
    pub pulses: PulseOptions,
    /// Recordings to look at
    #[arg(value_name = "RECORDING")]
    pub recordings: Vec<PathBuf>,
}

impl Check {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let Some(config) = &self.config else {
            let [recording] = self.recordings.as_slice() else {
                let why =
                    "without --config, check looks at one recording and drafts a configuration";
                return Err(Failure::new(USAGE, why));
            };
            give(&draft::draft(self, recording)?)?;
            return Ok(0);
        };
        let prepared = prepare(config)?;
        for warning in &prepared.plan.warnings {
            say(&prepared.loaded.diagnostic(Level::Warning, warning).to_string());
        }
        let mut text = plan_text(&prepared);
        if self.recordings.is_empty() {
            text.push_str(&headroom::text(&prepared)?);
        }
        for (index, path) in self.recordings.iter().enumerate() {
            let mut pulses = self.pulses.of(index, self.recordings.len())?;
            let said = !pulses.stage.is_empty() || !pulses.cues.is_empty();
            if pulses.stage.is_empty() {
                pulses.stage.push(Stage::Exposure);
            }
            let mut recordings = prepared.open(std::slice::from_ref(path), &pulses)?;
            if recordings[0].found && !said {
                let stage = "the pulses are of stage exposure; --stage or --cues says otherwise";
                recordings[0].assumed.push(stage.to_owned());
            }
            text.push_str(&recording_text(&prepared, recordings)?);
        }
        give(&text)?;
        Ok(0)
    }
}

/// Band plan and derived numbers.
fn plan_text(prepared: &Prepared) -> String {
    let mut text = String::new();
    for (label, words) in spectrum_facts(prepared).into_iter().chain(gate_facts(prepared)) {
        // Writing into a string cannot fail.
        writeln!(text, "{label:<14} {words}").ok();
    }
    bands_text(&prepared.plan, &mut text);
    tables::describe(prepared, &mut text);
    budget_text(prepared, &mut text);
    load_text(prepared, &mut text);
    text
}

fn spectrum_facts(prepared: &Prepared) -> Vec<(&'static str, String)> {
    let plan = &prepared.plan;
    let receive = &plan.spec.receive;
    let drive = &prepared.loaded.settings.drive;
    let window = plan.spec.spectrum.window;
    let enbw = window.noise_bandwidth_bins();
    let locked = if plan.bin_locked { "bin-locked" } else { "not bin-locked" };
    vec![
        (
            "drive",
            format!(
                "{} Hz, {} s bursts, {} a second",
                drive.frequency_hz, drive.pulse_s, drive.repetition_hz
            ),
        ),
        ("drive is", drive.drive_means.clone()),
        (
            "receive",
            format!(
                "{} channels used of {}{}, {} at {} samples a second",
                plan.used_channels.len(),
                receive.channels,
                plan.drive_monitor.map_or_else(String::new, |channel| format!(
                    ", channel {channel} the drive's monitor"
                )),
                receive.sample_format.name(),
                receive.sample_rate_hz
            ),
        ),
        (
            "segments",
            format!(
                "{} samples, {locked}, hop {}, {} a pulse, {} window",
                plan.segments.n,
                plan.segments.hop,
                plan.segments.count,
                window.name()
            ),
        ),
        (
            "bin width",
            format!("{} Hz, ENBW {enbw:.4} bins = {:.1} Hz", plan.bin_hz, enbw * plan.bin_hz),
        ),
    ]
}

fn gate_facts(prepared: &Prepared) -> Vec<(&'static str, String)> {
    let plan = &prepared.plan;
    let ends = |stretch: Stretch| {
        let end = stretch.start + i64::try_from(stretch.len).unwrap_or(i64::MAX);
        let ms = |samples: i64| 1e3 * signed(samples) / plan.spec.receive.sample_rate_hz;
        format!("{:.4} to {:.4} ms, {} samples", ms(stretch.start), ms(end), stretch.len)
    };
    let share = 100.0 * plan.gate_s() / prepared.loaded.settings.drive.pulse_s;
    let noise = plan.noise.as_ref().map_or_else(
        || "none: the broadband is unreferenced".to_owned(),
        |noise| {
            let segments = noise.segments;
            format!("{}, {} segments of {} samples", ends(noise.gate), segments.count, segments.n)
        },
    );
    let mut facts = vec![
        ("gate", format!("{} after the trigger, {share:.1} % of the burst", ends(plan.gate))),
        ("noise gate", noise),
    ];
    facts.extend(plan.feed_through.map(|stretch| ("feed-through", ends(stretch))));
    facts
}

#[allow(clippy::cast_precision_loss, reason = "sample counts stay far below 2^53")]
const fn signed(samples: i64) -> f64 {
    samples as f64
}

fn bands_text(plan: &Plan, text: &mut String) {
    text.push_str("\nband plan\nquantity        order     from Hz       to Hz  bins  flank bins      2K  2K flanks  SD dB\n");
    let mut line = |name: &str, line: &Line, k: f64, flanks: f64| {
        let last = as_f64(line.bins.end.saturating_sub(1)) * plan.bin_hz;
        writeln!(
            text,
            "{name:<14}  {:>5}  {:>10}  {last:>10}  {:>4}  {:>10}  {:>6.1}  {:>9.1}  {:>5.3}",
            line.order(),
            as_f64(line.bins.start) * plan.bin_hz,
            line.bins.len(),
            line.flank_bins(),
            2.0 * k,
            2.0 * flanks,
            level_sd_db(k),
        )
        .ok();
    };
    for quantity in Quantity::ALL {
        let range = plan.bands.of[quantity as usize].clone();
        for i in range {
            let (k, flanks) = (plan.freedom.lines[i], plan.freedom.flanks[i]);
            line(quantity.name(), &plan.bands.lines[i], k, flanks);
        }
    }
    for run in &plan.bands.broadband {
        writeln!(
            text,
            "{:<14}  {:>5}  {:>10}  {:>10}  {:>4}",
            "broadband",
            "",
            as_f64(run.start) * plan.bin_hz,
            as_f64(run.end - 1) * plan.bin_hz,
            run.len()
        )
        .ok();
    }
    for quantity in Quantity::ALL.into_iter().filter(|q| plan.bands.bins_of(*q) > 0) {
        let k = plan.freedom.of(quantity, &plan.bands);
        let sd = level_sd_db(k);
        writeln!(
            text,
            "{:<14}  all together: {} bins, {:.1} degrees of freedom on a white floor, SD {sd:.4} dB",
            quantity.name(),
            plan.bands.bins_of(quantity),
            2.0 * k
        )
        .ok();
    }
    if let Some(k) = plan.freedom.noise {
        let own = plan.freedom.broadband;
        let sd = referenced_sd_db(own, k);
        writeln!(text, "broadband over noise gate: SD {sd:.4} dB on a white floor").ok();
    }
}

fn budget_text(prepared: &Prepared, text: &mut String) {
    let spec = &prepared.loaded.settings.detect;
    let channels = prepared.plan.used_channels.len();
    let alpha = alpha(spec, channels);
    writeln!(
        text,
        "\nbudget         q = {} false verdicts an exposure of {} pulses, B = {} pairs{}, alpha = {alpha:.4e} a test",
        spec.false_alarms_per_exposure,
        spec.expected_pulses,
        pairs(spec, channels),
        if spec.running_pulse { ", each looked at four times" } else { "" }
    )
    .ok();
    let rules: BTreeSet<(u32, u32)> =
        spec.rule.iter().map(|(_, rule)| (rule.needed, rule.of)).collect();
    for n in [10, 30, 60, 100] {
        let Some(reference) = Reference::independent(n, 0.0, 1.0) else { continue };
        let factors: Vec<String> = rules
            .iter()
            .map(|&(needed, of)| {
                format!("{:.3} SD ({needed} of {of})", reference.rule_factor(needed, of, alpha))
            })
            .collect();
        writeln!(
            text,
            "               {n:>3} baseline pulses without correlation: limit at mean + {}",
            factors.join(", ")
        )
        .ok();
    }
    for quantity in [Quantity::Ultraharmonic, Quantity::Subharmonic] {
        let plan = &prepared.plan;
        let (lines, flanks) = (
            2.0 * plan.freedom.of(quantity, &plan.bands),
            2.0 * plan.freedom.of_flanks(quantity, &plan.bands),
        );
        if lines > 0.0 && flanks > 0.0 {
            let limit = decibels(fisher_upper_quantile(alpha, lines, flanks)).unwrap_or(f64::NAN);
            writeln!(
                text,
                "               {} without a baseline: contrast over {:.3} dB (F test and allowance)",
                quantity.name(),
                limit + spec.floor_allowance_db
            )
            .ok();
        }
    }
}

fn load_text(prepared: &Prepared, text: &mut String) {
    let plan = &prepared.plan;
    let receive = &plan.spec.receive;
    let channels = as_f64(receive.channels);
    let noise = plan.noise.as_ref().map_or(0, |n| n.gate.len);
    let a_pulse = as_f64(plan.gate.len + noise) * as_f64(plan.used_channels.len());
    let repetition = prepared.loaded.settings.drive.repetition_hz;
    let ear_bytes = 4.0 * (as_f64(plan.gate.len + noise) + 5.0 * as_f64(plan.segments.n));
    writeln!(
        text,
        "load           {:.3} MS/s analysed of {:.3} MS/s on the line, about {:.1} MB for each pulse under way",
        a_pulse * repetition / 1e6,
        receive.sample_rate_hz * channels / 1e6,
        ear_bytes * as_f64(plan.used_channels.len()) / 1e6
    )
    .ok();
    writeln!(text, "transforms     {}", crate::signal::transform_path()).ok();
}

/// What one channel of a recording showed.
#[derive(Default, Clone)]
struct ChannelLook {
    pulses: usize,
    void: usize,
    clipped: usize,
    dead: usize,
    worst_share: f64,
    peak: f64,
    offset: f64,
    noise: Vec<f64>,
    drive_hz: Vec<f64>,
    /// Sum of the gates' spectra of pulses with drive.
    driven: Vec<f64>,
    quiet: Vec<f64>,
    quiet_pulses: usize,
    quiet_is_gate: bool,
}

impl ChannelLook {
    /// Sums spectra without drive: the gate of stage noise where there is one, else noise gates.
    fn add_quiet(&mut self, spectrum: &[f32], is_gate: bool) {
        if is_gate && !self.quiet_is_gate {
            self.quiet.clear();
            self.quiet_pulses = 0;
            self.quiet_is_gate = true;
        }
        if is_gate != self.quiet_is_gate || spectrum.is_empty() {
            return;
        }
        self.quiet.resize(spectrum.len(), 0.0);
        for (sum, s) in self.quiet.iter_mut().zip(spectrum) {
            *sum += f64::from(*s);
        }
        self.quiet_pulses += 1;
    }
}

struct Looker {
    channels: Vec<ChannelLook>,
}

impl Sink for Looker {
    type Error = Infallible;

    fn take(&mut self, judged: &Judged) -> Result<(), Infallible> {
        let Some(pulse) = &judged.pulse else { return Ok(()) };
        for (look, reading) in self.channels.iter_mut().zip(&judged.readings) {
            look.pulses += 1;
            let Heard::Measured(m) = reading.heard() else {
                look.void += 1;
                continue;
            };
            look.clipped += usize::from(m.clipped);
            look.dead += usize::from(m.dead);
            look.worst_share = look.worst_share.max(m.clipped_share);
            look.peak = look.peak.max(m.peak_share);
            look.offset += m.mean_counts;
            look.noise.extend(m.noise_v2_per_hz);
            if pulse.stage == Stage::Noise {
                look.add_quiet(&reading.spectrum, true);
            } else {
                look.drive_hz.extend(m.drive_hz);
                look.driven.resize(reading.spectrum.len(), 0.0);
                for (sum, s) in look.driven.iter_mut().zip(&reading.spectrum) {
                    *sum += f64::from(*s);
                }
                look.add_quiet(&reading.noise_spectrum, false);
            }
        }
        Ok(())
    }
}

fn recording_text(prepared: &Prepared, recordings: Vec<Recording>) -> Result<String, Failure> {
    let settings = &prepared.loaded.settings;
    let name = recordings[0].path.display().to_string();
    let mut about = String::new();
    for assumed in &recordings[0].assumed {
        // Writing into a string cannot fail.
        writeln!(about, "  assumed        {assumed}").ok();
    }
    about.push_str(&suspicion::text(prepared, &recordings[0])?);
    let session = Session::new(&prepared.plan, &settings.detect, &[], None);
    let mut looker =
        Looker { channels: vec![ChannelLook::default(); prepared.plan.used_channels.len()] };
    let source = |buffers| source(recordings, None, buffers);
    let finished = run(&prepared.plan, session, default_workers(), source, &mut looker)?;
    let mut text = format!("\n{name}: {} pulses\n", finished.account.pulses);
    text.push_str(&about);
    for (look, &channel) in looker.channels.iter().zip(&prepared.plan.used_channels) {
        channel_text(prepared, channel, look, &mut text);
    }
    Ok(text)
}

fn channel_text(prepared: &Prepared, channel: usize, look: &ChannelLook, text: &mut String) {
    let plan = &prepared.plan;
    let heard = as_f64(look.pulses - look.void).max(1.0);
    let headroom = decibels(1.0 / (look.peak * look.peak)).unwrap_or(f64::INFINITY);
    // Writing into a string cannot fail.
    writeln!(text, "channel {channel}").ok();
    writeln!(text, "  headroom       {headroom:.1} dB to full scale; clipped in {} of {} pulses, worst share {:.2e}", look.clipped, look.pulses, look.worst_share).ok();
    let volts = plan.spec.receive.volts_per_count[channel];
    writeln!(
        text,
        "  offset         {:.2} counts = {:.3e} V",
        look.offset / heard,
        look.offset / heard * volts
    )
    .ok();
    let [low, high] = plan.spec.receive.full_scale_counts;
    let share = (2.0 * look.offset / heard / (high - low)).abs();
    if share > 0.02 {
        writeln!(text, "  suspicious     the offset is {:.1} % of full scale: is zero where the file has it, or are the counts unsigned?", 100.0 * share).ok();
    }
    if look.void + look.dead > 0 {
        writeln!(text, "  without numbers in {} pulses, dead in {}", look.void, look.dead).ok();
    }
    if !look.noise.is_empty() {
        let mean = look.noise.iter().sum::<f64>() / as_f64(look.noise.len());
        writeln!(
            text,
            "  noise density  {mean:.4e} V2/Hz = {:.3} nV/sqrt(Hz) in the noise gate",
            1e9 * mean.sqrt()
        )
        .ok();
    }
    if !look.drive_hz.is_empty() {
        let mean = look.drive_hz.iter().sum::<f64>() / as_f64(look.drive_hz.len());
        let f0 = plan.spec.drive_frequency_hz;
        writeln!(text, "  drive          measured {:.6} MHz, configured {:.6} MHz, offset {:+.1} Hz, in {} of {} pulses", mean / 1e6, f0 / 1e6, mean - f0, look.drive_hz.len(), look.pulses).ok();
    }
    if look.drive_hz.is_empty() {
        line_text(prepared, look, text);
    }
    quiet_text(prepared, look, text);
}

/// Where no pulse has a line near the drive: the line that is there, and what rate would explain it.
fn line_text(prepared: &Prepared, look: &ChannelLook, text: &mut String) {
    /// Below this bin lie offset and hum.
    const FIRST: usize = 4;
    let plan = &prepared.plan;
    let (rate, f0) = (plan.spec.receive.sample_rate_hz, plan.spec.drive_frequency_hz);
    let Some(bins) = look.driven.get(FIRST..) else { return };
    let highest = (0..bins.len()).max_by(|a, b| bins[*a].total_cmp(&bins[*b]));
    let mut sorted = bins.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (Some(at), Some(median)) = (highest, sorted.get(sorted.len() / 2)) else { return };
    if bins[at] < 100.0 * median {
        text.push_str("  drive          no line of it in any pulse\n");
        return;
    }
    let line_hz = as_f64(at + FIRST) * plan.bin_hz;
    // Writing into a string cannot fail.
    writeln!(
        text,
        "  suspicious     no line within 10 % of the drive's {:.6} MHz, the strongest is at {:.6} MHz; \
         if that is the drive, the samples came at {:.6} MS/s, not {:.6}",
        f0 / 1e6,
        line_hz / 1e6,
        rate * f0 / line_hz / 1e6,
        rate / 1e6
    )
    .ok();
}

fn quiet_text(prepared: &Prepared, look: &ChannelLook, text: &mut String) {
    let plan = &prepared.plan;
    if look.quiet_pulses == 0 {
        text.push_str("  tones          no stretch without drive to look at\n");
        return;
    }
    let pulses = as_f64(look.quiet_pulses);
    let mean: Vec<f64> = look.quiet.iter().map(|sum| sum / pulses).collect();
    let (bin_hz, segments) = match (&plan.noise, look.quiet_is_gate) {
        (Some(noise), false) => (noise.bin_hz, noise.segments.count),
        _ => (plan.bin_hz, plan.segments.count),
    };
    let dof = (as_f64(segments) * pulses).max(1.0);
    let threshold = fisher_upper_quantile(1e-3 / as_f64(mean.len()), dof, 20.0 * dof);
    let found = tones(&mean, bin_hz, threshold);
    let place = if look.quiet_is_gate { "pulses of stage noise" } else { "the noise gates" };
    if found.is_empty() {
        writeln!(
            text,
            "  tones          none that stay without drive, in {place} of {} pulses",
            look.quiet_pulses
        )
        .ok();
        return;
    }
    for tone in &found {
        let excess = decibels(tone.excess).unwrap_or(f64::NAN);
        writeln!(
            text,
            "  tone           {:.4} to {:.4} MHz, {excess:.1} dB over its neighbours, in {place}",
            tone.low_hz / 1e6,
            tone.high_hz / 1e6
        )
        .ok();
    }
    let mut spec = plan.spec.clone();
    let (mut fitting, mut hidden) = (Vec::new(), Vec::new());
    for tone in found {
        spec.bands.notches_hz = vec![[tone.low_hz, tone.high_hz]];
        if Plan::new(&spec).is_ok() { fitting.push(tone) } else { hidden.push(tone) }
    }
    if !fitting.is_empty() {
        writeln!(text, "  ready to paste {}", notches_line(&fitting)).ok();
    }
    for tone in hidden {
        writeln!(text, "  the tone at {:.4} MHz lies inside a line; leave that line out or remove the tone at its source", 0.5e-6 * (tone.low_hz + tone.high_hz)).ok();
    }
}
