//! From volts to pascals, and through the receive path's loss.
//!
//! With a receiver's sensitivity |M(f)|, V/Pa, each bin of a spectrum in V²/Hz becomes Pa²/Hz by
//! division by |M|², then bands are summed; such numbers are plane-wave equivalents at the receiver's
//! face. With an insertion loss IL(f), dB, only what stands over the baseline is multiplied by
//! 10^(IL/10), bin by bin: totals would lift the receiver's own noise. Both are linear in S, so an
//! excess is the weighted sum of a pulse minus that of the baseline's mean spectrum.
//!
//! Nothing is extrapolated: a line counts when a curve covers all its bins, the broadband over the
//! bins that are covered; [`Coverage`] says which those are.

use std::ops::Range;
use std::sync::Arc;

use super::bands::{Bands, Line, SLACK_BINS, runs};
use super::{Curve, PerQuantity, Quantity, as_f64};

/// What is known of one receiver over frequency.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReceiverCurves {
    /// Sensitivity, dB re 1 V/Pa.
    pub sensitivity_db: Option<Arc<Curve>>,
    /// Gain between what the sensitivity is of and the converter, dB.
    pub gain_db: f64,
    /// Insertion loss of the path to the receiver, dB.
    pub insertion_loss_db: Option<Arc<Curve>>,
}

/// How the bins of a spectrum are weighted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weighting {
    /// By 1/|M|²: Pa² at the receiver's face.
    Pascal,
    /// By 10^(IL/10): V², corrected for the receive path's loss.
    Corrected,
    /// By both: Pa², corrected for the receive path's loss.
    CorrectedPascal,
}

impl Weighting {
    /// Every weighting, in the order of the columns.
    pub const ALL: [Self; 3] = [Self::Pascal, Self::Corrected, Self::CorrectedPascal];
}

/// One value for each [`Weighting`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PerWeighting<T>(pub [T; 3]);

impl<T> PerWeighting<T> {
    /// Makes each value from its weighting.
    pub fn from_fn(make: impl FnMut(Weighting) -> T) -> Self {
        Self(Weighting::ALL.map(make))
    }
}

impl<T> std::ops::Index<Weighting> for PerWeighting<T> {
    type Output = T;
    fn index(&self, weighting: Weighting) -> &T {
        &self.0[weighting as usize]
    }
}

/// Which part of a plan's bands a weighting covers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Coverage {
    /// Of each line quantity: orders of the lines that are covered.
    pub lines: PerQuantity<Vec<f64>>,
    /// Of each line quantity: orders of the lines that are not.
    pub without: PerQuantity<Vec<f64>>,
    /// The covered stretches of the broadband, first and last bin, Hz.
    pub broadband_hz: Vec<[f64; 2]>,
    /// Share of the broadband's bins that is covered, 0 to 1.
    pub broadband_share: f64,
    /// Lowest and highest covered bin of all bands, Hz; nothing when none is covered.
    pub range_hz: Option<[f64; 2]>,
}

impl Coverage {
    /// Whether all that is looked at is covered.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.without.0.iter().all(Vec::is_empty) && self.broadband_share >= 1.0
    }
}

/// A plan's bands with a weight for each bin.
#[derive(Debug, Clone, PartialEq)]
struct Weights {
    bin_hz: f64,
    /// Weight times Δf of each bin; 0 where it is not covered.
    factors: Vec<f64>,
    /// Covered lines of each quantity.
    lines: PerQuantity<Vec<Line>>,
    fundamental: Option<Line>,
    broadband: Vec<Range<usize>>,
    coverage: Coverage,
}

/// One used channel's curves, laid over a plan's bands.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelCalibration {
    weights: PerWeighting<Option<Weights>>,
}

/// Curves of all used channels; without any, everything stays in volts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Calibration {
    channels: Vec<ChannelCalibration>,
}

/// Powers of a spectrum under one weighting.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Weighted {
    /// Σ weight·S·Δf over each quantity's covered bins.
    pub power: PerQuantity<Option<f64>>,
    /// What an excess is formed of: the power, for ultraharmonic and subharmonic without the floor
    /// that the flanks say.
    pub net: PerQuantity<Option<f64>>,
    /// Of the drive's own line.
    pub fundamental: Option<f64>,
    /// Mean weighted density over the broadband's covered bins.
    pub broadband_per_hz: Option<f64>,
}

