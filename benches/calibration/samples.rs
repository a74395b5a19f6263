//! Pulses as samples: noise, a drive with its second harmonic, emission; through the real ear.
//!
//! 4 MS/s, gates of 1.05 ms, N = 400 (10 kHz bins, 20 segments); one line a quantity, of five bins.
//! The guard of nine bins keeps noise-like emission, which is flat over the line and as far again as
//! a window reaches, out of the flanks: so in the line's bins it is spread as the floor is.

use std::f64::consts::TAU;
use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use simmer::signal::plan::single;
use simmer::signal::{
    BandSpec, ChannelReading, Ear, Plan, Quantity, ReceiveSpec, SampleFormat, SignalSpec,
    SpectrumSpec, Window, as_f64,
};

use crate::crew::Dice;

const RATE_HZ: f64 = 4e6;
const DRIVE_HZ: f64 = 0.7e6;
/// Variance of the noise, V².
const NOISE_V2: f64 = 1e-4;
/// Amplitude of the drive's line and of its second harmonic in the gate, V.
const LINES_V: [(f64, f64); 2] = [(DRIVE_HZ, 0.5), (2.0 * DRIVE_HZ, 0.02)];
/// Bins that a window spreads a tone to on either side, with the four-term window's three.
const WINDOW_REACH_BINS: f64 = 3.0;
/// Length of the periodic noise that emission is cut from; longer than a gate, so that its ends
/// have nothing to do with each other.
const EMISSION_PERIOD: usize = 5000;

/// A plan of this geometry.
pub(crate) fn plan(window: Window, noise_gate: bool) -> Plan {
    let spec = SignalSpec {
        drive_frequency_hz: DRIVE_HZ,
        receive: ReceiveSpec {
            sample_rate_hz: RATE_HZ,
            channels: 1,
            sample_format: SampleFormat::Rf32Le,
            volts_per_count: vec![1.0],
            full_scale_counts: [-1e3, 1e3],
            gain_db: vec![0.0],
            pretrigger_s: 1.1e-3,
            gate_start_s: 0.1e-3,
            gate_end_s: 1.15e-3,
            noise_gate_s: noise_gate.then_some([-1.1e-3, -0.05e-3]),
            first_arrival_s: None,
            unused_channels: Vec::new(),
        },
        spectrum: SpectrumSpec { resolution_hz: 10e3, window, overlap: 0.5 },
        bands: BandSpec {
            harmonics: vec![2],
            ultraharmonic_halves: vec![3],
            subharmonic: true,
            line_half_width_hz: 20e3,
            guard_half_width_hz: 90e3,
            flank_half_width_hz: 170e3,
            broadband_hz: vec![[0.4e6, 1.9e6]],
            notches_hz: Vec::new(),
            noise_band_hz: None,
        },
    };
    Plan::new(&spec).expect("the geometry has a plan")
}

/// The noise's spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Colour {
    White,
    /// First-order low-pass, y[n] = a·y[n−1] + √(1−a²)·x[n].
    LowPass(f64),
}

impl Colour {
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::White => "white",
            Self::LowPass(_) => "low-pass",
        }
    }

    /// One-sided density, V²/Hz.
    fn density_v2_per_hz(self, hz: f64) -> f64 {
        let white = 2.0 * NOISE_V2 / RATE_HZ;
        match self {
            Self::White => white,
            Self::LowPass(a) => {
                let cosine = libm::cos(TAU * hz / RATE_HZ);
                white * (1.0 - a * a) / (1.0 + a * a - 2.0 * a * cosine)
            }
        }
    }

    fn fill(self, dice: &mut Dice<'_>, out: &mut [f32]) {
        let rms = NOISE_V2.sqrt();
        match self {
            Self::White => out.iter_mut().for_each(|x| *x = single(rms * dice.normal())),
            Self::LowPass(a) => {
                let (mut y, fresh) = (dice.normal(), (1.0 - a * a).sqrt());
                for x in out {
                    y = a * y + fresh * dice.normal();
                    *x = single(rms * y);
                }
            }
        }
    }
}

