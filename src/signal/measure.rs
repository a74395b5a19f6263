//! Powers of a pulse from its spectrum and samples.
//!
//! P = Σ S·Δf of a line or quantity (V²); net line power P − bins·Δf·(mean S of the flanks), signed;
//! line contrast P/(bins·Δf·mean S of the flanks), which no change of gain can move. Detection level
//! λ in dB: of a line quantity the mean over its lines of 10·log10 of the contrast; of the broadband
//! 10·log10 of its density over the same pulse's density in the noise gate, or without a noise gate
//! its own level 10·log10 P.

use std::ops::Range;

use super::bands::{self, Grid, Line};
use super::ear::quarter_end;
use super::plan::{Plan, single};
use super::watch::Watch;
use super::{PerQuantity, Quantity, as_f64, tone};

/// Contrast of the drive's line from which its frequency and constancy are looked at: 10 dB.
const DRIVE_CONTRAST: f64 = 10.0;

/// Why a pulse's numbers mean nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Void {
    /// Samples of the gate were lost.
    SamplesLost,
    /// The gate holds a sample that is not a finite number.
    NotFinite,
    /// The record does not reach over the whole gate.
    GateIncomplete,
}

/// Power of one line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinePower {
    /// The line, in halves of the drive frequency.
    pub halves: u32,
    /// P, V².
    pub power_v2: f64,
    /// Mean density of its flanks, V²/Hz; nothing without flanks.
    pub flank_v2_per_hz: Option<f64>,
    /// bins·Δf of the line, Hz.
    pub width_hz: f64,
}

impl LinePower {
    /// What the flanks say the line would hold without a line, V².
    #[must_use]
    pub fn floor_v2(&self) -> Option<f64> {
        self.flank_v2_per_hz.map(|density| density * self.width_hz)
    }

    /// Line contrast, a ratio; nothing without flanks or on an empty floor.
    #[must_use]
    pub fn contrast(&self) -> Option<f64> {
        self.floor_v2().map(|floor| self.power_v2 / floor).filter(|ratio| ratio.is_finite())
    }
}

/// One quantity of one pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// P, V².
    pub power_v2: f64,
    /// Net line power (lines) or P (broadband), V².
    pub net_v2: f64,
    /// Mean density over its bins, V²/Hz.
    pub density_v2_per_hz: f64,
    /// 10·log10 P, dB re 1 V²; nothing when P is not positive.
    pub level_db: Option<f64>,
    /// λ, dB; nothing when it cannot be formed.
    pub lambda_db: Option<f64>,
    /// ΣP over Σ of the flanks' floor, a ratio; nothing for broadband or without flanks.
    pub over_floor: Option<f64>,
}

/// λ after a quarter, two and three of the gate's segments, dB.
pub type Running = [PerQuantity<Option<f64>>; 3];

/// The loudest quarter of the gate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quarter {
    /// Broadband density in it, V²/Hz.
    pub v2_per_hz: f64,
    /// Its start after the trigger, s.
    pub start_s: f64,
}

/// All that is measured of one channel of one pulse.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Measured {
    /// Each quantity; nothing for one that is not looked at.
    pub bands: PerQuantity<Option<Band>>,
    /// Each line, as in [`bands::Bands::lines`].
    pub lines: Vec<LinePower>,
    /// Power of the drive's own line, V².
    pub fundamental_v2: f64,
    /// Contrast of the drive's own line, a ratio.
    pub fundamental_contrast: Option<f64>,
    /// Mean density in the noise gate's band, V²/Hz.
    pub noise_v2_per_hz: Option<f64>,
    /// Measured drive frequency, Hz; nothing when the drive does not stand out by 10 dB.
    pub drive_hz: Option<f64>,
    /// Drive's tone over the whole gate, V².
    pub gate_tone_v2: f64,
    /// Drive's tone in the gate's first third, V².
    pub first_third_v2: f64,
    /// Drive's tone in the gate's last third, V².
    pub last_third_v2: f64,
    /// Drive's tone from trigger to first arrival, V².
    pub feed_through_v2: Option<f64>,
    /// Share of the gate's samples at or beyond full scale.
    pub clipped_share: f64,
    /// Three clipped samples in a row, or a share above 1e-4.
    pub clipped: bool,
    /// No life in the converter: variance below q²/12, in float formats exactly 0.
    pub dead: bool,
    /// Mean of the gate's samples, counts.
    pub mean_counts: f64,
    /// Highest count over full scale, a share of the converter's range used.
    pub peak_share: f64,
    /// The loudest quarter.
    pub loudest_quarter: Option<Quarter>,
    /// λ of the segments so far after each of three quarters, dB; nothing where it is not looked at.
    pub running_db: Running,
}

