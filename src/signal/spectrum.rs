//! Welch's averaged power spectral density of a stretch, as its samples arrive.
//!
//! S\[k\] = c_k/(fs·Σw²) · mean over segments of |Σ w\[n\]·x\[n\]·e^(−2πikn/N)|², c_k = 1 at k = 0
//! and N/2, else 2; V²/Hz, no detrending. P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967)
//! 70–73; the same as `scipy.signal.welch(x, fs, w, N, N − H, detrend=False)`.
//!
//! Segments 2j and 2j + 1 share one complex transform of z = a + ib, because
//! |Z\[k\]|² + |Z\[N−k\]|² = 2(|A\[k\]|² + |B\[k\]|²). Up to four pairs are summed in single
//! precision on a fixed grid from segment 0, then folded into double precision, so the result does
//! not depend on how the samples arrive.

use rustfft::Fft;
use rustfft::num_complex::Complex;

use super::as_f64;
use super::segment::Segments;
use super::wide::widest;

/// Pairs of segments summed in single precision before folding.
const PAIRS_TO_FOLD: usize = 4;

/// Running sum of the segments' spectra, and the scratch to make them.
pub(super) struct Averager {
    segments: Segments,
    done: usize,
    unfolded: usize,
    z: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    narrow: Vec<f32>,
    wide: Vec<f64>,
}

impl Averager {
    pub(super) fn new(segments: Segments, transform: &dyn Fft<f32>) -> Self {
        let n = segments.n;
        Self {
            segments,
            done: 0,
            unfolded: 0,
            z: vec![Complex::default(); n],
            scratch: vec![Complex::default(); transform.get_inplace_scratch_len()],
            narrow: vec![0.0; n],
            wide: vec![0.0; n / 2 + 1],
        }
    }

    pub(super) fn begin(&mut self) {
        self.done = 0;
        self.unfolded = 0;
        self.wide.fill(0.0);
    }

    /// Segments summed so far.
    pub(super) const fn done(&self) -> usize {
        self.done
    }

    /// Sums the next pair when `x`, the stretch so far, holds it whole; the last one goes alone.
    pub(super) fn step(&mut self, x: &[f32], window: &[f32], transform: &dyn Fft<f32>) -> bool {
        let Segments { n, hop, count } = self.segments;
        let left = count - self.done;
        let taken = left.min(2);
        if taken == 0 || x.len() < (self.done + taken - 1) * hop + n {
            return false;
        }
        let first = &x[self.done * hop..][..n];
        let second = (taken == 2).then(|| &x[(self.done + 1) * hop..][..n]);
        pair(&mut self.z, first, second, window);
        transform.process_with_scratch(&mut self.z, &mut self.scratch);
        add_squares(&mut self.narrow, &self.z, self.unfolded == 0);
        self.done += taken;
        self.unfolded += 1;
        if self.unfolded == PAIRS_TO_FOLD || self.done == count {
            self.fold();
        }
        true
    }

    fn fold(&mut self) {
        let narrow = &self.narrow[..];
        self.wide[0] += f64::from(narrow[0]);
        for ((sum, up), down) in
            self.wide[1..].iter_mut().zip(&narrow[1..]).zip(narrow.iter().rev())
        {
            *sum += 0.5 * (f64::from(*up) + f64::from(*down));
        }
        self.unfolded = 0;
    }

    /// Σ|X\[k\]|² over the segments so far, bin by bin, in counts².
    pub(super) fn sums(&mut self) -> &[f64] {
        if self.unfolded > 0 {
            self.fold();
        }
        &self.wide
    }

    /// Writes S of the segments so far; `scale` is 1/(fs·Σw²) times the square of volts per count.
    pub(super) fn density(&mut self, scale: f64, out: &mut [f64]) {
        let per_segment = scale / as_f64(self.done.max(1));
        let last = self.segments.n / 2;
        let sums = self.sums();
        for (s, sum) in out.iter_mut().zip(sums) {
            *s = 2.0 * per_segment * sum;
        }
        for k in [0, last] {
            out[k] = per_segment * sums[k];
        }
    }
}

/// z = w·(a + ib), with b = 0 where there is no second segment.
fn pair(z: &mut [Complex<f32>], first: &[f32], second: Option<&[f32]>, window: &[f32]) {
    widest(
        #[inline(always)]
        || match second {
            Some(second) => {
                for (((z, a), b), w) in z.iter_mut().zip(first).zip(second).zip(window) {
                    *z = Complex::new(a * w, b * w);
                }
            }
            None => {
                for ((z, a), w) in z.iter_mut().zip(first).zip(window) {
                    *z = Complex::new(a * w, 0.0);
                }
            }
        },
    );
}

/// Adds |z|², or begins anew with it.
fn add_squares(sums: &mut [f32], z: &[Complex<f32>], anew: bool) {
    widest(
        #[inline(always)]
        || {
            let squares = sums.iter_mut().zip(z.iter().map(|z| z.re * z.re + z.im * z.im));
            if anew {
                squares.for_each(|(sum, square)| *sum = square);
            } else {
                squares.for_each(|(sum, square)| *sum += square);
            }
        },
    );
}
