//! The way from the cloud to a receiver's volts, bin by bin of the record's transform.
//!
//! Sound in pascals at the receiver's place, as in an endless lossless liquid, becomes volts by
//!
//! H(f) = exp(−α(f)·d) · 10^(−IL(f)/20) · S · 10^(r(f)/20) · (1 + W(f)),
//!
//! α the absorption of what fills the way of length d from the focus, IL a plate's loss, S and r the
//! receiver's sensitivity (V/Pa) and its response over frequency (dB), W the transform of the
//! reverberation: reflections of random sign from one sample on whose envelope falls by 60 dB in the
//! decay time and whose energy is a stated share of the direct sound's. Beyond their points loss and
//! response stay those of their nearest end: sound there must go somewhere, and this is a simulated
//! bench. No factor but W has a phase; delays are the cloud's own.
//!
//! Noise is made in the same transform: 4πkTρf²/c of the liquid (Mellen, J. Acoust. Soc. Am. 24, 478,
//! 1952) heard by the receiver, and the electronics' white noise. The record is continued by silence
//! for as long as reflections last, so that nothing goes round that would be heard.

use std::sync::Arc;

use rand_pcg::Pcg64;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::bubble::closed::water_absorption_np_per_m;
use super::noise::{Ziggurat, share};
use crate::signal::{Curve, as_f64};

/// Samples that no filter but the reverberation reaches over.
const REACH: usize = 2048;
/// ln(1000): an amplitude that falls by 60 dB.
const SIXTY_DB: f64 = 6.907_755_278_982_137;

/// Reflections of a tank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reverberation {
    /// Energy of all reflections over that of the direct sound, dB.
    pub share_db: f64,
    /// Time in which they fall by 60 dB, s.
    pub decay_s: f64,
}

/// How the way from the focus to a receiver absorbs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Absorption {
    /// Water at 20 °C, whatever the bubbles lie in: a vessel is thin, and the rest of the way is the
    /// tank's water.
    Water,
    /// A power of the frequency.
    Power {
        /// Loss at 1 MHz, dB/m.
        db_per_m: f64,
        /// Exponent of the frequency.
        exponent: f64,
    },
}

impl Absorption {
    /// The share of the amplitude that is left after a distance.
    fn left(self, frequency_hz: f64, distance_m: f64) -> f64 {
        match self {
            Self::Water => {
                let absorption = water_absorption_np_per_m(1.0);
                libm::exp(-absorption * frequency_hz * frequency_hz * distance_m)
            }
            Self::Power { db_per_m, exponent } => {
                let db = db_per_m * distance_m * libm::pow(1e-6 * frequency_hz, exponent);
                libm::pow(10.0, -db / 20.0)
            }
        }
    }
}

/// What lies between the focus and one receiver's volts.
#[derive(Debug, Clone)]
pub(super) struct Way<'a> {
    pub(super) absorption: Absorption,
    /// From the focus to the receiver, m.
    pub(super) distance_m: f64,
    /// Density of the liquid's thermal noise, Pa²/Hz/Hz².
    pub(super) thermal: f64,
    pub(super) loss: Option<&'a Curve>,
    pub(super) sensitivity_v_per_pa: f64,
    pub(super) response: Option<&'a Curve>,
    pub(super) reverberation: Option<Reverberation>,
}

/// A way ready for records of one length.
#[derive(Clone)]
pub(super) struct Path {
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
    /// H of bins 0 to n/2, V/Pa, the transform's own length divided out.
    factors: Vec<Complex<f64>>,
    /// Density of the liquid's thermal noise as heard, V²/Hz, in the same bins.
    thermal_v2_per_hz: Vec<f64>,
    /// fs/4n: from a density to the variance of each part of a bin.
    variance_per_density: f64,
}

impl std::fmt::Debug for Path {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Path").field("bins", &self.factors.len()).finish_non_exhaustive()
    }
}

/// The next even length without a prime factor above 5.
fn smooth(least: usize) -> usize {
    let mut n = least.next_multiple_of(2);
    loop {
        let mut rest = n;
        for factor in [2, 3, 5] {
            while rest.is_multiple_of(factor) {
                rest /= factor;
            }
        }
        if rest == 1 {
            return n;
        }
        n += 2;
    }
}

