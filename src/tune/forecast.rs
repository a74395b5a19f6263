//! What would be heard at another site: the tank's emission through a path loss, onto the other
//! site's noise.
//!
//! The excess of a pulse with bubbles over the quiet mean at its drive, ΔS = S − S̄ (V²/Hz, bin by
//! bin), is lowered by the insertion loss IL(f) of the receive path, ΔS·10^(−IL/10), and put on the
//! site's floor; so is what quiet pulses hold in their lines. Only bins the loss is known for take
//! part; a line counts when all its bins and flanks are known. From the powers the rise of the
//! detection level λ follows as the method forms it: lines by the mean over them of 10·log10 of
//! line over flanks, the broadband by its density over the floor.
//!
//! A pulse passes at the site with chance Φ((rise − δ − limit)/s'), the limit that of one pulse (or of
//! a rule) against a baseline as the site would have it, s' what of the spread s of λ is not in the
//! tank's pulse already. The drive from which on half of the pulses pass is that of the logistic curve
//! through all of these chances, as in the tank. Drives are those at the focus, in situ; the way in costs the transmit loss.

use std::ops::Range;

use crate::detect::baseline::{TargetBaseline, nearest};
use crate::detect::cumulative::hearing_before;
use crate::detect::diagnosis::reach;
use crate::detect::{Baseline, Channel, DetectSpec, Drive};
use crate::signal::{ChannelReading, Curve, Heard, Plan, Quantity, as_f64};
use crate::stats::{
    BaselineSeries, DoseGroup, DoseResponse, Link, Reference, Summary, normal_cdf, normal_quantile,
};

/// Pulses of which emission is kept.
const MOST_PULSES: usize = 1 << 17;

/// Parts that a pulse has where chances become counts.
const PARTS: usize = 1000;

/// Chances closer to 0 or 1 are taken as this, so that a drive between two can be found.
const LEAST_CHANCE: f64 = 1e-4;

/// Mean densities over a line and its flanks, V²/Hz.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct LineDensity {
    line: f64,
    flanks: f64,
}

/// Mean densities of one spectrum over the bins that take part, V²/Hz.
#[derive(Debug, Clone, PartialEq, Default)]
struct Densities {
    /// Each line that takes part.
    lines: Vec<LineDensity>,
    /// The broadband's bins that take part; nothing when there are none.
    broadband: Option<f64>,
}

impl Densities {
    fn over(&self, quiet: &Self) -> Self {
        let lines = self.lines.iter().zip(&quiet.lines);
        Self {
            lines: lines
                .map(|(a, b)| LineDensity { line: a.line - b.line, flanks: a.flanks - b.flanks })
                .collect(),
            broadband: self.broadband.zip(quiet.broadband).map(|(a, b)| a - b),
        }
    }
}

/// What a loss lets through of each bin, and which bins take part.
pub struct Path {
    /// 10^(−IL/10) of each bin; nothing where the loss is not known.
    weights: Vec<Option<f64>>,
    /// Places among the plan's lines of those that take part.
    lines: Vec<usize>,
    /// Bins of the broadband that take part.
    broadband: Vec<usize>,
}

impl Path {
    /// Of a loss curve under a plan.
    #[must_use]
    pub fn new(plan: &Plan, loss: &Curve) -> Self {
        let bins = plan.segments.n / 2 + 1;
        let weights: Vec<Option<f64>> = (0..bins)
            .map(|bin| loss.at(as_f64(bin) * plan.bin_hz).map(|db| libm::pow(10.0, -db / 10.0)))
            .collect();
        let known = |run: &Range<usize>| run.clone().all(|bin| weights[bin].is_some());
        let all = &plan.bands.lines;
        let lines = (0..all.len())
            .filter(|&place| {
                let line = &all[place];
                known(&line.bins) && line.flank_bins() > 0 && line.flanks.iter().all(known)
            })
            .collect();
        let broadband = plan.bands.broadband.iter().flat_map(Clone::clone);
        let broadband = broadband.filter(|&bin| weights[bin].is_some()).collect();
        Self { weights, lines, broadband }
    }

    /// Densities of a spectrum, each bin times what `weight` makes of it.
    fn densities<S: Copy + Into<f64>>(
        &self,
        plan: &Plan,
        spectrum: &[S],
        weight: impl Fn(usize) -> f64,
    ) -> Densities {
        let mean = |bins: &mut dyn Iterator<Item = usize>| {
            let (mut sum, mut count) = (0.0, 0_usize);
            for bin in bins {
                let density: f64 = spectrum.get(bin).map_or(f64::NAN, |&density| density.into());
                sum += density * weight(bin);
                count += 1;
            }
            sum / as_f64(count)
        };
        let lines = self.lines.iter().map(|&place| {
            let line = &plan.bands.lines[place];
            LineDensity {
                line: mean(&mut line.bins.clone()),
                flanks: mean(&mut line.flanks.iter().flat_map(Clone::clone)),
            }
        });
        let broadband = mean(&mut self.broadband.iter().copied());
        Densities {
            lines: lines.collect(),
            broadband: (!self.broadband.is_empty()).then_some(broadband),
        }
    }