/// What is added to a pulse without bubbles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Emission {
    Nothing,
    /// Noise in the ultraharmonic line's band of this power there, V².
    NoiseInLine(f64),
    /// A tone at the ultraharmonic of this power in the line's bins, V², at a phase of its own.
    Tone(f64),
    /// A tone at the second harmonic, where the drive has a line of its own.
    HarmonicTone(f64),
    /// Noise with the floor's spectrum of this power in the broadband's bins, V².
    Broadband(f64),
}

/// A pulse to be made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ask {
    pub(crate) drive: bool,
    /// Gain of the whole chain, dB.
    pub(crate) gain_db: f64,
    pub(crate) emission: Emission,
}

/// The drive without bubbles.
pub(crate) const QUIET: Ask = Ask { drive: true, gain_db: 0.0, emission: Emission::Nothing };

/// What makes and hears pulses of one plan and colour; nothing in it is kept but the noise drawn
/// last.
pub(crate) struct Bench<'a> {
    plan: &'a Plan,
    colour: Colour,
    ear: Ear,
    drive: Vec<f32>,
    floor: Vec<f32>,
    gate: Vec<f32>,
    noise: Vec<f32>,
    periodic: Vec<Complex<f32>>,
    transform: Arc<dyn Fft<f32>>,
    work: Vec<Complex<f32>>,
    /// Share of a steady tone's power that falls into its line's bins.
    tone_share: f64,
    reading: [ChannelReading; 1],
}

impl<'a> Bench<'a> {
    pub(crate) fn new(plan: &'a Plan, colour: Colour) -> Self {
        let transform = FftPlanner::new().plan_fft_inverse(EMISSION_PERIOD);
        let drive = |i| LINES_V.iter().map(|(hz, volts)| volts * tone(*hz, i)).sum::<f64>();
        Self {
            plan,
            colour,
            ear: Ear::new(plan),
            drive: (0..plan.gate.len).map(|i| single(drive(i))).collect(),
            floor: vec![0.0; plan.gate.len],
            gate: vec![0.0; plan.gate.len],
            noise: vec![0.0; plan.noise.as_ref().map_or(0, |noise| noise.gate.len)],
            periodic: vec![Complex::default(); EMISSION_PERIOD],
            work: vec![Complex::default(); transform.get_inplace_scratch_len()],
            transform,
            tone_share: tone_share(plan),
            reading: [ChannelReading::default()],
        }
    }

    /// Mean power of the noise in a quantity's bins, V².
    pub(crate) fn floor_v2(&self, quantity: Quantity) -> f64 {
        let bands = &self.plan.bands;
        let bins: Vec<usize> = match quantity {
            Quantity::Broadband => bands.broadband.iter().cloned().flatten().collect(),
            _ => bands.lines_of(quantity).iter().flat_map(|line| line.bins.clone()).collect(),
        };
        let density = |k: usize| self.colour.density_v2_per_hz(as_f64(k) * self.plan.bin_hz);
        bins.into_iter().map(density).sum::<f64>() * self.plan.bin_hz
    }

    /// Draws the noise of the next pulse, gate and noise gate.
    pub(crate) fn draw(&mut self, dice: &mut Dice<'_>) {
        self.colour.fill(dice, &mut self.noise);
        self.colour.fill(dice, &mut self.floor);
    }

    /// Adds what is asked to the noise that was drawn, and hears the pulse; the emission's random
    /// numbers are apart from the noise's.
    pub(crate) fn hear(&mut self, ask: &Ask, emitting: &mut Dice<'_>) {
        let scale = match ask.emission {
            // Independent noise with the same spectrum adds in power.
            Emission::Broadband(v2) => (1.0 + v2 / self.floor_v2(Quantity::Broadband)).sqrt(),
            _ => 1.0,
        };
        let (scale, drive) = (single(scale), f32::from(u8::from(ask.drive)));
        let parts = self.floor.iter().zip(&self.drive);
        for (x, (noise, line)) in self.gate.iter_mut().zip(parts) {
            *x = scale * noise + drive * line;
        }
        match ask.emission {
            Emission::NoiseInLine(v2) => self.add_noise_in_line(v2, emitting),
            Emission::Tone(v2) => self.add_tone(1.5 * DRIVE_HZ, v2, emitting),
            Emission::HarmonicTone(v2) => self.add_tone(2.0 * DRIVE_HZ, v2, emitting),
            Emission::Nothing | Emission::Broadband(_) => {}
        }
        self.listen(libm::pow(10.0, ask.gain_db / 20.0));
    }