fn at(curve: Option<&Curve>, frequency_hz: f64) -> f64 {
    let held = |curve: &Curve| {
        let [first, last] = curve.range_hz();
        curve.at(frequency_hz.clamp(first, last))
    };
    curve.and_then(held).unwrap_or(0.0)
}

/// The whole number of samples below a time in samples, at most `most`.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates and the result is bounded"
)]
fn samples(time: f64, most: usize) -> usize {
    (time as usize).min(most)
}

impl Path {
    /// Of a way, for records of so many samples; `random` decides where reflections come from.
    pub(super) fn new(way: &Way<'_>, record: usize, rate_hz: f64, random: &mut Pcg64) -> Self {
        let tail = way.reverberation.map_or(0, |reverb| samples(reverb.decay_s * rate_hz, record));
        let n = smooth(record + REACH + tail);
        let mut planner = FftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
        let mut reflections = reflections(way.reverberation, tail, rate_hz, random);
        reflections.resize(n, Complex::default());
        forward.process(&mut reflections);
        let (mut factors, mut thermal_v2_per_hz) = (Vec::new(), Vec::new());
        for (bin, reflected) in reflections.iter().enumerate().take(n / 2 + 1) {
            let bin_hz = as_f64(bin) * rate_hz / as_f64(n);
            let heard = way.sensitivity_v_per_pa
                * libm::pow(10.0, at(way.response, bin_hz.max(1.0)) / 20.0);
            let absorbed = way.absorption.left(bin_hz, way.distance_m);
            let kept = libm::pow(10.0, -at(way.loss, bin_hz.max(1.0)) / 20.0);
            factors.push((reflected + 1.0) * (heard * absorbed * kept / as_f64(n)));
            thermal_v2_per_hz.push(way.thermal * bin_hz * bin_hz * heard * heard);
        }
        let variance_per_density = rate_hz / (4.0 * as_f64(n));
        Self { forward, inverse, factors, thermal_v2_per_hz, variance_per_density }
    }

    /// Length of the transform.
    const fn len(&self) -> usize {
        2 * (self.factors.len() - 1)
    }

    /// Two sounds in pascals go through the way side by side, the real and the imaginary part of
    /// `bins`, which is continued to the transform's length; they are volts afterwards. Noise with
    /// `electronic_v2_per_hz` joins the imaginary one. Without sound only noise is made.
    pub(super) fn hear(
        &self,
        bins: &mut Vec<Complex<f64>>,
        sounds: bool,
        electronic_v2_per_hz: f64,
        (ziggurat, random): (&Ziggurat, &mut Pcg64),
    ) {
        let n = self.len();
        bins.resize(n, Complex::default());
        if sounds {
            self.forward.process(bins);
            bins[0] *= self.factors[0];
            for bin in 1..n / 2 {
                bins[bin] *= self.factors[bin];
                bins[n - bin] *= self.factors[bin].conj();
            }
            bins[n / 2] *= self.factors[n / 2];
        }
        for (bin, thermal) in self.thermal_v2_per_hz.iter().enumerate() {
            let density = electronic_v2_per_hz + thermal;
            let deviation = libm::sqrt(density * self.variance_per_density);
            let [re, im] = [(); 2].map(|()| deviation * ziggurat.draw(random));
            // The noise's own bins are re + i·im and its conjugate; i times them is the imaginary
            // part of the pair.
            if bin == 0 || bin == n / 2 {
                bins[bin] += Complex::new(0.0, std::f64::consts::SQRT_2 * re);
            } else {
                bins[bin] += Complex::new(-im, re);
                bins[n - bin] += Complex::new(im, re);
            }
        }
        self.inverse.process(bins);
    }
}

/// The reflections' impulse response.
fn reflections(
    reverberation: Option<Reverberation>,
    tail: usize,
    rate_hz: f64,
    random: &mut Pcg64,
) -> Vec<Complex<f64>> {
    let Some(Reverberation { share_db, decay_s }) = reverberation else { return Vec::new() };
    let fall = libm::exp(-SIXTY_DB / (decay_s * rate_hz));
    let (mut envelope, mut energy) = (1.0, 0.0);
    let mut response = vec![Complex::default()];
    for _ in 0..tail {
        envelope *= fall;
        // Uniform numbers do as well as any: only their mean square is heard.
        let reflected = envelope * (2.0 * share(random) - 1.0);
        energy += reflected * reflected;
        response.push(Complex::new(reflected, 0.0));
    }
    // What the record cuts off takes its part of the share with it.
    let kept = kept(fall, [as_f64(tail), libm::floor(decay_s * rate_hz)]);
    let share = kept * libm::pow(10.0, share_db / 10.0);
    let scale = if energy > 0.0 { libm::sqrt(share / energy) } else { 0.0 };
    response.iter_mut().for_each(|part| *part *= scale);
    response
}

