//! A path that sound goes through on its way to the receiver: a loss over frequency, without delay.
//!
//! Each bin of the record's discrete Fourier transform is multiplied by 10^(−IL/20), IL in dB. Beyond
//! the table the loss stays that of its nearest end: sound there must go somewhere, and this is a
//! simulated plate. The record is continued by silence to the next power of two, so that little goes
//! round.

use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::signal::{Curve, as_f64};

/// A loss ready for records of one length.
#[derive(Clone)]
pub(super) struct Path {
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
    /// Factor of each bin, the transform's own length divided out.
    factors: Vec<f64>,
}

impl std::fmt::Debug for Path {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Path").field("bins", &self.factors.len()).finish_non_exhaustive()
    }
}

impl Path {
    /// Of a loss, for records of so many samples.
    pub(super) fn new(loss: &Curve, record: usize, rate_hz: f64) -> Self {
        let n = (record + record / 4).next_power_of_two();
        let mut planner = FftPlanner::new();
        let [first_hz, last_hz] = loss.range_hz();
        let factors = (0..n)
            .map(|bin| {
                let bin_hz = as_f64(bin.min(n - bin)) * rate_hz / as_f64(n);
                let db = loss.at(bin_hz.clamp(first_hz, last_hz)).unwrap_or(0.0);
                libm::pow(10.0, -db / 20.0) / as_f64(n)
            })
            .collect();
        Self { forward: planner.plan_fft_forward(n), inverse: planner.plan_fft_inverse(n), factors }
    }

    /// Adds `sound` behind the path to `volts`.
    pub(super) fn add(&self, sound: &[f64], volts: &mut [f64]) {
        let mut bins: Vec<Complex<f64>> =
            sound.iter().map(|&volt| Complex::new(volt, 0.0)).collect();
        bins.resize(self.factors.len(), Complex::default());
        self.forward.process(&mut bins);
        for (bin, factor) in bins.iter_mut().zip(&self.factors) {
            *bin *= *factor;
        }
        self.inverse.process(&mut bins);
        for (volt, bin) in volts.iter_mut().zip(&bins) {
            *volt += bin.re;
        }
    }
}
