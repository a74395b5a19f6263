//! What a recording does not say of itself: the axes of an array, and where its pulses lie.
//!
//! The drive's envelope is A[n] = (2/L)·|Σ x[k]·e^(−2πi·f0·k/fs)| over the last L samples, L two
//! periods of the drive: the amplitude of a sine at f0, in the unit of x. A burst begins at the first
//! sample where A reaches a threshold and stays there for half of the burst's length at least; a
//! sudden onset is found at most two periods late.

use std::f64::consts::TAU;

use super::as_f64;

/// What an axis of an array counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    /// Pulses, one after the other.
    Pulses,
    /// Receive channels.
    Channels,
    /// Samples in time.
    Samples,
}

impl Axis {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Pulses, Self::Channels, Self::Samples];

    /// Its name in configurations and messages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Pulses => "pulses",
            Self::Channels => "channels",
            Self::Samples => "samples",
        }
    }
}

/// How a recording without marks is cut into pulses. Times in seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct Cutting {
    /// Length of a pulse's record.
    pub record_s: f64,
    /// Where records begin.
    pub by: CutBy,
}

/// Where the records of pulses begin.
#[derive(Debug, Clone, PartialEq)]
pub enum CutBy {
    /// One a period of the drive's repetition.
    Repetition {
        /// First sample of the first record after the recording's first.
        first_pulse_s: f64,
    },
    /// Where the drive's envelope passes a threshold.
    Envelope {
        /// The channel that is looked at.
        channel: usize,
        /// Threshold of the amplitude at the drive frequency, V.
        threshold_v: f64,
        /// Time zero (the trigger) after the passing.
        trigger_after_crossing_s: f64,
    },
}

impl Cutting {
    /// Where time zero lies, in words that a baseline's identity is compared by.
    #[must_use]
    pub fn time_zero(&self, pretrigger_samples: f64) -> String {
        match self.by {
            CutBy::Repetition { first_pulse_s } => format!(
                "{pretrigger_samples} samples after a record's first, records cut by repetition \
                 from {first_pulse_s} s on"
            ),
            CutBy::Envelope { channel, threshold_v, trigger_after_crossing_s } => format!(
                "{trigger_after_crossing_s} s after the drive's envelope on channel {channel} \
                 passes {threshold_v} V"
            ),
        }
    }
}

/// Samples between two exact phases of the carrier.
const RESET: usize = 1024;

/// The drive's envelope, sample by sample.
#[derive(Debug, Clone)]
pub struct Envelope {
    cycles: f64,
    step: (f64, f64),
    carrier: (f64, f64),
    last: Vec<(f64, f64)>,
    at: usize,
    since_reset: usize,
    samples: usize,
    sum: (f64, f64),
    scale: f64,
}

impl Envelope {
    /// For a drive of `cycles` periods a sample, below one half.
    #[must_use]
    pub fn new(cycles: f64) -> Self {
        let length = window(cycles);
        let (sin, cos) = (TAU * cycles).sin_cos();
        let scale = 2.0 / as_f64(length);
        Self {
            cycles,
            step: (cos, -sin),
            carrier: (1.0, 0.0),
            last: vec![(0.0, 0.0); length],
            at: 0,
            since_reset: 0,
            samples: 0,
            sum: (0.0, 0.0),
            scale: scale * scale,
        }
    }

    /// Samples it looks back over: two periods of the drive.
    #[must_use]
    pub const fn window(&self) -> usize {
        self.last.len()
    }

    /// Takes a sample and gives the square of the envelope there. What is not finite counts as 0.
    pub fn push(&mut self, x: f64) -> f64 {
        let x = if x.is_finite() { x } else { 0.0 };
        if self.since_reset == RESET {
            self.since_reset = 0;
            let (sin, cos) = (TAU * (self.cycles * as_f64(self.samples)).fract()).sin_cos();
            self.carrier = (cos, -sin);
        }
        let (re, im) = self.carrier;
        let new = (x * re, x * im);
        let old = std::mem::replace(&mut self.last[self.at], new);
        self.at = if self.at + 1 == self.last.len() { 0 } else { self.at + 1 };
        self.sum.0 += new.0 - old.0;
        self.sum.1 += new.1 - old.1;
        self.carrier = (re * self.step.0 - im * self.step.1, re * self.step.1 + im * self.step.0);
        self.since_reset += 1;
        self.samples += 1;
        (self.sum.0 * self.sum.0 + self.sum.1 * self.sum.1) * self.scale
    }
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "held between 2 and 2^20 just before"
)]
fn window(cycles: f64) -> usize {
    (2.0 / cycles).round().clamp(2.0, 1_048_576.0) as usize
}