    fn through<S: Copy + Into<f64>>(&self, plan: &Plan, spectrum: &[S]) -> Densities {
        self.densities(plan, spectrum, |bin| self.weights[bin].unwrap_or(0.0))
    }

    fn at_receiver<S: Copy + Into<f64>>(&self, plan: &Plan, spectrum: &[S]) -> Densities {
        self.densities(plan, spectrum, |_| 1.0)
    }
}

/// One pulse with bubbles: what of it would arrive on each used channel.
struct Emission {
    target: Box<str>,
    drive: Drive,
    channels: Vec<Option<Densities>>,
}

/// Gathers pulses with bubbles while they are heard, and the site's noise.
pub struct Emissions {
    path: Path,
    pulses: Vec<Emission>,
    /// Pulses beyond the bound.
    pub left_out: u64,
}

impl Emissions {
    /// For a path.
    #[must_use]
    pub const fn new(path: Path) -> Self {
        Self { path, pulses: Vec::new(), left_out: 0 }
    }

    /// Takes what the used channels heard of a pulse with bubbles; `heard` tells which of them count.
    pub fn take(
        &mut self,
        plan: &Plan,
        (target, drive): (&str, Drive),
        readings: &[ChannelReading],
        counts: impl Fn(usize) -> bool,
    ) {
        if self.pulses.len() >= MOST_PULSES {
            self.left_out += 1;
            return;
        }
        let channels = readings.iter().enumerate().map(|(place, reading)| {
            let measured = matches!(reading.heard(), Heard::Measured(_)) && counts(place);
            measured.then(|| self.path.through(plan, &reading.spectrum))
        });
        let channels = channels.collect();
        self.pulses.push(Emission { target: target.into(), drive, channels });
    }
}

/// The other site.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// Mean spectrum without drive on each used channel, V²/Hz; nothing: the tank's own floor.
    pub floor: Option<Vec<Vec<f64>>>,
    /// Loss of the way in, dB, ≥ 0: a drive set as d in free field is d·10^(−loss/20) in situ.
    pub transmit_loss_db: f64,
    /// Pulses of the baseline there, at each drive.
    pub baseline_pulses: usize,
}

/// A drive that was looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Found {
    /// Here, between two drives that were recorded.
    At {
        /// The drive, MPa.
        mpa: f64,
        /// The two, MPa.
        between: [f64; 2],
        /// Whether the chance jumps from below 0.1 to above 0.9 between them, so that only they say
        /// where.
        jump: bool,
    },
    /// The lowest drive has it already, MPa.
    Below(f64),
    /// Not up to the highest, MPa.
    Above(f64),
}

/// What one drive would bring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveForecast {
    /// At the focus, in situ, MPa.
    pub drive_mpa: f64,
    /// What is set for it, in free field, MPa.
    pub set_mpa: f64,
    /// Pulses with bubbles behind it.
    pub pulses: usize,
    /// Mean rise of λ, dB.
    pub rise_db: f64,
    /// Chance that one pulse passes its limit.
    pub one_pulse: f64,
    /// Pulses after which many together establish the mean rise; nothing: never with this baseline.
    pub together: Option<u64>,
}

/// The forecast of one quantity on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct QuantityForecast {
    /// Which channel.
    pub channel: Channel,
    /// Which quantity.
    pub quantity: Quantity,
    /// Frequencies that took part, Hz: centres of lines, or first and last bin.
    pub parts_hz: Vec<f64>,
    /// Lines, or broadband bins, that took part, and all there are.
    pub counted: [usize; 2],
    /// Limit of one pulse there, dB over the mean of λ.
    pub limit_db: f64,
    /// Detection limit of one pulse there, dB.
    pub hear_db: f64,
    /// Detection limit of the expected pulses together, dB.
    pub hear_together_db: Option<f64>,
    /// Each drive, ascending.
    pub drives: Vec<DriveForecast>,
    /// Drive at which half of the pulses pass.
    pub half: Found,
    /// Drive at which nine pulses in ten pass.
    pub nine_tenths: Found,
    /// Drive whose mean rise the expected pulses together show.
    pub together: Option<Found>,
}

