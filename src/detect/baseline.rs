//! The no-bubble baseline: per target and drive, what each channel heard without bubbles.
//!
//! Drives form in order of arrival: a pulse joins the nearest drive within the tolerance (at a tie
//! the lower), else opens one, whose value stays that pulse's. Drive 0 and drive unknown stand apart
//! and are never interpolated. Pulses with a fault stay out of that channel's series; the series
//! stay aligned, so that any set of channels can be averaged pulse by pulse.

use std::collections::BTreeMap;
use std::sync::Arc;

use sha2::{Digest, Sha256};

use super::quantile::Quantiles;
use crate::signal::{Measured, PerQuantity, Running, as_f64, decibels};

/// Pulses one drive of a baseline holds at most; later ones are named and left out.
pub const MOST_PULSES: usize = 4096;

/// Drives one target holds at most.
pub const MOST_DRIVES: usize = 256;

/// The drive a series belongs to.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub enum Drive {
    /// Not known.
    Unknown,
    /// A drive of exactly 0, MPa.
    Zero,
    /// A known drive, MPa.
    Known(f64),
}

impl Drive {
    /// The drive of a tag.
    #[must_use]
    pub fn of(drive_mpa: Option<f64>) -> Self {
        match drive_mpa {
            None => Self::Unknown,
            Some(mpa) if mpa.abs() > 0.0 => Self::Known(mpa),
            Some(_) => Self::Zero,
        }
    }

    /// The value, MPa.
    #[must_use]
    pub const fn mpa(self) -> Option<f64> {
        match self {
            Self::Unknown => None,
            Self::Zero => Some(0.0),
            Self::Known(mpa) => Some(mpa),
        }
    }
}

impl std::fmt::Display for Drive {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Unknown => f.write_str("unknown drive"),
            Self::Zero => f.write_str("0 MPa"),
            Self::Known(mpa) => write!(f, "{mpa} MPa"),
        }
    }
}

/// One quantity of one baseline pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// λ, dB.
    pub lambda_db: f64,
    /// 10·log10 P, dB re 1 V².
    pub level_db: f64,
    /// P, V².
    pub power_v2: f64,
    /// Net line power, V².
    pub net_v2: f64,
}

/// One channel of one baseline pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Each quantity that could be formed.
    pub levels: PerQuantity<Option<Level>>,
    /// Power of the drive's line, V².
    pub fundamental_v2: f64,
    /// Density in the noise gate, V²/Hz.
    pub noise_v2_per_hz: Option<f64>,
    /// Drive's tone over the gate, V².
    pub gate_tone_v2: f64,
    /// Drive's tone before the first arrival, V².
    pub feed_through_v2: Option<f64>,
}

impl Sample {
    /// What a baseline keeps of a measured pulse.
    #[must_use]
    pub fn of(measured: &Measured) -> Self {
        Self {
            levels: PerQuantity::from_fn(|quantity| {
                let band = measured.bands[quantity]?;
                Some(Level {
                    lambda_db: band.lambda_db?,
                    level_db: band.level_db?,
                    power_v2: band.power_v2,
                    net_v2: band.net_v2,
                })
            }),
            fundamental_v2: measured.fundamental_v2,
            noise_v2_per_hz: measured.noise_v2_per_hz,
            gate_tone_v2: measured.gate_tone_v2,
            feed_through_v2: measured.feed_through_v2,
        }
    }
}

/// Mean and 5–95 % range of a spectrum over the pulses of a series, in bounded memory.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpectrumRange {
    mean_v2_per_hz: Vec<f64>,
    /// 5 % and 95 % quantile; nothing without pulses.
    range: Option<[Quantiles; 2]>,
    pulses: u32,
}

impl SpectrumRange {
    /// Of a finished series: mean, 5 % and 95 % quantile of each bin, V²/Hz.
    #[must_use]
    pub fn finished(mean_v2_per_hz: Vec<f64>, low: &[f64], high: &[f64], pulses: u32) -> Self {
        let narrow = |values: &[f64]| values.iter().copied().map(single).collect::<Vec<_>>();
        let range = [Quantiles::at(0.05, &narrow(low)), Quantiles::at(0.95, &narrow(high))];
        Self { range: Some(range), mean_v2_per_hz, pulses }
    }