/// Energy of so many samples of an envelope over that of all, up to the decay time.
fn kept(fall: f64, [tail, whole]: [f64; 2]) -> f64 {
    let energy = |samples: f64| -libm::expm1(2.0 * samples * libm::log(fall));
    if tail < whole { energy(tail) / energy(whole) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::super::noise::generator;
    use super::*;

    const RATE_HZ: f64 = 20e6;

    fn way<'a>(loss: Option<&'a Curve>, response: Option<&'a Curve>) -> Way<'a> {
        Way {
            absorption: Absorption::Power { db_per_m: 0.0, exponent: 1.0 },
            distance_m: 0.07,
            thermal: 0.0,
            loss,
            sensitivity_v_per_pa: 1.0,
            response,
            reverberation: None,
        }
    }

    /// A sound and its volts behind a way, without noise.
    fn heard(way: &Way<'_>, sound: &[f64]) -> Vec<f64> {
        let mut random = generator([1, 2, 3]);
        let path = Path::new(way, sound.len(), RATE_HZ, &mut random);
        let mut bins: Vec<Complex<f64>> = sound.iter().map(|&pa| Complex::new(pa, 0.0)).collect();
        path.hear(&mut bins, true, 0.0, (&Ziggurat::new(), &mut random));
        bins[..sound.len()].iter().map(|bin| bin.re).collect()
    }

    fn tone(frequency_hz: f64) -> Vec<f64> {
        let turn = std::f64::consts::TAU * frequency_hz / RATE_HZ;
        (0..30_000).map(|i| libm::sin(turn * as_f64(i))).collect()
    }

    fn power(values: &[f64]) -> f64 {
        values[10_000..20_000].iter().map(|v| v * v).sum::<f64>() / 10_000.0
    }

    #[track_caller]
    fn check_lowered(way: &Way<'_>, frequency_hz: f64, db: f64) {
        let sound = tone(frequency_hz);
        let lowered = 10.0 * libm::log10(power(&sound) / power(&heard(way, &sound)));
        assert!((lowered - db).abs() < 0.01, "{frequency_hz} Hz: {lowered} dB, not {db}");
    }

    #[test]
    fn a_tone_is_lowered_by_the_loss_at_its_frequency() {
        let loss = Curve::new(vec![[0.5e6, 6.0], [2e6, 26.0]]).unwrap();
        // Closed form: 1 MHz is halfway in the logarithm from 0.5 to 2; 3 MHz keeps the last loss.
        for (frequency_hz, db) in [(1e6, 16.0), (3e6, 26.0), (0.5e6, 6.0)] {
            check_lowered(&way(Some(&loss), None), frequency_hz, db);
        }
    }

    #[test]
    fn a_receiver_s_response_and_sensitivity_multiply() {
        let response = Curve::new(vec![[0.5e6, -3.0], [2e6, 5.0]]).unwrap();
        let deaf = Way { sensitivity_v_per_pa: 0.1, ..way(None, Some(&response)) };
        check_lowered(&deaf, 1e6, 20.0 - 1.0);
    }

    #[test]
    fn water_absorbs_with_the_square_of_the_frequency() {
        let water = Way { absorption: Absorption::Water, distance_m: 0.1, ..way(None, None) };
        // COMPUTED: numpy.exp(-25.3e-15*f**2*0.1) is .938708767 at 5 MHz, as an amplitude
        check_lowered(&water, 5e6, -20.0 * libm::log10(0.938_708_767));
        check_lowered(&water, 1e6, -20.0 * libm::log10(0.997_473_198));
    }

    #[test]
    fn another_medium_absorbs_by_the_power_that_is_stated() {
        let absorption = Absorption::Power { db_per_m: 50.0, exponent: 1.1 };
        let gel = Way { absorption, distance_m: 0.02, ..way(None, None) };
        // COMPUTED: 0.5 dB/cm at 1 MHz over 2 cm is 1 dB; 1*5**1.1 is 5.873095 dB
        check_lowered(&gel, 1e6, 1.0);
        check_lowered(&gel, 5e6, 5.873_095);
    }

    #[test]
    fn reflections_add_their_share_to_white_sound_and_fade_as_stated() {
        let reverberation = Some(Reverberation { share_db: -6.0, decay_s: 0.5e-3 });
        let tank = Way { reverberation, ..way(None, None) };
        let mut click = vec![0.0; 30_000];
        click[100] = 1.0;
        let volts = heard(&tank, &click);
        assert!((volts[100] - 1.0).abs() < 1e-9, "{}", volts[100]);
        assert!(volts[..100].iter().all(|volt| volt.abs() < 1e-9));
        let energy = |from: usize| volts[from..].iter().map(|v| v * v).sum::<f64>();
        // Closed form: the share itself; what is left after a third of the decay time is 20 dB less.
        // 3333 reflections before, each with a relative variance of 4/5: 3 % a standard error.
        let share = energy(101);
        assert!((share / 0.251_188_643 - 1.0).abs() < 1e-6, "{share}");
        let left = 10.0 * libm::log10(share / energy(101 + 3333));
        assert!((left - 20.0).abs() < 0.6, "{left}");
    }

    #[test]
    fn reflections_that_outlast_the_record_take_their_part_of_the_share_with_them() {
        let mut click = vec![0.0; 30_000];
        click[0] = 1.0;
        for (share_db, decay_s) in [(0.0, 5e-3), (0.0, 0.1), (-10.0, 1.0), (0.0, 100.0)] {
            let reverberation = Some(Reverberation { share_db, decay_s });
            let volts = heard(&Way { reverberation, ..way(None, None) }, &click);
            // Closed form: of an energy that falls by 60 dB in the decay time, 1 − 10^(−6t/decay) in t.
            let part = -libm::expm1(-6.0 * 10.0_f64.ln() * 30_000.0 / RATE_HZ / decay_s);
            let expected = libm::pow(10.0, share_db / 10.0) * part;
            let found = volts[1..].iter().map(|v| v * v).sum::<f64>();
            assert!(
                (found / expected - 1.0).abs() < 1e-3,
                "{found} of {decay_s} s, not {expected}"
            );
        }
    }

    #[test]
    fn noise_has_the_stated_density_and_no_sound_is_in_it() {
        let liquid = Way { thermal: 1e-21, ..way(None, None) };
        let mut random = generator([4, 5, 6]);
        let path = Path::new(&liquid, 100_000, RATE_HZ, &mut random);
        let mut bins = Vec::new();
        path.hear(&mut bins, false, 2e-9, (&Ziggurat::new(), &mut random));
        // Closed form: the mean density of a·f² from 0 to fs/2 is a·fs²/12.
        let expected = (2e-9 + 1e-21 * RATE_HZ * RATE_HZ / 12.0) * RATE_HZ / 2.0;
        let found = bins.iter().map(|bin| bin.im * bin.im).sum::<f64>() / as_f64(bins.len());
        // 102,400 values, standard error 0.5 %.
        assert!((found / expected - 1.0).abs() < 0.02, "{found} {expected}");
        assert!(bins.iter().all(|bin| bin.re.abs() < 1e-12));
        // Where the liquid's share is greatest: a first difference hears 2(1 − cos(2πf/fs)).
        let change = bins.windows(2).map(|pair| (pair[1].im - pair[0].im).powi(2)).sum::<f64>()
            / as_f64(bins.len() - 1);
        // Closed form: ∫ a·f²·2(1 − cos(2πf/fs)) df = a·fs³(1/12 + 1/(2π²)); white noise twice.
        let third = RATE_HZ * RATE_HZ * RATE_HZ;
        let pi = std::f64::consts::PI;
        let expected = 2e-9 * RATE_HZ + 1e-21 * third * (1.0 / 12.0 + 1.0 / (2.0 * pi * pi));
        assert!((change / expected - 1.0).abs() < 0.02, "{change} {expected}");
    }

    #[test]
    fn lengths_have_small_factors_only() {
        for (least, expected) in [(1, 2), (122_000 + REACH, 124_416), (7, 8), (30_001, 30_720)] {
            assert_eq!(smooth(least), expected);
        }
    }
}
