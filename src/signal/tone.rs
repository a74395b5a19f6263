//! The drive's own tone: its power in a stretch, and its frequency.
//!
//! Power in a stretch of L samples: P = 2·|Σ w·x·e^(−2πi·f0·n/fs)|²/(Σw)², w a periodic Hann window
//! over the whole stretch; a sine of amplitude A gives A²/2. Frequency: the highest bin of √S near
//! f0, refined by the three-point formula d = 2(c − a)/(a + 2b + c), which is exact for the
//! asymptotic kernel of a Hann window.

use std::f64::consts::TAU;
use std::ops::Range;

use super::plan::single;
use super::wide::widest;
use super::{Window, as_f64};

/// Samples summed in single precision before folding into double precision.
pub(super) const BLOCK: usize = 256;

/// Sums of a block that run beside each other: two of the widest registers in common use.
const LANES: usize = 16;

/// Window of one stretch length, and the carrier over one block: both small, so that the samples'
/// neighbours in the nearest caches stay there.
pub(super) struct ToneTable {
    window: Vec<f32>,
    cos: [f32; BLOCK],
    sin: [f32; BLOCK],
    /// Cosine and sine of the carrier where each block begins.
    begins: Vec<[f64; 2]>,
    scale: f64,
}

impl ToneTable {
    /// For a tone of `cycles` per sample over `len` samples.
    pub(super) fn new(cycles: f64, len: usize) -> Self {
        let weights = Window::Hann.weights(len);
        let sum: f64 = weights.iter().sum();
        let turn = |n: usize| TAU * (cycles * as_f64(n)).fract();
        Self {
            window: weights.into_iter().map(single).collect(),
            cos: std::array::from_fn(|n| single(turn(n).cos())),
            sin: std::array::from_fn(|n| single(turn(n).sin())),
            begins: (0..len).step_by(BLOCK).map(|n| [turn(n).cos(), turn(n).sin()]).collect(),
            scale: if sum > 0.0 { 2.0 / (sum * sum) } else { 0.0 },
        }
    }

    /// Power of the tone in `x`, in the square of its unit.
    ///
    /// # Panics
    /// When `x` has another length than the table.
    pub(super) fn power(&self, x: &[f32]) -> f64 {
        assert_eq!(x.len(), self.window.len(), "a tone table serves one length");
        let mut sum = ToneSum::default();
        self.add(&mut sum, x);
        self.power_of(&sum)
    }

    /// Adds what has come since the last time of the stretch `so_far`, block by block; what is left
    /// of a block only when the stretch is whole.
    pub(super) fn add(&self, sum: &mut ToneSum, so_far: &[f32]) {
        let len = self.window.len();
        while sum.done + BLOCK <= so_far.len() || (so_far.len() == len && sum.done < len) {
            let block = sum.done..(sum.done + BLOCK).min(so_far.len());
            let (x, window) = (&so_far[block.clone()], &self.window[block.clone()]);
            sum.turn(x, window, (&self.cos, &self.sin), self.begins[block.start / BLOCK]);
            sum.done = block.end;
        }
    }

    /// Power of the tone in a whole stretch that was added.
    pub(super) fn power_of(&self, sum: &ToneSum) -> f64 {
        let [re, im] = [sum.re, sum.im].map(|lanes| lanes.iter().sum::<f64>());
        (re * re + im * im) * self.scale
    }
}

/// A stretch against a tone, so far.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct ToneSum {
    done: usize,
    re: [f64; LANES],
    im: [f64; LANES],
}

