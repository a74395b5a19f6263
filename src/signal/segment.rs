//! The length of a segment, and how many degrees of freedom an averaged band has.
//!
//! Candidates for N are even, have prime factors ≤ 7 and a bin width within a quarter of the wanted
//! one. N is *bin-locked* when N·f0/(2·fs) is a whole number, so that f0/2 and its multiples fall on
//! bins. Among the locked candidates, else among all, the one nearest the wanted bin width wins, at
//! a tie the smaller.
//!
//! A band of b bins over M segments of a white floor has 2K degrees of freedom,
//! K = b²·M / Σ_{j,k} Σ_{|m|<M} (1 − |m|/M)·|c_{j−k}(m)|²,
//! c_d(m) = Σ w\[n\]·w\[n+mH\]·e^(−2πidn/N) / Σw²: the sum over segments of P. D. Welch,
//! IEEE Trans. Audio Electroacoust. 15 (1967) 70–73, carried over to correlated bins.

use std::ops::Range;

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use super::{SpectrumSpec, as_f64};

/// How a stretch is cut into segments.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Segments {
    /// Samples of a segment, N.
    pub n: usize,
    /// Samples from one segment's start to the next's, H.
    pub hop: usize,
    /// How many whole segments fit, M.
    pub count: usize,
}

impl Segments {
    /// As many segments of `n` samples as fit into `samples`.
    #[must_use]
    pub fn fit(n: usize, overlap: f64, samples: usize) -> Self {
        let hop = hop(n, overlap);
        let count = if samples < n { 0 } else { (samples - n) / hop + 1 };
        Self { n, hop, count }
    }
}

/// H = N − r(N·overlap), rounding half to even; at least 1.
fn hop(n: usize, overlap: f64) -> usize {
    let shared = (as_f64(n) * overlap).round_ties_even();
    (1..=n).rev().find(|&hop| as_f64(n - hop) >= shared).unwrap_or(1)
}

fn is_seven_smooth(mut n: usize) -> bool {
    for prime in [2, 3, 5, 7] {
        while n.is_multiple_of(prime) {
            n /= prime;
        }
    }
    n == 1
}

/// A segment length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Choice {
    /// Its samples, N.
    pub n: usize,
    /// Whether f0/2 and its multiples fall on bins.
    pub locked: bool,
}

/// The segment length for a wanted bin width; nothing when no candidate exists up to `longest`.
pub(super) fn choose(rate_hz: f64, drive_hz: f64, resolution_hz: f64) -> Option<Choice> {
    let mut best: Option<(Choice, f64)> = None;
    for choice in candidates(rate_hz, drive_hz, resolution_hz) {
        let off = (rate_hz / as_f64(choice.n) - resolution_hz).abs();
        let better = best.is_none_or(|(held, held_off)| {
            (choice.locked && !held.locked)
                || (choice.locked == held.locked && off < held_off - 1e-12 * resolution_hz)
        });
        if better {
            best = Some((choice, off));
        }
    }
    best.map(|(choice, _)| choice)
}

/// Every segment length within a quarter of a wanted bin width, ascending.
pub fn candidates(rate_hz: f64, drive_hz: f64, resolution_hz: f64) -> impl Iterator<Item = Choice> {
    let wanted = rate_hz / resolution_hz;
    let longest = 1 << 22;
    let first = first_at_least(wanted / 1.25, longest).unwrap_or(longest + 1);
    (first..=longest)
        .take_while(move |&n| as_f64(n) <= wanted / 0.75 + 1.0)
        .filter(move |&n| {
            let ratio = rate_hz / as_f64(n) / resolution_hz;
            n.is_multiple_of(2) && (0.75..=1.25).contains(&ratio) && is_seven_smooth(n)
        })
        .map(move |n| {
            let cycles = as_f64(n) * drive_hz / (2.0 * rate_hz);
            Choice { n, locked: (cycles - cycles.round()).abs() < 1e-9 }
        })
}

fn first_at_least(value: f64, longest: usize) -> Option<usize> {
    if !value.is_finite() || value > as_f64(longest) {
        return None;
    }
    let (mut low, mut high) = (1, longest);
    while low < high {
        let middle = low.midpoint(high);
        if as_f64(middle) < value - 1.0 { low = middle + 1 } else { high = middle }
    }
    Some(low)
}

/// The longest even 7-smooth N' with two segments inside `samples`.
pub(super) fn longest_holding_two(overlap: f64, samples: usize) -> Option<usize> {
    (2..=samples)
        .rev()
        .filter(|n| n.is_multiple_of(2) && is_seven_smooth(*n))
        .find(|&n| n + hop(n, overlap) <= samples)
}

/// Correlation of a window's bins over segments: c_d(m) for all d at each shift m that overlaps.
pub struct Correlation {
    squared: Vec<Vec<f64>>,
    count: usize,
}

