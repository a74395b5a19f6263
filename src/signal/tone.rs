//! The drive's own tone: its power in a stretch, and its frequency.
//!
//! Power in a stretch of L samples: P = 2·|Σ w·x·e^(−2πi·f0·n/fs)|²/(Σw)², w a periodic Hann window
//! over the whole stretch; a sine of amplitude A gives A²/2. Frequency: the highest bin of √S near
//! f0, refined by the three-point formula d = 2(c − a)/(a + 2b + c), which is exact for the
//! asymptotic kernel of a Hann window.

use std::f64::consts::TAU;
use std::ops::Range;

use super::plan::single;
use super::{Window, as_f64};

/// Samples summed in single precision before folding into double precision.
pub(super) const BLOCK: usize = 256;

/// Window times carrier of one stretch length.
pub(super) struct ToneTable {
    cos: Vec<f32>,
    sin: Vec<f32>,
    scale: f64,
}

impl ToneTable {
    /// For a tone of `cycles` per sample over `len` samples.
    pub(super) fn new(cycles: f64, len: usize) -> Self {
        let weights = Window::Hann.weights(len);
        let sum: f64 = weights.iter().sum();
        let turn = |n: usize| TAU * (cycles * as_f64(n)).fract();
        Self {
            cos: (0..len).map(|n| single(weights[n] * turn(n).cos())).collect(),
            sin: (0..len).map(|n| single(weights[n] * turn(n).sin())).collect(),
            scale: if sum > 0.0 { 2.0 / (sum * sum) } else { 0.0 },
        }
    }

    /// Power of the tone in `x`, in the square of its unit.
    ///
    /// # Panics
    /// When `x` has another length than the table.
    pub(super) fn power(&self, x: &[f32]) -> f64 {
        assert_eq!(x.len(), self.cos.len(), "a tone table serves one length");
        let mut sum = ToneSum::default();
        self.add(&mut sum, x);
        self.power_of(&sum)
    }

    /// Adds what has come since the last time of the stretch `so_far`, block by block; what is left
    /// of a block only when the stretch is whole.
    pub(super) fn add(&self, sum: &mut ToneSum, so_far: &[f32]) {
        let len = self.cos.len();
        while sum.done + BLOCK <= so_far.len() || (so_far.len() == len && sum.done < len) {
            let block = sum.done..(sum.done + BLOCK).min(so_far.len());
            sum.re += f64::from(dot(&so_far[block.clone()], &self.cos[block.clone()]));
            sum.im += f64::from(dot(&so_far[block.clone()], &self.sin[block.clone()]));
            sum.done = block.end;
        }
    }

    /// Power of the tone in a whole stretch that was added.
    pub(super) fn power_of(&self, sum: &ToneSum) -> f64 {
        (sum.re * sum.re + sum.im * sum.im) * self.scale
    }
}

/// A stretch against a tone, so far.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct ToneSum {
    done: usize,
    re: f64,
    im: f64,
}

/// Σ a·b over a block, in eight lanes so that it is fast and its order is fixed.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0_f32; 8];
    let (head, tail) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = head.remainder().iter().zip(tail.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in head.zip(tail) {
        for lane in 0..8 {
            lanes[lane] += x[lane] * y[lane];
        }
    }
    lanes.iter().sum::<f32>() + rest
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