    fn add(&mut self, spectrum: &[f32]) {
        if self.pulses == 0 {
            self.mean_v2_per_hz = vec![0.0; spectrum.len()];
            self.range = Some([0.05, 0.95].map(|share| Quantiles::new(share, spectrum.len())));
        }
        self.pulses += 1;
        let share = 1.0 / f64::from(self.pulses);
        for (mean, &s) in self.mean_v2_per_hz.iter_mut().zip(spectrum) {
            *mean += (f64::from(s) - *mean) * share;
        }
        for quantiles in self.range.iter_mut().flatten() {
            quantiles.add(spectrum);
        }
    }

    /// Mean density of each bin, V²/Hz; empty without pulses.
    #[must_use]
    pub fn mean_v2_per_hz(&self) -> &[f64] {
        &self.mean_v2_per_hz
    }

    /// 5 % and 95 % quantile of each bin's density, V²/Hz.
    pub fn range_v2_per_hz(&self) -> impl Iterator<Item = [f64; 2]> {
        self.range
            .iter()
            .flat_map(|[low, high]| low.values().zip(high.values()).map(<[f64; 2]>::from))
    }
}

/// Mean and 5–95 % range of one channel's spectra, dB re 1 V²/Hz; empty without spectra.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpectrumLook {
    /// Mean density of each bin.
    pub mean_db: Vec<f32>,
    /// 5 % quantile of each bin.
    pub p05_db: Vec<f32>,
    /// 95 % quantile of each bin.
    pub p95_db: Vec<f32>,
}

impl SpectrumLook {
    fn of(range: &SpectrumRange) -> Self {
        let (low, high): (Vec<f64>, Vec<f64>) =
            range.range_v2_per_hz().map(|[low, high]| (low, high)).unzip();
        let [mean_db, p05_db, p95_db] = [range.mean_v2_per_hz(), &low, &high]
            .map(|densities| densities.iter().map(|&s| single(10.0 * s.log10())).collect());
        Self { mean_db, p05_db, p95_db }
    }
}

/// What the spectra of one drive look like.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesLook {
    /// The drive.
    pub drive: Drive,
    /// Pulses there are.
    pub pulses: usize,
    /// Each used channel.
    pub channels: Vec<SpectrumLook>,
}

#[allow(clippy::cast_possible_truncation, reason = "seven digits are enough for a picture")]
const fn single(value: f64) -> f32 {
    value as f32
}

/// All pulses of one drive.
#[derive(Debug, Clone, PartialEq)]
pub struct DriveSeries {
    /// The drive.
    pub drive: Drive,
    /// Numbers of the pulses, in order of arrival.
    pub pulses: Vec<u64>,
    /// For each used channel what it heard of each pulse; nothing where the channel was at fault.
    pub channels: Vec<Vec<Option<Sample>>>,
    /// For each used channel its spectra.
    pub spectra: Vec<SpectrumRange>,
    /// For each used channel λ of each pulse while it ran; empty where that was not looked at.
    pub running: Vec<Vec<Option<Running>>>,
    /// Amplitude of the drive at its monitor in each pulse, V; empty without a monitor.
    pub monitor_v: Vec<Option<f64>>,
}

impl DriveSeries {
    /// Mean level of the drive at its monitor, dB re 1 V; nothing without a monitor.
    #[must_use]
    pub fn monitor_db(&self) -> Option<f64> {
        let levels: Vec<f64> =
            self.monitor_v.iter().flatten().filter_map(|v| decibels(v * v)).collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / as_f64(levels.len()))
    }
}

/// The baseline of one target.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TargetBaseline {
    /// Its drives, in order of arrival.
    pub drives: Vec<DriveSeries>,
}

/// Why a baseline pulse was left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refused {
    /// The drive's series is full.
    SeriesFull,
    /// Too many different drives.
    TooManyDrives,
}

impl TargetBaseline {
    /// What its spectra look like, for a picture.
    #[must_use]
    pub fn looks(&self) -> Arc<[SeriesLook]> {
        let looks = self.drives.iter().map(|series| SeriesLook {
            drive: series.drive,
            pulses: series.pulses.len(),
            channels: series.spectra.iter().map(SpectrumLook::of).collect(),
        });
        looks.collect()
    }