impl Calibration {
    /// Lays curves, one for each used channel, over bands of bins `bin_hz` apart, `bins` in all.
    #[must_use]
    pub fn new(curves: &[ReceiverCurves], bands: &Bands, bin_hz: f64, bins: usize) -> Self {
        let channel = |curves: &ReceiverCurves| {
            let pascals = |hz: f64| {
                let db = at(curves.sensitivity_db.as_ref()?, hz, bin_hz)? + curves.gain_db;
                Some(libm::pow(10.0, -db / 10.0))
            };
            let loss = |hz: f64| {
                let db = at(curves.insertion_loss_db.as_ref()?, hz, bin_hz)?;
                Some(libm::pow(10.0, db / 10.0))
            };
            let given = |weighting: Weighting| match weighting {
                Weighting::Pascal => curves.sensitivity_db.is_some(),
                Weighting::Corrected => curves.insertion_loss_db.is_some(),
                Weighting::CorrectedPascal => {
                    curves.sensitivity_db.is_some() && curves.insertion_loss_db.is_some()
                }
            };
            ChannelCalibration {
                weights: PerWeighting::from_fn(|weighting| {
                    given(weighting).then(|| {
                        Weights::new(bands, bin_hz, bins, |hz| match weighting {
                            Weighting::Pascal => pascals(hz),
                            Weighting::Corrected => loss(hz),
                            Weighting::CorrectedPascal => Some(pascals(hz)? * loss(hz)?),
                        })
                    })
                }),
            }
        };
        if curves.iter().all(|c| c.sensitivity_db.is_none() && c.insertion_loss_db.is_none()) {
            return Self::default();
        }
        Self { channels: curves.iter().map(channel).collect() }
    }

    /// Whether any channel has a curve.
    #[must_use]
    pub fn is_given(&self) -> bool {
        !self.channels.is_empty()
    }

    /// Curves of the used channel at a place; nothing where no channel has any.
    #[must_use]
    pub fn channel(&self, place: usize) -> Option<&ChannelCalibration> {
        self.channels.get(place)
    }
}

/// A curve's value at a bin's frequency. Its ends have the slack of a band's edges: 2.01 MHz in hertz
/// is a rounding below 2 010 000.
fn at(curve: &Curve, hz: f64, bin_hz: f64) -> Option<f64> {
    let [first, last] = curve.range_hz();
    let near = hz.clamp(first, last);
    ((near - hz).abs() <= SLACK_BINS * bin_hz).then(|| curve.at(near))?
}

impl ChannelCalibration {
    /// Powers of a spectrum, V²/Hz, under a weighting; nothing without its curves or for a spectrum
    /// that has not the plan's bins.
    #[must_use]
    pub fn weighted<S: Copy + Into<f64>>(
        &self,
        weighting: Weighting,
        spectrum: &[S],
    ) -> Option<Weighted> {
        let weights = self.weights[weighting].as_ref()?;
        (spectrum.len() == weights.factors.len()).then(|| weights.powers(spectrum))
    }

    /// What a weighting covers; nothing without its curves.
    #[must_use]
    pub fn coverage(&self, weighting: Weighting) -> Option<&Coverage> {
        self.weights[weighting].as_ref().map(|weights| &weights.coverage)
    }
}

