//! The emission law: what sounds how loud at which drive d (MPa).
//!
//! A simple law without bubble dynamics, for the forecast's test alone: emission that rises steadily
//! with the drive and in each pulse fluctuates alike, as the forecast assumes, so that the drive at
//! which half of the pulses are found is one number. The physics of `bench::bubble` has no such
//! number: bubbles break, are used up, and become regular again above a drive.
//!
//! * Sound of the drive with its propagation harmonics, from the first arrival on: the first term of
//!   Fubini's series for a plane wave before its shock, amplitude of harmonic h
//!   A_h = A₁·(hσ/2)^(h−1)/h!, A₁ = acoustic·d, σ = shock·d, so A_h grows as d^h (Fubini 1935; in
//!   English: Blackstock, J. Acoust. Soc. Am. 39, 1019, 1966). There with and without bubbles.
//! * Feed-through of the drive, a fixed share of A₁, a quarter turn off, from trigger to the end of
//!   the burst.
//! * Bubbles: harmonics B_h·d² in amplitude with a random phase; lines at f0/2, 3f0/2, … of mean
//!   square P·((d/d₁)² − 1) above the onset d₁; bursts of shaped noise, Poisson at a rate
//!   r·(d/d₂ − 1) above the inertial onset d₂. All three share a log-normal fluctuation from pulse
//!   to pulse.
//! * Receiver noise, white, and tones that are no sound: always there.
//! * An uncoupled receiver hears sound lowered by a fixed loss; feed-through, noise and tones stay.

use crate::signal::Curve;

/// Highest harmonic of the drive that the law knows.
pub(super) const HARMONICS: usize = 5;

/// Every constant of the law. Volts are those of channel 0 at the converter.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Law {
    /// One-sided density of the receiver's white noise, V²/Hz.
    pub(super) noise_v2_per_hz: f64,
    /// Amplitude of the drive's sound per drive, V/MPa.
    pub(super) acoustic_v_per_mpa: f64,
    /// Feed-through's amplitude over that of the sound, a share.
    pub(super) feed_through_share: f64,
    /// Length of the feed-through's raised-cosine ramps, s.
    pub(super) feed_through_ramp_s: f64,
    /// Length of the sound's raised-cosine ramps, s.
    pub(super) ramp_s: f64,
    /// σ of Fubini's series per drive, 1/MPa.
    pub(super) shock_per_mpa: f64,
    /// Standard deviation of the amplifier's amplitude from pulse to pulse, a share.
    pub(super) drive_wander: f64,
    /// Amplitude of the bubbles' harmonics 2 to 5 per drive squared, V/MPa².
    pub(super) bubble_harmonic_v_per_mpa2: [f64; HARMONICS - 1],
    /// Drive above which half-order lines sound, MPa.
    pub(super) half_order_onset_mpa: f64,
    /// Mean square of the lines at 1/2, 3/2, 5/2, 7/2 f0 where (d/onset)² = 2, V².
    pub(super) half_order_v2: [f64; 4],
    /// Time constant of each of the two smoothings of a half-order line's complex amplitude, s: the
    /// line builds up and stays coherent for about this long, and is about 1/(2π·this) wide.
    pub(super) half_order_coherence_s: f64,
    /// Standard deviation of all bubble emission from pulse to pulse, dB.
    pub(super) fluctuation_db: f64,
    /// Drive above which broadband bursts come, MPa.
    pub(super) inertial_onset_mpa: f64,
    /// Bursts a second of burst where d is twice the onset, 1/s.
    pub(super) noise_bursts_per_s: f64,
    /// Mean length of a noise burst, s; exponentially distributed, sin² in amplitude.
    pub(super) noise_burst_s: f64,
    /// One-sided density of a noise burst at its loudest, in the middle of its band, V²/Hz.
    pub(super) noise_burst_v2_per_hz: f64,
    /// Corners of the noise burst's first-order high-pass and low-pass, Hz.
    pub(super) noise_burst_corners_hz: [f64; 2],
    /// Tones that are no sound: frequency, Hz, and amplitude, V; phase random in each pulse.
    pub(super) tones: [[f64; 2]; 1],
    /// Sound heard by an uncoupled receiver over that of a coupled one, dB.
    pub(super) uncoupled_db: f64,
    /// Loss of the way from sound to receiver, dB; feed-through, noise and tones do not take it.
    pub(super) path_loss: Option<Curve>,
    /// Sensitivity of each channel over that of the one before, dB.
    pub(super) channel_step_db: f64,
}