impl Measured {
    /// Whether the drive's line stands out enough to judge its frequency and constancy.
    #[must_use]
    pub fn drive_stands_out(&self) -> bool {
        self.fundamental_contrast.is_some_and(|contrast| contrast >= DRIVE_CONTRAST)
    }
}

/// One channel of one pulse as the judge gets it.
#[derive(Debug, Clone, Default)]
pub struct ChannelReading {
    void: Option<Void>,
    measured: Measured,
    /// S over bins 0 … N/2, V²/Hz; empty when there are no numbers.
    pub spectrum: Vec<f32>,
    /// S of the noise gate over its own bins, V²/Hz; empty without a usable noise gate.
    pub noise_spectrum: Vec<f32>,
}

/// What a channel heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Heard<'a> {
    /// Numbers.
    Measured(&'a Measured),
    /// No numbers, and why.
    Void(Void),
}

impl ChannelReading {
    /// What was heard; the two cases cannot be mixed up.
    #[must_use]
    pub const fn heard(&self) -> Heard<'_> {
        match self.void {
            Some(why) => Heard::Void(why),
            None => Heard::Measured(&self.measured),
        }
    }

    pub(super) fn set_void(&mut self, why: Void) {
        self.void = Some(why);
    }

    /// A reading made from numbers directly, for tests and simulated series.
    #[must_use]
    pub const fn from_measured(measured: Measured) -> Self {
        Self { void: None, measured, spectrum: Vec::new(), noise_spectrum: Vec::new() }
    }

    /// A reading without numbers.
    #[must_use]
    pub fn from_void(why: Void) -> Self {
        Self { void: Some(why), ..Self::default() }
    }
}

/// What an ear has gathered of a whole gate.
pub(super) struct Raw<'a> {
    pub(super) spectrum: &'a [f64],
    pub(super) watch: &'a Watch,
    pub(super) feed: Option<&'a [f32]>,
    pub(super) noise_v2_per_hz: Option<f64>,
    /// Σ over broadband bins of the density summed over segments, at the end of each quarter.
    pub(super) broadband_sums: [f64; 4],
    pub(super) volts_per_count: f64,
    pub(super) running_db: Running,
}

pub(super) fn measure(plan: &Plan, raw: &Raw<'_>, out: &mut ChannelReading) {
    out.void = None;
    out.spectrum.extend(raw.spectrum.iter().map(|&s| single(s)));
    let square = raw.volts_per_count * raw.volts_per_count;
    let m = &mut out.measured;
    m.lines.clear();
    m.lines.extend(plan.bands.lines.iter().map(|line| line_power(plan, raw.spectrum, line)));
    m.noise_v2_per_hz = raw.noise_v2_per_hz;
    let lines = &m.lines;
    m.bands = PerQuantity::from_fn(|quantity| match quantity {
        Quantity::Broadband => broadband(plan, raw.spectrum, raw.noise_v2_per_hz),
        _ => line_band(&lines[plan.bands.of[quantity as usize].clone()]),
    });
    let fundamental = line_power(plan, raw.spectrum, &plan.bands.fundamental);
    m.fundamental_v2 = fundamental.power_v2;
    m.fundamental_contrast = fundamental.contrast();
    m.drive_hz = drive_frequency(plan, raw.spectrum);
    raw.watch.write(plan, square, m);
    m.feed_through_v2 =
        raw.feed.zip(plan.feed_tone.as_ref()).map(|(x, table)| square * table.power(x));
    m.loudest_quarter = loudest_quarter(plan, raw);
    m.running_db = raw.running_db;
}

pub(super) fn power(spectrum: &[f64], runs: &[Range<usize>]) -> f64 {
    runs.iter().map(|run| spectrum[run.clone()].iter().sum::<f64>()).sum()
}

fn line_power(plan: &Plan, spectrum: &[f64], line: &Line) -> LinePower {
    let bins = as_f64(line.bins.len());
    let flanks = line.flank_bins();
    LinePower {
        halves: line.halves,
        power_v2: power(spectrum, std::slice::from_ref(&line.bins)) * plan.bin_hz,
        flank_v2_per_hz: (flanks > 0).then(|| power(spectrum, &line.flanks) / as_f64(flanks)),
        width_hz: bins * plan.bin_hz,
    }
}

/// 10·log10, nothing when there is no power.
#[must_use]
pub fn decibels(ratio: f64) -> Option<f64> {
    let level = 10.0 * libm::log10(ratio);
    level.is_finite().then_some(level)
}