impl ToneSum {
    /// Adds Σ w·x·(cos + i sin) of a block, turned by what the carrier had turned when it began.
    // In line, the tables would be loaded into registers before it is known that they are not wanted.
    #[inline(never)]
    fn turn(
        &mut self,
        x: &[f32],
        window: &[f32],
        (cos, sin): (&[f32; BLOCK], &[f32; BLOCK]),
        [begin_cos, begin_sin]: [f64; 2],
    ) {
        widest(
            #[inline(always)]
            || {
                let (mut re, mut im) = ([0.0_f32; LANES], [0.0_f32; LANES]);
                let (chunks, rest) = x.as_chunks::<LANES>();
                let (windows, last) = window.as_chunks::<LANES>();
                let carrier = cos.as_chunks::<LANES>().0.iter().zip(sin.as_chunks::<LANES>().0);
                for ((x, w), (cos, sin)) in chunks.iter().zip(windows).zip(carrier) {
                    for lane in 0..LANES {
                        re[lane] += x[lane] * w[lane] * cos[lane];
                        im[lane] += x[lane] * w[lane] * sin[lane];
                    }
                }
                let done = x.len() - rest.len();
                for (lane, (x, w)) in rest.iter().zip(last).enumerate() {
                    re[lane] += x * w * cos[done + lane];
                    im[lane] += x * w * sin[done + lane];
                }
                for lane in 0..LANES {
                    let (re, im) = (f64::from(re[lane]), f64::from(im[lane]));
                    self.re[lane] += re * begin_cos - im * begin_sin;
                    self.im[lane] += re * begin_sin + im * begin_cos;
                }
            },
        );
    }
}

/// Position of the highest of √S within `bins`, refined, in bins.
///
/// `s` is a power spectral density over bins 0 … N/2. Nothing when the stretch touches the ends of
/// the spectrum or holds no power.
pub(super) fn peak_bin(s: &[f64], bins: Range<usize>) -> Option<f64> {
    let first = bins.start.max(1);
    let last = bins.end.min(s.len().saturating_sub(1));
    let k = (first..last).max_by(|&a, &b| s[a].total_cmp(&s[b]).then(b.cmp(&a)))?;
    let (a, b, c) = (s[k - 1].sqrt(), s[k].sqrt(), s[k + 1].sqrt());
    let sum = a + 2.0 * b + c;
    (sum > 0.0).then(|| as_f64(k) + 2.0 * (c - a) / sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(n: usize, bin: f64, phase: f64, amplitude: f64) -> Vec<f64> {
        (0..n).map(|i| amplitude * (TAU * bin * as_f64(i) / as_f64(n) + phase).cos()).collect()
    }

    fn magnitudes(x: &[f64]) -> Vec<f64> {
        let n = x.len();
        let w = Window::Hann.weights(n);
        (0..=n / 2)
            .map(|k| {
                let (mut re, mut im) = (0.0, 0.0);
                for i in 0..n {
                    let turn = TAU * (as_f64(k * i % n)) / as_f64(n);
                    re += w[i] * x[i] * turn.cos();
                    im -= w[i] * x[i] * turn.sin();
                }
                re * re + im * im
            })
            .collect()
    }

    #[track_caller]
    fn check_peak(n: usize, bin: f64, phase: f64, amplitude: f64, refined: f64) {
        let s = magnitudes(&tone(n, bin, phase, amplitude));
        let found = peak_bin(&s, 2..n / 2 - 2).unwrap();
        assert!((found - refined).abs() < 1e-9, "{found} against {refined}");
    }

    #[test]
    fn three_points_find_a_tone_between_bins() {
        // COMPUTED with NumPy's FFT: Hann window, d = 2(c − a)/(a + 2b + c).
        check_peak(256, 20.3, 0.7, 1.0, 20.300_000_406_0);
        check_peak(1024, 126.3616, 0.3, 1.0, 126.361_600_000_3);
        check_peak(1024, 100.0, 0.0, 0.2, 100.0);
    }

    #[test]
    fn a_sine_of_amplitude_a_has_power_half_a_squared() {
        let table = ToneTable::new(0.035, 24_666);
        let x: Vec<f32> =
            (0..24_666).map(|i| single(0.3 * (TAU * 0.035 * as_f64(i) + 1.0).sin())).collect();
        assert!((table.power(&x) / 0.045 - 1.0).abs() < 1e-5);
    }

    #[test]
    fn another_tone_is_not_heard() {
        let table = ToneTable::new(0.035, 20_000);
        let x: Vec<f32> = (0..20_000).map(|i| single((TAU * 0.05 * as_f64(i)).sin())).collect();
        assert!(table.power(&x) < 1e-10);
    }
}