/// What the forecast of a quantity needs of the tank's quiet pulses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuietSpread {
    /// Standard deviation of λ, dB.
    pub sd_db: f64,
    /// Lag-1 autocorrelation.
    pub lag1: f64,
}

/// What stays the same for all quantities.
pub struct Forecaster<'a> {
    /// How pulses are heard.
    pub plan: &'a Plan,
    /// How they are judged.
    pub spec: &'a DetectSpec,
    /// The tank's baseline.
    pub baseline: &'a Baseline,
    /// Drives of the site's baseline.
    pub drives: usize,
    /// The site.
    pub site: &'a Site,
}

/// One pulse's rise on one channel, and the share of the tank's own scatter in it.
#[derive(Clone, Copy)]
struct Rise {
    db: f64,
    scatter: f64,
}

impl Forecaster<'_> {
    /// The forecast of one quantity on one channel; nothing where no part of it has a known loss or
    /// no pulse had its drive in the baseline.
    #[must_use]
    pub fn quantity(
        &self,
        emissions: &Emissions,
        (channel, quantity): (Channel, Quantity),
        spread: QuietSpread,
    ) -> Option<QuantityForecast> {
        let path = &emissions.path;
        let (parts_hz, counted) = self.parts(path, quantity)?;
        let n = self.site.baseline_pulses;
        let series = BaselineSeries {
            summary: Summary { n, mean: 0.0, sd: spread.sd_db },
            lag1: spread.lag1,
        };
        let channels = self.plan.used_channels.len();
        let limits = reach(self.spec, channels, self.drives, quantity, &series)?;
        let reference = Reference::of_one(&series)?;
        let hearing = hearing_before(self.spec, channels, self.drives, quantity, &reference);
        let mut by_drive: Vec<(f64, Vec<Rise>)> = Vec::new();
        for pulse in &emissions.pulses {
            let Some(mpa) = pulse.drive.mpa().filter(|mpa| *mpa > 0.0) else { continue };
            let Some(rise) = self.rise(path, pulse, (channel, quantity)) else { continue };
            let known = by_drive.iter().map(|(drive, _)| Drive::Known(*drive));
            match nearest(known, Drive::Known(mpa), self.spec.drive_tolerance) {
                Some(place) => by_drive[place].1.push(rise),
                None => by_drive.push((mpa, vec![rise])),
            }
        }
        by_drive.sort_by(|a, b| a.0.total_cmp(&b.0));
        if by_drive.is_empty() {
            return None;
        }
        let delta_db = self.spec.repeatability_db[quantity];
        let gain = libm::pow(10.0, self.site.transmit_loss_db / 20.0);
        let drives: Vec<DriveForecast> = by_drive
            .iter()
            .map(|(drive_mpa, rises)| {
                let count = as_f64(rises.len());
                let mean = rises.iter().map(|rise| rise.db.max(-40.0)).sum::<f64>() / count;
                let passes = |rise: &Rise| {
                    let rest = (1.0 - rise.scatter * rise.scatter).max(1e-4).sqrt();
                    normal_cdf((rise.db - delta_db - limits.limit_db) / (spread.sd_db * rest))
                };
                DriveForecast {
                    drive_mpa: *drive_mpa,
                    set_mpa: drive_mpa * gain,
                    pulses: rises.len(),
                    rise_db: mean,
                    one_pulse: rises.iter().map(passes).sum::<f64>() / count,
                    together: hearing.and_then(|hearing| hearing.values_for(mean)),
                }
            })
            .collect();
        let together_db = limits.together_db.filter(|db| db.is_finite());
        Some(QuantityForecast {
            channel,
            quantity,
            parts_hz,
            counted,
            limit_db: limits.limit_db,
            hear_db: limits.one_pulse_db,
            hear_together_db: together_db,
            half: share_from(&drives, 0.5),
            nine_tenths: share_from(&drives, 0.9),
            together: together_db.map(|db| crossing(&drives, |drive| drive.rise_db, db)),
            drives,
        })
    }

    /// Frequencies that take part, and how many of how many.
    fn parts(&self, path: &Path, quantity: Quantity) -> Option<(Vec<f64>, [usize; 2])> {
        let bands = &self.plan.bands;
        if quantity == Quantity::Broadband {
            let (first, last) = (path.broadband.first()?, path.broadband.last()?);
            let hz = [first, last].map(|bin| as_f64(*bin) * self.plan.bin_hz);
            return Some((hz.to_vec(), [path.broadband.len(), bands.bins_of(quantity)]));
        }
        let all = bands.of[quantity as usize].clone();
        let orders = path.lines.iter().filter(|place| all.contains(place));
        let hz: Vec<f64> = orders
            .map(|&place| bands.lines[place].order() * self.plan.spec.drive_frequency_hz)
            .collect();
        let counted = [hz.len(), all.len()];
        (!hz.is_empty()).then_some((hz, counted))
    }

    fn rise(
        &self,
        path: &Path,
        pulse: &Emission,
        (channel, quantity): (Channel, Quantity),
    ) -> Option<Rise> {
        let used = &self.plan.used_channels;
        let target = self.baseline.targets.get(&*pulse.target)?;
        match channel {
            Channel::One(channel) => {
                let place = used.iter().position(|used| *used == channel)?;
                self.rise_at(path, target, pulse, (place, quantity))
            }
            Channel::All => {
                let rises: Vec<Rise> = (0..used.len())
                    .filter_map(|place| self.rise_at(path, target, pulse, (place, quantity)))
                    .collect();
                let count = as_f64(rises.len());
                (!rises.is_empty()).then(|| Rise {
                    db: rises.iter().map(|rise| rise.db).sum::<f64>() / count,
                    scatter: rises.iter().map(|rise| rise.scatter).sum::<f64>() / count,
                })
            }
        }
    }

    fn rise_at(
        &self,
        path: &Path,
        target: &TargetBaseline,
        pulse: &Emission,
        (place, quantity): (usize, Quantity),
    ) -> Option<Rise> {
        let drives = target.drives.iter().map(|series| series.drive);
        let series = &target.drives[nearest(drives, pulse.drive, self.spec.drive_tolerance)?];
        let quiet = series.spectra.get(place)?.mean_v2_per_hz();
        let tank = path.at_receiver(self.plan, quiet);
        let through = path.through(self.plan, quiet);
        let added = pulse.channels.get(place)?.as_ref()?.over(&through);
        let floor = match &self.site.floor {
            Some(floor) => path.at_receiver(self.plan, floor.get(place)?),
            None => tank.clone(),
        };
        if quantity == Quantity::Broadband {
            let (added, here) = (added.broadband?, floor.broadband?);
            let scatter = through.broadband? / here;
            return Some(Rise { db: level(1.0 + added / here), scatter: scatter.min(1.0) });
        }
        let all = self.plan.bands.of[quantity as usize].clone();
        let (mut db, mut scatter, mut count) = (0.0, 0.0, 0.0);
        for (k, line) in path.lines.iter().enumerate().filter(|(_, line)| all.contains(line)) {
            // Without a recording of the site's noise the tank's flanks are the floor of its line, too.
            let here = match &self.site.floor {
                Some(_) => floor.lines[k],
                None => LineDensity { line: tank.lines[k].flanks, flanks: tank.lines[k].flanks },
            };
            let bins = &self.plan.bands.lines[*line].bins;
            let weight =
                bins.clone().filter_map(|bin| path.weights[bin]).sum::<f64>() / as_f64(bins.len());
            let own = (through.lines[k].line - weight * tank.lines[k].flanks).max(0.0);
            let quiet = (here.line + own) / here.flanks;
            let loud =
                (here.line + own + added.lines[k].line) / (here.flanks + added.lines[k].flanks);
            db += level(loud) - level(quiet);
            scatter += (weight * tank.lines[k].flanks / here.flanks).min(1.0);
            count += 1.0;
        }
        (count > 0.0).then(|| Rise { db: db / count, scatter: scatter / count })
    }
}