    fn listen(&mut self, volts_per_count: f64) {
        self.ear.begin(self.plan, None);
        if let Some(noise) = &self.plan.noise {
            self.ear.push(self.plan, self.plan.place(noise.gate, None), &self.noise);
        }
        self.ear.push(self.plan, self.plan.place(self.plan.gate, None), &self.gate);
        self.ear.finish(self.plan, volts_per_count, false, &mut self.reading[0]);
    }

    /// What was heard, for the judge.
    pub(crate) const fn readings(&self) -> &[ChannelReading] {
        &self.reading
    }

    /// The gate's samples, for another plan's ear: same gate, no noise gate.
    pub(crate) fn hear_gate_of(&mut self, other: &Bench<'_>, gain_db: f64) {
        self.gate.copy_from_slice(&other.gate);
        self.listen(libm::pow(10.0, gain_db / 20.0));
    }

    fn add_tone(&mut self, hz: f64, v2: f64, emitting: &mut Dice<'_>) {
        let volts = (2.0 * v2 / self.tone_share).sqrt();
        // Turned on from sample to sample: 4200 products keep far more digits than a sample has.
        let mut now = Complex::from_polar(volts, TAU * emitting.share());
        let turn = Complex::cis(TAU * hz / RATE_HZ);
        for x in &mut self.gate {
            *x += single(now.im);
            now *= turn;
        }
    }

    /// Gaussian noise: a line every fs/period, each of random amplitude and phase.
    fn add_noise_in_line(&mut self, v2: f64, emitting: &mut Dice<'_>) {
        let line = &self.plan.bands.lines_of(Quantity::Ultraharmonic)[0];
        let step_hz = RATE_HZ / as_f64(EMISSION_PERIOD);
        let reach_hz = self.plan.bin_hz * (WINDOW_REACH_BINS + 0.5);
        let low_hz = as_f64(line.bins.start) * self.plan.bin_hz - reach_hz;
        let high_hz = as_f64(line.bins.end - 1) * self.plan.bin_hz + reach_hz;
        let density = v2 / (as_f64(line.bins.len()) * self.plan.bin_hz);
        // x = Re Σ c·e^(2πikn/L), E|c|²/2 = density·step.
        let amplitude = (density * step_hz).sqrt();
        for (k, line) in self.periodic.iter_mut().enumerate() {
            let inside = (low_hz..=high_hz).contains(&(as_f64(k) * step_hz));
            *line = if inside {
                let mut part = || single(amplitude * emitting.normal());
                Complex::new(part(), part())
            } else {
                Complex::default()
            };
        }
        self.transform.process_with_scratch(&mut self.periodic, &mut self.work);
        self.gate.iter_mut().zip(&self.periodic).for_each(|(x, emission)| *x += emission.re);
    }
}

/// Sample `i` of a sine of amplitude 1.
fn tone(hz: f64, i: usize) -> f64 {
    libm::sin(TAU * hz * as_f64(i) / RATE_HZ)
}

/// Σ |W(d)|²/(N·Σw²) over the bins d of a line about its tone.
fn tone_share(plan: &Plan) -> f64 {
    let n = plan.segments.n;
    let weights = plan.spec.spectrum.window.weights(n);
    let squares: f64 = weights.iter().map(|w| w * w).sum();
    let line = &plan.bands.lines_of(Quantity::Ultraharmonic)[0];
    let half = line.bins.len() / 2;
    let at = |d: usize| {
        let angle = TAU * as_f64(d) / as_f64(n);
        let sums = weights.iter().enumerate().fold((0.0, 0.0), |(re, im), (i, w)| {
            (re + w * libm::cos(angle * as_f64(i)), im + w * libm::sin(angle * as_f64(i)))
        });
        (sums.0 * sums.0 + sums.1 * sums.1) / (as_f64(n) * squares)
    };
    at(0) + 2.0 * (1..=half).map(at).sum::<f64>()
}
