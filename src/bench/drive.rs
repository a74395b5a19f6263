//! The drive's own lines: its sound at a receiver and what leaks into the channels by wire.
//!
//! With time t from the sound's arrival, the sound is −Σ A_h·sin(2πhft) under raised-cosine ramps;
//! A_h is what the propagation makes of the drive plus what the amplifier itself adds:
//! A_1 = direct share · drive, A_h = A_1·[J_h(hσ)/(h·J_1(σ)) + 10^(L_h/20)]. Feed-through has the
//! amplifier's harmonics alone, lasts from the trigger to the end of the burst and stands a quarter
//! turn off. Lines at half the sample rate and above are kept out, as the converter's filter does.

use super::setup::{Amplifier, amplitude_ratio};
use super::spec::Timing;

/// Harmonics of the drive that are followed.
pub(super) const ORDERS: usize = 8;

/// Amplitudes of harmonics 1 to [`ORDERS`].
pub(super) type Lines = [f64; ORDERS];

/// A complex number.
type Complex = [f64; 2];

#[inline]
fn product([a, b]: Complex, [c, d]: Complex) -> Complex {
    [a * c - b * d, a * d + b * c]
}

pub(super) fn unit(angle: f64) -> Complex {
    [libm::cos(angle), libm::sin(angle)]
}

/// On and off with raised-cosine ramps inside.
#[derive(Debug, Clone, Copy)]
struct Envelope {
    from: f64,
    to: f64,
    ramp: f64,
}

impl Envelope {
    fn new(timing: &Timing, start_s: f64, ramp_s: f64) -> Self {
        let ramp_s = ramp_s.min(timing.burst_s / 2.0);
        Self {
            from: start_s * timing.rate_hz,
            to: (start_s + timing.burst_s) * timing.rate_hz,
            ramp: ramp_s * timing.rate_hz,
        }
    }

    /// The envelope so many samples after the trigger, 0 to 1.
    #[inline]
    fn at(&self, time: f64) -> f64 {
        let inside = (time - self.from).min(self.to - time);
        if inside >= self.ramp {
            1.0
        } else if inside <= 0.0 {
            0.0
        } else {
            0.5 - 0.5 * libm::cos(std::f64::consts::PI * inside / self.ramp)
        }
    }
}

impl Amplifier {
    /// Its own harmonics over the fundamental, the fundamental included.
    fn own(&self) -> Lines {
        let mut own = [0.0; ORDERS];
        own[0] = 1.0;
        for (line, level_db) in own[1..].iter_mut().zip(&self.harmonics_db) {
            *line = amplitude_ratio(*level_db);
        }
        own
    }

    /// Amplitudes of the sound's harmonics over that of its fundamental, at a drive in MPa.
    pub(super) fn sound(&self, drive_mpa: f64) -> Lines {
        // A pulse that wanders beyond the shock, which was looked at before, has what it has there.
        let sigma = (self.shock_per_mpa * drive_mpa).min(1.0);
        let mut lines = self.own();
        if sigma > 0.0 {
            let fundamental = libm::j1(sigma);
            for (order, line) in (2..).zip(&mut lines[1..]) {
                let number = f64::from(order);
                *line += libm::jn(order, number * sigma) / (number * fundamental);
            }
        }
        lines
    }
}

/// Lines with an envelope.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tone {
    /// Σ c_h·z^h, c_h complex.
    lines: [Complex; ORDERS],
    envelope: Envelope,
    /// Angle of z at the trigger.
    angle: f64,
}

impl Tone {
    /// The drive's sound at a receiver, Pa, when the wave at the focus has `drive_mpa`.
    pub(super) fn sound(
        amplifier: &Amplifier,
        timing: &Timing,
        arrival_s: f64,
        (drive_mpa, direct_share): (f64, f64),
    ) -> Self {
        let fundamental_pa = direct_share * drive_mpa * 1e6;
        // −sin x is the real part of i·exp(ix).
        let lines = amplifier.sound(drive_mpa).map(|line| [0.0, fundamental_pa * line]);
        Self {
            lines: heard(lines, timing),
            envelope: Envelope::new(timing, arrival_s, amplifier.ramp_s),
            angle: -std::f64::consts::TAU * timing.frequency_hz * arrival_s,
        }
    }

    /// The feed-through, V.
    pub(super) fn feed_through(amplifier: &Amplifier, timing: &Timing, drive_mpa: f64) -> Self {
        let fundamental_v = amplifier.feed_through_v_per_mpa * drive_mpa;
        let lines = amplifier.own().map(|line| [fundamental_v * line, 0.0]);
        Self {
            lines: heard(lines, timing),
            envelope: Envelope::new(timing, 0.0, amplifier.ramp_s),
            angle: 0.0,
        }
    }

    /// Adds it to a record, by what adds a number to a sample.
    pub(super) fn add<S>(
        &self,
        timing: &Timing,
        record: &mut [S],
        mut join: impl FnMut(&mut S, f64),
    ) {
        let step = unit(std::f64::consts::TAU * timing.frequency_hz / timing.rate_hz);
        let mut z = unit(self.angle);
        let mut time = 0.0;
        for sample in record.iter_mut().skip(timing.trigger) {
            if time >= self.envelope.to {
                break;
            }
            let mut sum = [0.0; 2];
            for [re, im] in self.lines.iter().rev() {
                let [x, y] = product(sum, z);
                sum = [x + re, y + im];
            }
            let [value, _] = product(sum, z);
            join(sample, self.envelope.at(time) * value);
            z = product(z, step);
            time += 1.0;
        }
    }
}

/// Lines below half the sample rate.
fn heard(mut lines: [Complex; ORDERS], timing: &Timing) -> [Complex; ORDERS] {
    let mut order = 0.0;
    for line in &mut lines {
        order += 1.0;
        if order * timing.frequency_hz >= 0.5 * timing.rate_hz {
            *line = [0.0; 2];
        }
    }
    lines
}

