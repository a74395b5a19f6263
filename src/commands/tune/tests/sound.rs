//! The volts of one pulse after the [`super::law`]: what every receiver hears, before its own noise.
//!
//! Time counts in samples from the trigger. The drive's lines are powers of one rotating number
//! z = exp(iω₀(t − arrival)): sound Im Σ c_h·z^h, feed-through F·Re z. A half-order line is
//! Re(a(t)·exp(iωt)) with a(t) complex noise smoothed twice, known every [`KNOT`] samples and
//! straight in between; its spectrum falls with the fourth power of the distance, so that it leaves
//! the floor beside it alone.

use rand_pcg::Pcg64;

use super::law::{HARMONICS, Law, amplitude_ratio};
use super::path::Path;
use crate::bench::noise::{Ziggurat, share};
use crate::signal::as_f64;

/// Samples between known amplitudes of a half-order line.
const KNOT: usize = 64;

/// Times of one record, in samples.
#[derive(Debug, Clone, Copy)]
pub(super) struct Timing {
    pub(super) rate_hz: f64,
    pub(super) frequency_hz: f64,
    /// Samples of the record, and the trigger's.
    pub(super) record: usize,
    pub(super) trigger: usize,
    /// First arrival after the trigger, s, and length of the burst, s.
    pub(super) arrival_s: f64,
    pub(super) burst_s: f64,
}

/// What sounds in one pulse.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sounding {
    /// Drive, MPa; nothing without drive.
    pub(super) drive_mpa: Option<f64>,
    pub(super) bubbles: bool,
    pub(super) coupled: bool,
}

/// A complex number.
type Complex = [f64; 2];

#[inline]
fn product([a, b]: Complex, [c, d]: Complex) -> Complex {
    [a * c - b * d, a * d + b * c]
}

