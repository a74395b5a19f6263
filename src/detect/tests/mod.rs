//! The whole room, pulse by pulse, with readings made from numbers.

mod acts;
mod alarms;
mod baselines;
mod channels;
mod cumulative;
mod exposures;
mod hindrances;
mod limits;
mod references;
mod rules;

use std::num::NonZeroU32;
use std::sync::{Arc, LazyLock};

use super::*;
use crate::signal::{
    Band, BandSpec, ChannelReading, Measured, PerQuantity, Plan, Quantity, ReceiveSpec,
    SampleFormat, SignalSpec, SpectrumSpec, Void, Window, as_f64, decibels,
};

/// Pulses a second; times of pulses are exact in binary.
const REPETITION_HZ: f64 = 4.0;

static ONE_CHANNEL: LazyLock<Plan> = LazyLock::new(|| plan(1));
static TWO_CHANNELS: LazyLock<Plan> = LazyLock::new(|| plan(2));

fn plan_without_noise_gate() -> Plan {
    let mut spec = plan(1).spec;
    spec.receive.noise_gate_s = None;
    Plan::new(&spec).unwrap()
}

/// The flow phantom in the bench tank: 36 segments of 4000 samples, hop 2000, lines of 7 bins.
fn plan(channels: usize) -> Plan {
    let spec = SignalSpec {
        drive_frequency_hz: 0.7e6,
        receive: ReceiveSpec {
            sample_rate_hz: 20e6,
            channels,
            sample_format: SampleFormat::Ri16Le,
            volts_per_count: vec![6.103_515_625e-5; channels],
            full_scale_counts: [-8192.0, 8191.0],
            gain_db: vec![0.0; channels],
            pretrigger_s: 2.0e-3,
            gate_start_s: 0.2e-3,
            gate_end_s: 3.9e-3,
            noise_gate_s: Some([-1.95e-3, -0.05e-3]),
            first_arrival_s: Some(90e-6),
            unused_channels: Vec::new(),
        },
        spectrum: SpectrumSpec { resolution_hz: 5e3, window: Window::Hann, overlap: 0.5 },
        bands: BandSpec {
            harmonics: vec![2, 3, 4],
            ultraharmonic_halves: vec![3, 5, 7],
            subharmonic: true,
            line_half_width_hz: 15e3,
            guard_half_width_hz: 60e3,
            flank_half_width_hz: 150e3,
            broadband_hz: vec![[1.1e6, 6.0e6]],
            notches_hz: vec![[3.32e6, 3.34e6]],
            noise_band_hz: None,
        },
    };
    Plan::new(&spec).unwrap()
}

fn detect_spec() -> DetectSpec {
    let once = Rule { needed: 1, of: 1 };
    DetectSpec {
        false_alarms_per_exposure: 0.01,
        expected_pulses: 600,
        stable_from: vec![Quantity::Ultraharmonic, Quantity::Subharmonic],
        rule: PerQuantity([once; 4]),
        floor_allowance_db: 0.5,
        repeatability_db: PerQuantity([0.0; 4]),
        sign_of_life: SignOfLife::Fundamental,
        fundamental_drop_db: 3.0,
        noise_drift_db: 1.0,
        channels_needed: 1,
        running_pulse: false,
        drive_tolerance: 0.05,
        repetition_hz: REPETITION_HZ,
        missing_after_periods: 2.5,
    }
}

/// The no-bubble λ of pulse `i`, dB: scatters by 0.33 dB about −0.02, lag-1 correlation 0.146 over
/// thirty pulses.
fn scatter_db(i: u32) -> f64 {
    0.1 * (f64::from((2 * i) % 11) - 5.0)
}

/// A pulse whose quantities stand at these λ; 0 dB is 1e-9 V², the floor under a line as well.
fn heard(lambda_db: [f64; 4]) -> Measured {
    let band = |quantity: Quantity| {
        let lambda = lambda_db[quantity as usize];
        let ratio = libm::pow(10.0, lambda / 10.0);
        let (floor_v2, width_hz) = if quantity.is_line() { (1e-9, 1e5) } else { (0.0, 4e6) };
        Some(Band {
            power_v2: 1e-9 * ratio,
            net_v2: 1e-9 * ratio - floor_v2,
            density_v2_per_hz: 1e-9 * ratio / width_hz,
            level_db: decibels(1e-9 * ratio),
            lambda_db: Some(lambda),
            over_floor: quantity.is_line().then_some(ratio),
        })
    };
    Measured {
        bands: PerQuantity::from_fn(band),
        fundamental_v2: 1e-3,
        fundamental_contrast: Some(1e4),
        noise_v2_per_hz: Some(1e-14),
        drive_hz: Some(0.7e6),
        gate_tone_v2: 1e-3,
        first_third_v2: 1e-3,
        last_third_v2: 1e-3,
        ..Measured::default()
    }
}