/// Adds a tone of the electronics with a phase given in turns, over the whole record.
pub(super) fn add_tone(
    [frequency_hz, amplitude]: [f64; 2],
    rate_hz: f64,
    turns: f64,
    volts: &mut [f64],
) {
    if frequency_hz >= 0.5 * rate_hz {
        return;
    }
    let step = unit(std::f64::consts::TAU * frequency_hz / rate_hz);
    let mut z = unit(std::f64::consts::TAU * turns).map(|part| amplitude * part);
    for volt in volts {
        *volt += z[0];
        z = product(z, step);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn amplifier() -> Amplifier {
        Amplifier {
            ramp_s: 20e-6,
            wander: 0.0,
            harmonics_db: Vec::new(),
            shock_per_mpa: 0.27,
            feed_through_v_per_mpa: 0.05,
        }
    }

    fn timing() -> Timing {
        Timing {
            rate_hz: 20e6,
            frequency_hz: 0.7e6,
            record: 20_000,
            trigger: 4000,
            burst_s: 0.5e-3,
        }
    }

    #[track_caller]
    fn check(value: f64, expected: f64, share: f64) {
        assert!((value - expected).abs() <= share * expected.abs(), "{value} is not {expected}");
    }

    #[test]
    fn propagation_harmonics_are_fubinis_while_the_wave_is_far_from_its_shock() {
        let sound = amplifier().sound(0.3);
        // COMPUTED with SciPy: scipy.special.jv(h, h*s)*2/(h*s) over that of h = 1, at s = 0.081
        for (value, expected) in sound[1..].iter().zip([
            4.044_465_971_961e-2,
            2.453_319_704_532e-3,
            1.763_638_226_242e-4,
        ]) {
            check(*value, expected, 1e-9);
        }
    }

    #[test]
    fn a_harmonic_of_a_weak_drive_grows_with_its_power_of_the_drive() {
        let amplifier = amplifier();
        for (order, (low, high)) in
            (0_i32..).zip(amplifier.sound(1e-4).into_iter().zip(amplifier.sound(2e-4)))
        {
            // The next term of the series is σ² of the first.
            check(high / low, f64::from(order).exp2(), 1e-7);
        }
    }

    #[test]
    fn close_to_the_shock_harmonics_are_those_of_the_whole_series() {
        let sound = Amplifier { shock_per_mpa: 0.3, ..amplifier() }.sound(3.0);
        // COMPUTED with SciPy: scipy.special.jv(h, h*s)*2/(h*s) over that of h = 1, at s = 0.9
        let expected = [
            1.0,
            3.770_709_171_651e-1,
            2.086_016_961_477e-1,
            1.353_610_685_785e-1,
            9.593_047_240_453e-2,
            7.190_833_039_373e-2,
            5.603_883_392_224e-2,
            4.493_720_111_993e-2,
        ];
        for (value, expected) in sound.iter().zip(expected) {
            check(*value, expected, 1e-9);
        }
        let loud = Amplifier { shock_per_mpa: 10.0, ..amplifier() }.sound(3.0);
        assert!(loud.windows(2).all(|pair| pair[1] < pair[0]), "{loud:?}");
    }

    #[test]
    fn an_amplifier_s_harmonics_stand_beside_them_and_do_not_grow() {
        let loud = Amplifier { harmonics_db: vec![-40.0, -60.0], ..amplifier() };
        let [plain, found] = [amplifier(), loud].map(|amplifier| amplifier.sound(0.2));
        check(found[1] - plain[1], 0.01, 1e-12);
        check(found[2] - plain[2], 0.001, 1e-12);
        assert_eq!(plain[3].to_bits(), found[3].to_bits());
    }

    #[test]
    fn the_sound_begins_at_its_arrival_with_rarefaction_and_lasts_as_long_as_the_burst() {
        let timing = timing();
        let square = Amplifier { ramp_s: 0.0, shock_per_mpa: 0.0, ..amplifier() };
        let tone = Tone::sound(&square, &timing, 50e-6, (0.2, 0.05));
        let mut record = vec![0.0; timing.record];
        tone.add(&timing, &mut record, |sample, value| *sample += value);
        // 50 µs are 1000 samples; a quarter of a period after that are 7.1.
        assert!(record[..=5000].iter().all(|pa| pa.abs() < 1e-6));
        check(record[5007], -1e4, 1e-3);
        assert!(record[15_001..].iter().all(|pa| pa.abs() < 1e-30));
        // Closed form: a sine of amplitude A has the mean square A²/2.
        let square: f64 = record[6000..14_000].iter().map(|pa| pa * pa).sum::<f64>() / 8000.0;
        check(square, 0.5e8, 1e-3);
    }

    #[test]
    fn feed_through_lasts_from_the_trigger_to_the_end_of_the_burst() {
        let timing = timing();
        let mut record = vec![0.0; timing.record];
        Tone::feed_through(&amplifier(), &timing, 0.3).add(
            &timing,
            &mut record,
            |sample, value| *sample += value,
        );
        assert!(record[..4000].iter().chain(&record[14_000..]).all(|volt| volt.abs() < 1e-30));
        let largest = record.iter().copied().fold(0.0, f64::max);
        check(largest, 0.015, 1e-3);
    }

    #[test]
    fn lines_above_half_the_sample_rate_are_kept_out() {
        let timing = Timing { rate_hz: 3e6, ..timing() };
        let tone = Tone::sound(&amplifier(), &timing, 0.0, (0.3, 0.05));
        assert!(tone.lines[1][1] > 0.0 && tone.lines[2][1].abs() < 1e-30);
    }
}