impl Weights {
    fn new(bands: &Bands, bin_hz: f64, bins: usize, weight: impl Fn(f64) -> Option<f64>) -> Self {
        let weights: Vec<Option<f64>> = (0..bins).map(|k| weight(as_f64(k) * bin_hz)).collect();
        let covered = |line: &&Line| line.bins.clone().all(|k| weights[k].is_some());
        let lines = PerQuantity::from_fn(|quantity| {
            bands.lines_of(quantity).iter().filter(covered).cloned().collect::<Vec<_>>()
        });
        let all = || bands.broadband.iter().cloned().flatten();
        let broadband = runs(all().filter(|&k| weights[k].is_some()));
        let ends = |run: &Range<usize>| {
            [as_f64(run.start) * bin_hz, as_f64(run.end.saturating_sub(1)) * bin_hz]
        };
        let count = super::bands::count;
        let stretches = lines.0.iter().flatten().map(|line| &line.bins).chain(&broadband).map(ends);
        let range_hz = stretches.reduce(|a, b| [a[0].min(b[0]), a[1].max(b[1])]);
        let orders = |quantity: Quantity, wanted: bool| {
            let lines = bands.lines_of(quantity).iter();
            lines.filter(|line| covered(line) == wanted).map(Line::order).collect()
        };
        let coverage = Coverage {
            lines: PerQuantity::from_fn(|quantity| orders(quantity, true)),
            without: PerQuantity::from_fn(|quantity| orders(quantity, false)),
            broadband_hz: broadband.iter().map(ends).collect(),
            broadband_share: if bands.broadband.is_empty() {
                1.0
            } else {
                as_f64(count(&broadband)) / as_f64(count(&bands.broadband))
            },
            range_hz,
        };
        Self {
            bin_hz,
            lines,
            fundamental: Some(&bands.fundamental).filter(covered).cloned(),
            broadband,
            coverage,
            factors: weights.iter().map(|w| w.map_or(0.0, |w| w * bin_hz)).collect(),
        }
    }

    fn powers<S: Copy + Into<f64>>(&self, spectrum: &[S]) -> Weighted {
        let density = |k: usize| -> f64 { spectrum[k].into() };
        let sum = |bins: &Range<usize>| -> f64 {
            bins.clone().map(|k| self.factors[k] * density(k)).sum()
        };
        let floor = |line: &Line| -> f64 {
            let flanks = line.flank_bins();
            if flanks == 0 {
                return 0.0;
            }
            let bins = line.flanks.iter().cloned().flatten();
            let mean = bins.map(density).sum::<f64>() / as_f64(flanks);
            mean * line.bins.clone().map(|k| self.factors[k]).sum::<f64>()
        };
        let of_lines = |quantity: Quantity, value: &dyn Fn(&Line) -> f64| {
            let lines = &self.lines[quantity];
            (!lines.is_empty()).then(|| lines.iter().map(value).sum::<f64>())
        };
        let bins = super::bands::count(&self.broadband);
        let broadband = (bins > 0).then(|| self.broadband.iter().map(sum).sum::<f64>());
        let power = PerQuantity::from_fn(|quantity| match quantity {
            Quantity::Broadband => broadband,
            _ => of_lines(quantity, &|line| sum(&line.bins)),
        });
        let net = PerQuantity::from_fn(|quantity| match quantity {
            Quantity::Ultraharmonic | Quantity::Subharmonic => {
                of_lines(quantity, &|line| sum(&line.bins) - floor(line))
            }
            Quantity::Harmonic | Quantity::Broadband => power[quantity],
        });
        Weighted {
            power,
            net,
            fundamental: self.fundamental.as_ref().map(|line| sum(&line.bins)),
            broadband_per_hz: broadband.map(|power| power / self.width_hz()),
        }
    }