/// Decibels of a ratio; far below everything when it is not positive.
fn level(ratio: f64) -> f64 {
    if ratio > 0.0 { 10.0 * libm::log10(ratio) } else { -300.0 }
}

/// The drive from which on a share of the pulses passes: by the logistic curve over ln drive that says the
/// same of the tank's own pulses. Shares of real bubbles rise in plateaus and may fall again; where they
/// first cross a value then differs from a curve through all of them by a fifth in drive, and the two
/// would stand side by side. Where no curve fits or the chance jumps, between two drives.
fn share_from(drives: &[DriveForecast], wanted: f64) -> Found {
    let chance = |drive: &DriveForecast| {
        normal_quantile(drive.one_pulse.clamp(LEAST_CHANCE, 1.0 - LEAST_CHANCE))
    };
    let first = crossing(drives, chance, normal_quantile(wanted));
    if matches!(first, Found::At { jump: true, .. }) {
        return first;
    }
    let groups: Vec<DoseGroup> = drives
        .iter()
        .map(|drive| {
            // Chances become counts of so many pulses that rounding does not matter.
            let n = drive.pulses.saturating_mul(PARTS);
            let passed = rounded(drive.one_pulse * as_f64(n)).min(n);
            DoseGroup { x: libm::log(drive.drive_mpa), n, passed }
        })
        .collect();
    let fit = DoseResponse::fit(&groups, Link::Logit).ok().filter(|fit| fit.separation.is_none());
    let (Some(fit), [low, .., high]) = (fit, drives) else { return first };
    let mpa = libm::exp(fit.x_at(wanted));
    if mpa <= low.drive_mpa {
        return Found::Below(low.drive_mpa);
    }
    let pair = drives.windows(2).find(|pair| mpa <= pair[1].drive_mpa);
    pair.map_or(Found::Above(high.drive_mpa), |pair| {
        let between = [pair[0].drive_mpa, pair[1].drive_mpa];
        Found::At { mpa, between, jump: false }
    })
}