    /// Adds a pulse; `samples` and `spectra` have one entry a used channel, a sample is missing
    /// where that channel was at fault. At most `room` new drives may open.
    ///
    /// # Errors
    /// When the series or the target is full.
    pub fn add<'a>(
        &mut self,
        number: u64,
        drive: Drive,
        tolerance: f64,
        room: usize,
        samples: &[Option<Sample>],
        spectra: impl Iterator<Item = &'a [f32]>,
    ) -> Result<(), Refused> {
        let place = match nearest(self.drives.iter().map(|series| series.drive), drive, tolerance) {
            Some(place) => place,
            None if room == 0 || self.drives.len() >= MOST_DRIVES => {
                return Err(Refused::TooManyDrives);
            }
            None => {
                self.drives.push(DriveSeries {
                    drive,
                    pulses: Vec::new(),
                    channels: vec![Vec::new(); samples.len()],
                    spectra: vec![SpectrumRange::default(); samples.len()],
                    running: Vec::new(),
                    monitor_v: Vec::new(),
                });
                self.drives.len() - 1
            }
        };
        let series = &mut self.drives[place];
        if series.pulses.len() >= MOST_PULSES {
            return Err(Refused::SeriesFull);
        }
        series.pulses.push(number);
        let kept = series.channels.iter_mut().zip(&mut series.spectra);
        for (((channel, range), sample), spectrum) in kept.zip(samples).zip(spectra) {
            channel.push(*sample);
            if sample.is_some() {
                range.add(spectrum);
            }
        }
        Ok(())
    }

    /// The series whose last pulse has this number.
    fn just_added(&mut self, number: u64) -> Option<&mut DriveSeries> {
        self.drives.iter_mut().find(|series| series.pulses.last() == Some(&number))
    }

    /// Notes λ of each used channel while the pulse ran that was just added.
    pub fn note_running(&mut self, number: u64, running: &[Option<Running>]) {
        let Some(series) = self.just_added(number) else { return };
        series.running.resize(running.len(), Vec::new());
        for (kept, own) in series.running.iter_mut().zip(running) {
            kept.resize(series.pulses.len() - 1, None);
            kept.push(*own);
        }
    }

    /// Notes the drive's amplitude at its monitor, V, in a pulse that was just added.
    pub fn note_drive_monitor(&mut self, number: u64, amplitude_v: Option<f64>) {
        if let Some(series) = self.just_added(number) {
            series.monitor_v.resize(series.pulses.len() - 1, None);
            series.monitor_v.push(amplitude_v);
        }
    }

    /// The first 16 hexadecimal digits of SHA-256 over drives, pulse numbers and levels: the same
    /// series have the same name wherever they are kept.
    #[must_use]
    pub fn id(&self) -> String {
        use std::fmt::Write as _;
        let mut hash = Sha256::new();
        for series in &self.drives {
            hash.update(series.drive.to_string());
            for (i, pulse) in series.pulses.iter().enumerate() {
                hash.update(pulse.to_le_bytes());
                for sample in series.channels.iter().map(|channel| channel[i]) {
                    let levels = sample.into_iter().flat_map(|sample| sample.levels.0);
                    for level in levels {
                        let bits = level.map_or(0, |level| level.lambda_db.to_bits());
                        hash.update(bits.to_le_bytes());
                    }
                }
            }
        }
        hash.finalize().iter().take(8).fold(String::new(), |mut text, byte| {
            // Writing into a string cannot fail.
            write!(text, "{byte:02x}").ok();
            text
        })
    }

    /// The largest number of pulses any drive has.
    #[must_use]
    pub fn most_pulses(&self) -> usize {
        self.drives.iter().map(|series| series.pulses.len()).max().unwrap_or(0)
    }
}

/// The place of the drive a pulse joins: the nearest within the tolerance, at a tie the lower; drive 0
/// and drive unknown join their like alone.
#[must_use]
pub fn nearest(drives: impl Iterator<Item = Drive>, drive: Drive, tolerance: f64) -> Option<usize> {
    let near = drives.enumerate().filter_map(|(place, known)| match (known, drive) {
        (Drive::Known(d), Drive::Known(mpa)) => {
            within(mpa - d, tolerance * d).then_some((place, (mpa - d).abs(), d))
        }
        _ => (known == drive).then_some((place, 0.0, 0.0)),
    });
    near.min_by(|a, b| a.1.total_cmp(&b.1).then(a.2.total_cmp(&b.2))).map(|(place, ..)| place)
}

/// Whether a difference of drives keeps a bound, up to rounding: 0.19 lies within 5 % of 0.20.
#[must_use]
pub fn within(difference: f64, bound: f64) -> bool {
    difference.abs() <= bound * (1.0 + 1e-9)
}

/// Baselines of all targets.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Baseline {
    /// By target's name.
    pub targets: BTreeMap<Arc<str>, TargetBaseline>,
}