impl Law {
    /// The law of `simmer demo`: nothing but harmonics up to 0.12 MPa, half-order lines above,
    /// noise bursts above 0.22 MPa.
    #[must_use]
    pub(super) const fn demo() -> Self {
        Self {
            noise_v2_per_hz: 1e-14,
            acoustic_v_per_mpa: 0.5,
            feed_through_share: 0.1,
            feed_through_ramp_s: 2e-6,
            ramp_s: 20e-6,
            shock_per_mpa: 0.27,
            drive_wander: 0.002,
            bubble_harmonic_v_per_mpa2: [0.08, 0.03, 0.01, 0.004],
            half_order_onset_mpa: 0.12,
            half_order_v2: [3e-9, 2.5e-9, 1.5e-9, 0.8e-9],
            half_order_coherence_s: 0.15e-3,
            fluctuation_db: 2.0,
            inertial_onset_mpa: 0.22,
            noise_bursts_per_s: 6000.0,
            noise_burst_s: 0.25e-3,
            noise_burst_v2_per_hz: 3e-13,
            noise_burst_corners_hz: [0.3e6, 3e6],
            tones: [[3.33e6, 60e-6]],
            uncoupled_db: -40.0,
            path_loss: None,
            channel_step_db: -1.0,
        }
    }

    /// Amplitudes of the drive's sound, harmonics 1 to 5, V, at drive `d` MPa.
    #[must_use]
    pub(super) fn sound_v(&self, d: f64) -> [f64; HARMONICS] {
        let half_sigma = 0.5 * self.shock_per_mpa * d;
        let (mut harmonic, mut factorial) = (0.0, 1.0);
        [(); HARMONICS].map(|()| {
            let below = harmonic;
            harmonic += 1.0;
            factorial *= harmonic;
            let growth = libm::pow(harmonic * half_sigma, below) / factorial;
            self.acoustic_v_per_mpa * d * growth
        })
    }

    /// Amplitudes of the bubbles' harmonics 2 to 5, V, at drive `d` MPa.
    #[must_use]
    pub(super) fn bubble_harmonics_v(&self, d: f64) -> [f64; HARMONICS - 1] {
        self.bubble_harmonic_v_per_mpa2.map(|amplitude| amplitude * d * d)
    }

    /// Mean squares of the lines at 1/2, 3/2, 5/2 and 7/2 f0, V², at drive `d` MPa; 0 up to the
    /// onset.
    #[must_use]
    pub(super) fn half_orders_v2(&self, d: f64) -> [f64; 4] {
        let ratio = d / self.half_order_onset_mpa;
        let growth = (ratio * ratio - 1.0).max(0.0);
        self.half_order_v2.map(|power| power * growth)
    }

    /// Noise bursts a second at drive `d` MPa; 0 up to the inertial onset.
    #[must_use]
    pub(super) fn bursts_per_s(&self, d: f64) -> f64 {
        self.noise_bursts_per_s * (d / self.inertial_onset_mpa - 1.0).max(0.0)
    }
}

/// The amplitude ratio of so many decibels.
#[must_use]
pub(super) fn amplitude_ratio(decibels: f64) -> f64 {
    libm::pow(10.0, decibels / 20.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(value: f64, expected: f64, share: f64) {
        assert!((value - expected).abs() <= share * expected.abs(), "{value} is not {expected}");
    }

    #[test]
    fn propagation_harmonics_are_fubinis_while_the_wave_is_far_from_its_shock() {
        let law = Law::demo();
        let sound = law.sound_v(0.3);
        check(sound[0], 0.15, 1e-12);
        // COMPUTED with SciPy: scipy.special.jv(h, h*s)*2/(h*s) over that of h = 1, at s = 0.081
        for (value, expected) in sound[1..].iter().zip([0.040_445, 2.453_3e-3, 1.763_6e-4]) {
            check(value / sound[0], expected, 0.006);
        }
    }

    #[test]
    fn a_harmonic_grows_with_its_power_of_the_drive() {
        let law = Law::demo();
        for (order, (low, high)) in
            (1_i32..).zip(law.sound_v(0.1).into_iter().zip(law.sound_v(0.2)))
        {
            check(high / low, f64::from(order).exp2(), 1e-12);
        }
    }

    #[test]
    fn nothing_inharmonic_sounds_at_an_onset_and_something_above() {
        let law = Law::demo();
        assert!(law.half_orders_v2(0.12).iter().all(|power| power.abs() < 1e-30));
        assert!(law.half_orders_v2(0.121).iter().all(|power| *power > 0.0));
        assert!(law.bursts_per_s(0.22).abs() < 1e-30 && law.bursts_per_s(0.23) > 0.0);
    }

    #[test]
    fn twenty_decibels_are_ten_times_the_amplitude() {
        check(amplitude_ratio(20.0), 10.0, 1e-15);
        check(amplitude_ratio(-40.0), 0.01, 1e-15);
    }
}