    /// Width of the broadband's covered bins, Hz.
    fn width_hz(&self) -> f64 {
        as_f64(super::bands::count(&self.broadband)) * self.bin_hz
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Line of the subharmonic at bins 8–12, harmonic at 38–42, broadband 50–89.
    fn bands() -> Bands {
        let line = |halves: u32, at: usize| Line {
            halves,
            bins: at - 2..at + 3,
            flanks: vec![at - 6..at - 2, at + 3..at + 7],
        };
        Bands {
            fundamental: line(2, 20),
            lines: vec![line(4, 40), line(1, 10)],
            of: [0..1, 1..1, 1..2, 2..2],
            broadband: vec![50..60, 70..90],
        }
    }

    fn curve(points: &[[f64; 2]]) -> Option<Arc<Curve>> {
        Some(Arc::new(Curve::new(points.to_vec()).unwrap()))
    }

    #[track_caller]
    fn near(value: f64, expected: f64) {
        assert!((value - expected).abs() <= 1e-12 * expected.abs(), "{value}, not {expected}");
    }

    #[test]
    fn volts_become_pascals_by_sensitivity_and_gain() {
        // −260 dB re 1 V/µPa = 100 nV/Pa, +40 dB: 10 Pa peak give 1e-4 V peak, 5e-9 V²: closed form of
        // the definition (−180 dB re 1 V/µPa = 1e-9 V per µPa, boat-fundamentals.readthedocs.io).
        let curves = [ReceiverCurves {
            sensitivity_db: curve(&[[1.0, -140.0], [1e6, -140.0]]),
            gain_db: 40.0,
            insertion_loss_db: None,
        }];
        let calibration = Calibration::new(&curves, &bands(), 10.0, 101);
        let channel = calibration.channel(0).unwrap();
        let mut spectrum = vec![0.0_f64; 101];
        spectrum[40] = 5e-9 / 10.0;
        let found = channel.weighted(Weighting::Pascal, &spectrum).unwrap();
        near(found.power[Quantity::Harmonic].unwrap(), 50.0);
        assert_eq!(found.power[Quantity::Ultraharmonic], None);
        assert_eq!(channel.weighted(Weighting::Corrected, &spectrum), None);
        assert!(channel.coverage(Weighting::Pascal).unwrap().is_whole());
        assert_eq!(channel.weighted(Weighting::Pascal, &spectrum[1..]), None);
    }

    #[test]
    fn a_sloped_sensitivity_gives_the_analytic_band_sum() {
        // |M| = 1e-7·(f/500 Hz) V/Pa: a line in log-log. Σ 1/M² over the bins in closed form.
        let db = |hz: f64| -140.0 + 20.0 * (hz / 500.0_f64).log10();
        let curves = [ReceiverCurves {
            sensitivity_db: curve(&[[1.0, db(1.0)], [1e4, db(1e4)]]),
            ..ReceiverCurves::default()
        }];
        let calibration = Calibration::new(&curves, &bands(), 10.0, 101);
        let white = vec![3e-18_f32; 101];
        let found = calibration.channel(0).unwrap().weighted(Weighting::Pascal, &white).unwrap();
        let sum: f64 =
            (50..60).chain(70..90).map(|k| (500.0 / (10.0 * f64::from(k))).powi(2)).sum();
        let expected = f64::from(3e-18_f32) * 10.0 * sum / 1e-14;
        near(found.power[Quantity::Broadband].unwrap(), expected);
        near(found.broadband_per_hz.unwrap(), expected / 300.0);
        // On a white floor the flanks say all of the line, whatever the slope.
        assert!(found.net[Quantity::Subharmonic].unwrap().abs() < 1e-12 * expected);
    }

    #[test]
    fn a_loss_counts_where_the_table_reaches_and_says_where() {
        let curves = [ReceiverCurves {
            insertion_loss_db: curve(&[[55.0 * 10.0, 10.0], [800.0, 10.0]]),
            ..ReceiverCurves::default()
        }];
        let calibration = Calibration::new(&curves, &bands(), 10.0, 101);
        let channel = calibration.channel(0).unwrap();
        let found = channel.weighted(Weighting::Corrected, &[1.0_f64; 101]).unwrap();
        // Bins 55–59 and 70–80, each ten times.
        near(found.net[Quantity::Broadband].unwrap(), 16.0 * 10.0 * 10.0);
        assert_eq!(found.net[Quantity::Harmonic], None);
        let coverage = channel.coverage(Weighting::Corrected).unwrap();
        assert_eq!(coverage.broadband_hz, [[550.0, 590.0], [700.0, 800.0]]);
        assert_eq!(coverage.range_hz, Some([550.0, 800.0]));
        near(coverage.broadband_share, 16.0 / 30.0);
        assert_eq!(coverage.without[Quantity::Harmonic], [2.0]);
        assert!(!coverage.is_whole());
        assert!(channel.coverage(Weighting::CorrectedPascal).is_none());
    }

    #[test]
    fn without_curves_there_is_nothing_to_weigh() {
        let curves = vec![ReceiverCurves::default(); 2];
        assert!(!Calibration::new(&curves, &bands(), 10.0, 101).is_given());
    }
}