/// The nearest whole number of one that is not negative.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates, and the caller bounds the result"
)]
fn rounded(value: f64) -> usize {
    libm::round(value) as usize
}

/// The drive at which a value first reaches `wanted`, straight over ln drive between two.
fn crossing(drives: &[DriveForecast], value: impl Fn(&DriveForecast) -> f64, wanted: f64) -> Found {
    let Some(first) = drives.first() else { return Found::Above(0.0) };
    if value(first) >= wanted {
        return Found::Below(first.drive_mpa);
    }
    for pair in drives.windows(2) {
        let [low, high] = [&pair[0], &pair[1]];
        if value(high) >= wanted {
            let u = (wanted - value(low)) / (value(high) - value(low));
            let ln = libm::log(low.drive_mpa) + u * libm::log(high.drive_mpa / low.drive_mpa);
            let jump = low.one_pulse < 0.1 && high.one_pulse > 0.9;
            let between = [low.drive_mpa, high.drive_mpa];
            return Found::At { mpa: libm::exp(ln), between, jump };
        }
    }
    Found::Above(drives[drives.len() - 1].drive_mpa)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drive(drive_mpa: f64, rise_db: f64) -> DriveForecast {
        DriveForecast {
            drive_mpa,
            set_mpa: drive_mpa,
            pulses: 1,
            rise_db,
            one_pulse: 0.0,
            together: None,
        }
    }

    #[test]
    fn a_drive_is_found_between_two_over_its_logarithm() {
        let drives = [drive(0.1, 0.0), drive(0.2, 1.0), drive(0.4, 3.0)];
        let at = |wanted| crossing(&drives, |drive| drive.rise_db, wanted);
        // Closed form: halfway in the logarithm from 0.2 to 0.4 is 0.2·√2.
        let Found::At { mpa, between, jump } = at(2.0) else { panic!("not found") };
        assert!((mpa - 0.2 * 2f64.sqrt()).abs() < 1e-12 && !jump);
        assert_eq!(between.map(|mpa| mpa.to_string()), ["0.2", "0.4"]);
        assert_eq!(at(0.0), Found::Below(0.1));
        assert_eq!(at(3.5), Found::Above(0.4));
    }

    #[test]
    fn shares_in_plateaus_are_read_from_a_curve_through_all_of_them() {
        let shares = |shares: [f64; 5]| -> Vec<DriveForecast> {
            let drives = [0.1, 0.15, 0.2, 0.3, 0.4];
            let of = |(mpa, one_pulse)| DriveForecast { one_pulse, ..drive(mpa, 0.0) };
            drives.into_iter().zip(shares).map(of).collect()
        };
        // COMPUTED with SciPy: minimize(-binomial log likelihood, method="BFGS"), exp(-b0/b1); nine in ten
        // would be found from 0.574 on
        let found = share_from(&shares([0.05, 0.45, 0.5, 0.45, 0.9]), 0.5);
        let Found::At { mpa, between, jump } = found else { panic!("{found:?}") };
        assert!((mpa - 0.219_829_3).abs() < 1e-6 && !jump, "{mpa}");
        assert_eq!(between.map(|mpa| mpa.to_string()), ["0.2", "0.3"]);
        let found = share_from(&shares([0.05, 0.45, 0.5, 0.45, 0.9]), 0.9);
        assert_eq!(found, Found::Above(0.4));
        // A jump between two drives is no curve.
        let found = share_from(&shares([0.0, 0.0, 1.0, 1.0, 1.0]), 0.5);
        assert!(matches!(found, Found::At { jump: true, .. }), "{found:?}");
        assert_eq!(share_from(&shares([0.9, 0.9, 0.95, 1.0, 1.0]), 0.5), Found::Below(0.1));
        assert_eq!(share_from(&shares([0.0; 5]), 0.5), Found::Above(0.4));
    }
}