impl Correlation {
    /// Prepares |c_d(m)|² of a window over `segments`.
    #[must_use]
    pub fn new(spec: &SpectrumSpec, segments: Segments) -> Self {
        let Segments { n, hop, count } = segments;
        let w = spec.window.weights(n);
        let squares: f64 = w.iter().map(|x| x * x).sum();
        let transform = FftPlanner::<f64>::new().plan_fft_forward(n);
        let squared = (0..count)
            .take_while(|m| m * hop < n)
            .map(|m| {
                let mut product: Vec<Complex<f64>> = (0..n)
                    .map(|i| {
                        Complex::new(w.get(i + m * hop).map_or(0.0, |later| w[i] * later), 0.0)
                    })
                    .collect();
                transform.process(&mut product);
                product.iter().map(|c| c.norm_sqr() / (squares * squares)).collect()
            })
            .collect();
        Self { squared, count }
    }

    /// K of a band given as runs of bins: half its degrees of freedom.
    #[must_use]
    pub fn half_freedom(&self, band: &[Range<usize>]) -> f64 {
        let bins: Vec<usize> = band.iter().cloned().flatten().collect();
        let (Some(&first), Some(&last)) = (bins.first(), bins.last()) else { return 0.0 };
        let mut pairs = vec![0_u32; last - first + 1];
        for (i, &low) in bins.iter().enumerate() {
            for &high in &bins[i..] {
                pairs[high - low] += 1;
            }
        }
        let m_total = as_f64(self.count);
        let mut sum = 0.0;
        for (m, squared) in self.squared.iter().enumerate() {
            let share = (1.0 - as_f64(m) / m_total) * if m == 0 { 1.0 } else { 2.0 };
            for (d, &pairs) in pairs.iter().enumerate() {
                let twice = if d == 0 { 1.0 } else { 2.0 };
                sum += share * twice * f64::from(pairs) * squared[d % squared.len()];
            }
        }
        as_f64(bins.len()) * as_f64(bins.len()) * m_total / sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Window;

    #[track_caller]
    fn check_choice(rate: f64, drive: f64, resolution: f64, expected: Option<(usize, bool)>) {
        let found = choose(rate, drive, resolution).map(|choice| (choice.n, choice.locked));
        assert_eq!(found, expected);
    }

    #[test]
    fn the_bench_locks_at_four_thousand() {
        check_choice(20e6, 0.7e6, 5e3, Some((4000, true)));
        check_choice(10e6, 0.7e6, 5e3, Some((2000, true)));
    }

    #[test]
    fn without_a_locked_length_the_nearest_wins() {
        check_choice(1e6, 123_457.0, 3906.25, Some((256, false)));
    }

    #[test]
    fn a_resolution_out_of_reach_has_no_length() {
        check_choice(1e6, 1e5, 1e6, None);
        check_choice(1e6, 1e5, 1e-9, None);
    }

    #[test]
    fn a_tie_goes_to_the_smaller() {
        // fs/N − 1000 is +250 at N = 8 and −250 would be N = 13.33; with N = 10 it is 0.
        check_choice(10_000.0, 1234.5, 1000.0, Some((10, false)));
    }

    #[test]
    fn hops_round_half_to_even() {
        assert_eq!(Segments::fit(4000, 0.5, 74_000).hop, 2000);
        assert_eq!(Segments::fit(4000, 0.5, 74_000).count, 36);
        assert_eq!(hop(10, 0.25), 8);
        assert_eq!(hop(14, 0.25), 10);
    }

    #[track_caller]
    fn check_freedom(window: Window, bins: std::ops::Range<usize>, expected: f64) {
        let spec = SpectrumSpec { resolution_hz: 5e3, window, overlap: 0.5 };
        let segments = Segments { n: 4000, hop: 2000, count: 36 };
        let k = Correlation::new(&spec, segments).half_freedom(&[bins]);
        assert!((k - expected).abs() < 0.05 + 1e-3 * expected, "{k} against {expected}");
    }

    #[test]
    fn a_line_of_seven_bins_has_the_computed_freedom() {
        // COMPUTED with NumPy from the formula above, N = 4000, H = 2000, M = 36.
        check_freedom(Window::Hann, 137..144, 129.7);
        check_freedom(Window::BlackmanHarris, 137..144, 102.8);
    }

    #[test]
    fn a_single_bin_has_welchs_freedom() {
        // Welch 1967; 2K/v with K = 8, 16, 64 COMPUTED: Hann 15.2583, 30.4158, 121.3630 and
        // four-term Blackman–Harris 15.9605 at 50 % overlap.
        for (window, count, nu) in [
            (Window::Hann, 8, 15.2583),
            (Window::Hann, 16, 30.4158),
            (Window::Hann, 64, 121.3630),
            (Window::BlackmanHarris, 8, 15.9605),
            (Window::Rectangular, 8, 11.1304),
        ] {
            let spec = SpectrumSpec { resolution_hz: 1.0, window, overlap: 0.5 };
            let segments = Segments { n: 4096, hop: 2048, count };
            let k =
                Correlation::new(&spec, segments).half_freedom(std::slice::from_ref(&(100..101)));
            assert!((2.0 * k - nu).abs() < 1e-3, "{window:?} {count}: {} against {nu}", 2.0 * k);
        }
    }
}