/// Finds bursts in a run of samples.
#[derive(Debug, Clone)]
pub struct Bursts {
    envelope: Envelope,
    threshold: f64,
    burst: u64,
    hold: u64,
    at: u64,
    state: State,
    passed_over: u64,
}

#[derive(Debug, Clone, Copy)]
enum State {
    Low,
    /// Since when it is above, and for how many samples of these.
    Rising(u64, u64),
    /// Until when nothing new is looked for; then until it is low.
    Hold(u64),
}

impl Bursts {
    /// Bursts of about `burst` samples whose envelope reaches `threshold`; after one begins, the
    /// next is looked for `hold` samples later.
    #[must_use]
    pub fn new(cycles: f64, threshold: f64, burst: u64, hold: u64) -> Self {
        let (envelope, threshold) = (Envelope::new(cycles), threshold * threshold);
        let (burst, state) = (burst.max(1), State::Low);
        Self { envelope, threshold, burst, hold, at: 0, state, passed_over: 0 }
    }

    /// Takes a sample; where a burst began, once it has lasted.
    pub fn push(&mut self, x: f64) -> Option<u64> {
        let high = self.envelope.push(x) >= self.threshold;
        let now = self.at;
        self.at += 1;
        match self.state {
            State::Low if high => self.state = State::Rising(now, 1),
            State::Low => {}
            State::Rising(since, above) => {
                let above = above + u64::from(high);
                self.state = State::Rising(since, above);
                if self.at - since >= self.burst {
                    return self.settle(since, above);
                }
            }
            State::Hold(until) if now >= until && !high => self.state = State::Low,
            State::Hold(_) => {}
        }
        None
    }

    /// The samples are over: a burst that was under way.
    pub fn finish(&mut self) -> Option<u64> {
        match self.state {
            State::Rising(since, above) => self.settle(since, above),
            _ => None,
        }
    }

    /// Passings that did not last.
    #[must_use]
    pub const fn passed_over(&self) -> u64 {
        self.passed_over
    }

    fn settle(&mut self, since: u64, above: u64) -> Option<u64> {
        if above * 2 < self.burst {
            self.passed_over += 1;
            self.state = State::Low;
            return None;
        }
        self.state = State::Hold(since.saturating_add(self.hold));
        Some(since)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(n: usize, cycles: f64, amplitude: f64) -> f64 {
        amplitude * (TAU * (cycles * as_f64(n)).fract() + 0.3).sin()
    }

    // Closed form: over whole periods the envelope of a sine of amplitude A is A.
    #[test]
    fn the_envelope_of_a_sine_is_its_amplitude() {
        let cycles = 1.0 / 16.0;
        let mut envelope = Envelope::new(cycles);
        assert_eq!(envelope.window(), 32);
        let mut squares = Vec::new();
        for n in 0..5000 {
            squares.push(envelope.push(sine(n, cycles, 0.25)));
        }
        assert!(squares[32..].iter().all(|square| (square.sqrt() - 0.25).abs() < 1e-12));
        // Half of the window is half of the amplitude, but for the sine's own ripple.
        assert!((squares[15].sqrt() - 0.125).abs() < 1e-3);
    }

    #[test]
    fn bursts_are_found_where_they_begin_and_spikes_are_passed_over() {
        let cycles = 0.07;
        let mut bursts = Bursts::new(cycles, 0.1, 500, 800);
        let mut found = Vec::new();
        let begins = [1000, 3000, 5100];
        for n in 0..6000 {
            let on = begins.iter().any(|begin| (*begin..begin + 500).contains(&n));
            let spike = if n == 2400 { 9.0 } else { 0.0 };
            let x = spike + if on { sine(n, cycles, 0.2) } else { 0.001 };
            found.extend(bursts.push(x));
        }
        found.extend(bursts.finish());
        assert_eq!(found.len(), 3, "{found:?}");
        for (found, begin) in found.iter().zip([1000, 3000, 5100]) {
            // Two periods of the drive are 29 samples.
            assert!((begin..begin + 29).contains(found), "{found} for {begin}");
        }
        assert_eq!(bursts.passed_over(), 1);
    }

    #[test]
    fn a_sample_that_is_not_finite_does_not_stay() {
        let mut envelope = Envelope::new(0.1);
        envelope.push(f64::NAN);
        envelope.push(f64::INFINITY);
        assert!(envelope.push(0.0).abs() < 1e-30);
    }
}