fn unit(angle: f64) -> Complex {
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

/// Adds one pulse to `volts`, which has a value for each sample of the record. What sounds goes
/// `behind` a path, where there is one.
pub(super) fn add(
    law: &Law,
    timing: &Timing,
    sounding: Sounding,
    (ziggurat, random): (&Ziggurat, &mut Pcg64),
    volts: &mut [f64],
    behind: Option<(&Path, &mut Vec<f64>)>,
) {
    for tone in law.tones {
        add_tone(tone, timing.rate_hz, share(random), volts);
    }
    let Some(nominal_mpa) = sounding.drive_mpa else { return };
    let Some((path, sound)) = behind else {
        let electric = add_sound(law, timing, (sounding, nominal_mpa), (ziggurat, random), volts);
        return add_drive(law, timing, electric, volts);
    };
    sound.clear();
    sound.resize(volts.len(), 0.0);
    let (acoustic, feed_through) =
        add_sound(law, timing, (sounding, nominal_mpa), (ziggurat, random), sound);
    add_drive(law, timing, (acoustic, 0.0), sound);
    path.add(sound, volts);
    add_drive(law, timing, ([[0.0; 2]; HARMONICS], feed_through), volts);
}

/// Adds what bubbles sound; gives the drive's own lines and its feed-through.
fn add_sound(
    law: &Law,
    timing: &Timing,
    (sounding, nominal_mpa): (Sounding, f64),
    (ziggurat, random): (&Ziggurat, &mut Pcg64),
    volts: &mut [f64],
) -> ([Complex; HARMONICS], f64) {
    let d = nominal_mpa * (1.0 + law.drive_wander * ziggurat.draw(random));
    let coupling = if sounding.coupled { 1.0 } else { amplitude_ratio(law.uncoupled_db) };
    let mut sound = law.sound_v(d).map(|amplitude| [coupling * amplitude, 0.0]);
    let feed_through = law.feed_through_share * law.acoustic_v_per_mpa * d;
    if sounding.bubbles {
        let fluctuation = amplitude_ratio(law.fluctuation_db * ziggurat.draw(random)) * coupling;
        for (sum, amplitude) in sound[1..].iter_mut().zip(law.bubble_harmonics_v(nominal_mpa)) {
            let [re, im] = unit(std::f64::consts::TAU * share(random));
            sum[0] += fluctuation * amplitude * re;
            sum[1] += fluctuation * amplitude * im;
        }
        for (odd, power) in [1.0, 3.0, 5.0, 7.0].into_iter().zip(law.half_orders_v2(nominal_mpa)) {
            let frequency_hz = 0.5 * odd * timing.frequency_hz;
            let power = power * fluctuation * fluctuation;
            if power > 0.0 && frequency_hz < 0.5 * timing.rate_hz {
                let line = Line { frequency_hz, power };
                line.add(law, timing, (ziggurat, random), volts);
            }
        }
        add_bursts(law, timing, (nominal_mpa, fluctuation), (ziggurat, random), volts);
    }
    (sound, feed_through)
}

/// Adds the drive's lines: sound and feed-through.
fn add_drive(
    law: &Law,
    timing: &Timing,
    (mut sound, feed_through): ([Complex; HARMONICS], f64),
    volts: &mut [f64],
) {
    let mut order = 0.0;
    for amplitude in &mut sound {
        order += 1.0;
        if order * timing.frequency_hz >= 0.5 * timing.rate_hz {
            // The converter's filter keeps out what it could only fold.
            *amplitude = [0.0; 2];
        }
    }
    let angle = std::f64::consts::TAU * timing.frequency_hz;
    let step = unit(angle / timing.rate_hz);
    let mut z = unit(-angle * timing.arrival_s);
    let acoustic = Envelope::new(timing, timing.arrival_s, law.ramp_s);
    let electric = Envelope::new(timing, 0.0, law.feed_through_ramp_s);
    let mut time = 0.0;
    for volt in volts.iter_mut().skip(timing.trigger) {
        if time >= acoustic.to {
            break;
        }
        let mut sum = [0.0; 2];
        for [re, im] in sound.iter().rev() {
            let [x, y] = product(sum, z);
            sum = [x + re, y + im];
        }
        let [_, heard] = product(sum, z);
        *volt += acoustic.at(time) * heard + electric.at(time) * feed_through * z[0];
        z = product(z, step);
        time += 1.0;
    }
}

/// A half-order line and its mean square, V².
struct Line {
    frequency_hz: f64,
    power: f64,
}

impl Line {
    /// Adds the line from the sound's arrival on; it builds up from nothing.
    fn add(
        &self,
        law: &Law,
        timing: &Timing,
        (ziggurat, random): (&Ziggurat, &mut Pcg64),
        volts: &mut [f64],
    ) {
        let acoustic = Envelope::new(timing, timing.arrival_s, law.ramp_s);
        let pole = libm::exp(-as_f64(KNOT) / (timing.rate_hz * law.half_order_coherence_s));
        // Noise smoothed twice with this pole has (1 + p²)/(1 − p²)³ times its variance; real and
        // imaginary part each get the line's mean square.
        let rest = 1.0 - pole * pole;
        let drawn = libm::sqrt(self.power * rest * rest * rest / (1.0 + pole * pole));
        let step = unit(std::f64::consts::TAU * self.frequency_hz / timing.rate_hz);
        let mut z = [1.0, 0.0];
        let (mut once, mut twice, mut amplitude) = ([0.0; 2], [0.0; 2], [0.0; 2]);
        let mut knot = acoustic.from;
        for piece in timing.heard(volts).chunks_mut(KNOT) {
            if knot >= acoustic.to {
                break;
            }
            knot += as_f64(KNOT);
            let envelope = acoustic.at(knot);
            for (once, twice) in once.iter_mut().zip(&mut twice) {
                *once = pole * *once + drawn * ziggurat.draw(random);
                *twice = pole * *twice + *once;
            }
            let next = twice.map(|part| envelope * part);
            let slope = [0, 1].map(|part| (next[part] - amplitude[part]) / as_f64(KNOT));
            for volt in piece {
                *volt += amplitude[0] * z[0] - amplitude[1] * z[1];
                amplitude = [amplitude[0] + slope[0], amplitude[1] + slope[1]];
                z = product(z, step);
            }
            amplitude = next;
        }
    }
}

/// Adds the noise bursts of collapsing bubbles.
fn add_bursts(
    law: &Law,
    timing: &Timing,
    (d, fluctuation): (f64, f64),
    (ziggurat, random): (&Ziggurat, &mut Pcg64),
    volts: &mut [f64],
) {
    let rate = law.bursts_per_s(d);
    let [high_pass, low_pass] = law.noise_burst_corners_hz.map(|corner| {
        1.0 - libm::exp(-std::f64::consts::TAU * corner.min(timing.rate_hz) / timing.rate_hz)
    });
    let white = libm::sqrt(0.5 * timing.rate_hz * law.noise_burst_v2_per_hz) * fluctuation;
    let heard = timing.heard(volts);
    let mut start_s = 0.0;
    loop {
        start_s += exponential(random) / rate;
        let left_s = timing.burst_s - start_s;
        // Also the end where the rate is 0 and the next burst infinitely far.
        if left_s.is_nan() || left_s <= 0.0 {
            break;
        }
        let length = (law.noise_burst_s * exponential(random)).min(left_s) * timing.rate_hz;
        let (first, samples) = (below(start_s * timing.rate_hz), below(length));
        let turn = unit(std::f64::consts::TAU / length);
        let mut phase = [1.0, 0.0];
        let (mut low, mut slow) = (0.0, 0.0);
        for volt in heard.iter_mut().skip(first).take(samples) {
            low += low_pass * (white * ziggurat.draw(random) - low);
            slow += high_pass * (low - slow);
            *volt += (0.5 - 0.5 * phase[0]) * (low - slow);
            phase = product(phase, turn);
        }
    }
}

/// Adds a tone with a phase given in turns, over the whole record.
fn add_tone([frequency_hz, amplitude]: [f64; 2], rate_hz: f64, turns: f64, volts: &mut [f64]) {
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

/// An exponential number of mean 1.
fn exponential(random: &mut Pcg64) -> f64 {
    -libm::log(1.0 - share(random))
}

impl Timing {
    /// The record from the sound's first arrival on.
    fn heard<'a>(&self, volts: &'a mut [f64]) -> &'a mut [f64] {
        let first = self.trigger + below(self.arrival_s * self.rate_hz);
        volts.get_mut(first..).unwrap_or_default()
    }
}

/// The whole number of samples below a time in samples.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates and the record bounds what is used of it"
)]
const fn below(samples: f64) -> usize {
    samples as usize
}