fn line_band(lines: &[LinePower]) -> Option<Band> {
    if lines.is_empty() {
        return None;
    }
    let power_v2: f64 = lines.iter().map(|line| line.power_v2).sum();
    let width_hz: f64 = lines.iter().map(|line| line.width_hz).sum();
    let floor_v2: f64 = lines.iter().filter_map(LinePower::floor_v2).sum();
    let with_floor: f64 =
        lines.iter().filter(|l| l.flank_v2_per_hz.is_some()).map(|l| l.power_v2).sum();
    Some(Band {
        power_v2,
        net_v2: power_v2 - floor_v2,
        density_v2_per_hz: power_v2 / width_hz,
        level_db: decibels(power_v2),
        lambda_db: mean_contrast_db(lines),
        over_floor: (floor_v2 > 0.0).then(|| with_floor / floor_v2),
    })
}

/// Mean over the lines with flanks of 10·log10 of their contrast; nothing when one is not finite.
fn mean_contrast_db(lines: &[LinePower]) -> Option<f64> {
    let mut sum = 0.0;
    let mut count = 0.0;
    for line in lines.iter().filter(|line| line.flank_v2_per_hz.is_some()) {
        sum += decibels(line.contrast()?)?;
        count += 1.0;
    }
    (count > 0.0).then(|| sum / count)
}

/// λ of the segments so far, from their density in counts²/Hz.
pub(super) fn running_db(
    plan: &Plan,
    spectrum: &[f64],
    noise_per_hz: Option<f64>,
) -> PerQuantity<Option<f64>> {
    PerQuantity::from_fn(|quantity| match quantity {
        Quantity::Broadband => broadband(plan, spectrum, noise_per_hz)?.lambda_db,
        _ => {
            let lines = plan.bands.lines_of(quantity).iter();
            mean_contrast_db(&lines.map(|l| line_power(plan, spectrum, l)).collect::<Vec<_>>())
        }
    })
}

fn broadband(plan: &Plan, spectrum: &[f64], noise_v2_per_hz: Option<f64>) -> Option<Band> {
    let bins = as_f64(plan.bands.bins_of(Quantity::Broadband));
    if bins < 1.0 {
        return None;
    }
    let sum = power(spectrum, &plan.bands.broadband);
    let power_v2 = sum * plan.bin_hz;
    let density = sum / bins;
    let level_db = decibels(power_v2);
    let lambda_db = match (&plan.noise, noise_v2_per_hz) {
        (None, _) => level_db,
        (Some(_), Some(noise)) => decibels(density / noise),
        (Some(_), None) => None,
    };
    Some(Band {
        power_v2,
        net_v2: power_v2,
        density_v2_per_hz: density,
        level_db,
        lambda_db,
        over_floor: None,
    })
}

/// The drive's frequency within ±10 % of the configured one, when the line found there stands out
/// from its own surroundings by 10 dB.
fn drive_frequency(plan: &Plan, spectrum: &[f64]) -> Option<f64> {
    let f0 = plan.spec.drive_frequency_hz;
    let grid = Grid { n: plan.segments.n, bin_hz: plan.bin_hz };
    let found = tone::peak_bin(spectrum, grid.between(0.9 * f0, 1.1 * f0))? * plan.bin_hz;
    let spec = &plan.spec.bands;
    let within = |half: f64| grid.between((found - half).max(plan.bin_hz), found + half);
    let line = within(spec.line_half_width_hz);
    let inner = within(spec.guard_half_width_hz);
    let outer = within(spec.flank_half_width_hz);
    let flanks = [outer.start..inner.start.max(outer.start), inner.end.min(outer.end)..outer.end];
    let floor = power(spectrum, &flanks) / as_f64(bands::count(&flanks));
    let mean = power(spectrum, std::slice::from_ref(&line)) / as_f64(line.len());
    (mean >= DRIVE_CONTRAST * floor).then_some(found)
}

fn loudest_quarter(plan: &Plan, raw: &Raw<'_>) -> Option<Quarter> {
    let bins = as_f64(plan.bands.bins_of(Quantity::Broadband));
    let rate = plan.spec.receive.sample_rate_hz;
    let mut loudest: Option<Quarter> = None;
    let (mut begun, mut sum) = (0, 0.0);
    for (k, &through) in raw.broadband_sums.iter().enumerate() {
        let end = quarter_end(plan.segments.count, k);
        if end == begun {
            continue;
        }
        let density = (through - sum) / (as_f64(end - begun) * bins);
        if density.is_finite() && loudest.is_none_or(|q| density > q.v2_per_hz) {
            let start_s = plan.spec.receive.gate_start_s + as_f64(begun * plan.segments.hop) / rate;
            loudest = Some(Quarter { v2_per_hz: density, start_s });
        }
        (begun, sum) = (end, through);
    }
    loudest
}