/// A pulse with one quantity raised and the others at rest, dB.
fn raised(quantity: Quantity, lambda_db: f64) -> Measured {
    let mut all = [0.0; 4];
    all[quantity as usize] = lambda_db;
    heard(all)
}

fn void(why: Void) -> ChannelReading {
    ChannelReading::from_void(why)
}

/// A session and the pulse it gets next.
struct Scene {
    session: Session,
    channels: usize,
    next: Pulse,
    events: Vec<Event>,
}

impl Scene {
    fn new(plan: &Plan, spec: &DetectSpec, alarms: &[AlarmSpec]) -> Self {
        Self::with_file(plan, spec, alarms, None)
    }

    fn with_file(
        plan: &Plan,
        spec: &DetectSpec,
        alarms: &[AlarmSpec],
        file: Option<Baseline>,
    ) -> Self {
        Self {
            session: Session::new(plan, spec, alarms, file),
            channels: plan.used_channels.len(),
            next: Pulse {
                number: 0,
                time: PulseTime { since_start_s: 0.0, utc_ns: None },
                target: Arc::from("vessel"),
                exposure: None,
                stage: Stage::Exposure,
                drive_mpa: Some(0.4),
                drive_setting: None,
                sham: false,
            },
            events: Vec::new(),
        }
    }

    /// One channel with thirty baseline pulses at 0.4 MPa behind it.
    fn ready(spec: &DetectSpec, alarms: &[AlarmSpec]) -> Self {
        let mut scene = Self::new(&ONE_CHANNEL, spec, alarms);
        scene.baseline(30);
        scene
    }

    fn hear(&mut self, readings: &[ChannelReading]) -> Vec<Row> {
        let mut out = Judgement::default();
        self.session.pulse(&self.next, readings, &mut out);
        self.next.number += 1;
        self.next.time.since_start_s += 1.0 / REPETITION_HZ;
        self.events.extend(out.events);
        out.rows
    }

    /// The last row of a pulse that every channel hears alike.
    fn one(&mut self, measured: Measured) -> Row {
        let reading = ChannelReading::from_measured(measured);
        self.hear(&vec![reading; self.channels]).pop().unwrap()
    }

    fn many(&mut self, measured: Vec<Measured>) -> Vec<Row> {
        let readings: Vec<_> = measured.into_iter().map(ChannelReading::from_measured).collect();
        self.hear(&readings)
    }

    fn baseline(&mut self, pulses: u32) {
        self.next.stage = Stage::Baseline;
        for i in 0..pulses {
            self.one(heard([scatter_db(i); 4]));
        }
        self.next.stage = Stage::Exposure;
    }

    fn inject(&mut self) {
        self.act(&Act::sender(MarkKind::Injection(Injection::default())));
    }

    fn act(&mut self, act: &Act) {
        let mut out = Judgement::default();
        self.session.act(act, &mut out);
        self.events.extend(out.events);
    }

    fn wait(&mut self, seconds: f64) {
        self.next.time.since_start_s += seconds;
    }

    fn target(&mut self, name: &str) {
        self.next.target = Arc::from(name);
    }

    fn exposure(&mut self, number: u32) {
        self.next.exposure = NonZeroU32::new(number);
    }

    /// Ends the stream; every exposure so far.
    fn summaries(&mut self) -> Vec<ExposureSummary> {
        let mut out = Judgement::default();
        self.session.end(&mut out);
        self.events.append(&mut out.events);
        self.events
            .iter()
            .filter_map(|event| match &event.what {
                What::ExposureEnded { summary } => Some((**summary).clone()),
                _ => None,
            })
            .collect()
    }

    fn warnings(&self) -> Vec<&str> {
        self.events
            .iter()
            .filter_map(|event| match &event.what {
                What::Warning { text } => Some(text.as_str()),
                _ => None,
            })
            .collect()
    }

    /// Every alarm that came on or went off: pulse, name, whether it came on.
    fn alarms(&self) -> Vec<(u64, &str, bool)> {
        self.events
            .iter()
            .filter_map(|event| match &event.what {
                What::AlarmRaised { name, .. } => Some((event.pulse?, &**name, true)),
                What::AlarmOver { name, .. } => Some((event.pulse?, &**name, false)),
                _ => None,
            })
            .collect()
    }
}

#[track_caller]
fn says(row: &Row, verdict: Verdict, reason: &str) {
    assert_eq!((row.verdict, row.reason.as_str()), (Some(verdict), reason));
}

#[track_caller]
fn near(found: f64, expected: f64, relative: f64) {
    let miss = (found - expected).abs();
    assert!(miss <= relative * expected.abs(), "found {found:e}, expected {expected:e}");
}
