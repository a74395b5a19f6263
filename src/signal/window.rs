//! Windows of the segments, all periodic: w\[n\] = Σ aᵢ·cos(2πin/N), n = 0 … N − 1.
//!
//! Source: F. J. Harris, Proc. IEEE 66 (1978) 51–83 for the coefficients; periodic rather than
//! symmetric, so that Hann's equivalent noise bandwidth is 1.5 bins exactly.

use std::f64::consts::TAU;

use super::Window;

impl Window {
    /// Cosine coefficients a₀, a₁, … with alternating signs already applied.
    const fn coefficients(self) -> &'static [f64] {
        match self {
            Self::Hann => &[0.5, -0.5],
            Self::BlackmanHarris => &[0.35875, -0.48829, 0.14128, -0.01168],
            Self::Rectangular => &[1.0],
        }
    }

    /// The `n` weights of the periodic window, dimensionless.
    #[must_use]
    pub fn weights(self, n: usize) -> Vec<f64> {
        let coefficients = self.coefficients();
        (0..n)
            .map(|sample| {
                let turn = TAU * as_f64(sample) / as_f64(n);
                coefficients.iter().zip(0_u32..).map(|(a, i)| a * (f64::from(i) * turn).cos()).sum()
            })
            .collect()
    }

    /// Equivalent noise bandwidth in bins: (a₀² + ½Σaᵢ²)/a₀².
    #[must_use]
    pub fn noise_bandwidth_bins(self) -> f64 {
        let coefficients = self.coefficients();
        let first = coefficients[0] * coefficients[0];
        let rest: f64 = coefficients[1..].iter().map(|a| a * a).sum();
        (first + 0.5 * rest) / first
    }
}

/// A length or index as a number; exact below 2⁵³.
#[must_use]
#[allow(clippy::cast_precision_loss, reason = "lengths and indices stay far below 2^53")]
pub const fn as_f64(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_bandwidth(window: Window, bins: f64) {
        assert!((window.noise_bandwidth_bins() - bins).abs() < 1e-6, "{window:?}");
        let weights = window.weights(4096);
        let sum: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        assert!((4096.0 * squares / (sum * sum) - bins).abs() < 1e-6, "{window:?}");
    }

    #[test]
    fn noise_bandwidths_are_the_published_ones() {
        // Heinzel, Rüdiger, Schilling 2002, window catalogue: Hann 1.5, Blackman–Harris 92 dB 2.0044;
        // digits beyond COMPUTED with SciPy: scipy.signal.get_window(name, 4096).
        check_bandwidth(Window::Hann, 1.5);
        check_bandwidth(Window::BlackmanHarris, 2.004_352_9);
        check_bandwidth(Window::Rectangular, 1.0);
    }

    #[test]
    fn coherent_gains_are_the_published_ones() {
        // Harris, Proc. IEEE 66 (1978), Table I, from memory: Hann .50, Blackman–Harris .36.
        for (window, gain) in [(Window::Hann, 0.5), (Window::BlackmanHarris, 0.35875)] {
            let mean = window.weights(4096).iter().sum::<f64>() / 4096.0;
            assert!((mean - gain).abs() < 1e-9);
        }
    }

    #[test]
    fn a_short_hann_window_is_periodic() {
        // COMPUTED with SciPy: scipy.signal.get_window('hann', 8).
        let expected = [0.0, 0.146_446_61, 0.5, 0.853_553_39, 1.0, 0.853_553_39, 0.5, 0.146_446_61];
        for (weight, value) in Window::Hann.weights(8).iter().zip(expected) {
            assert!((weight - value).abs() < 1e-8);
        }
    }

    #[test]
    fn overlap_correlation_is_the_published_one() {
        // Harris 1978, Table I, from memory: Hann 16.7 % at 50 % overlap, Blackman–Harris 3.8 %;
        // further digits COMPUTED with SciPy: scipy.signal.get_window(name, 4096).
        for (window, value) in [(Window::Hann, 0.166_667), (Window::BlackmanHarris, 0.037_602)] {
            let w = window.weights(4096);
            let squares: f64 = w.iter().map(|x| x * x).sum();
            let shifted: f64 = w[..2048].iter().zip(&w[2048..]).map(|(a, b)| a * b).sum();
            assert!((shifted / squares - value).abs() < 2e-6, "{window:?}");
        }
    }
}
