//! Bubble-free exposures from band levels: λ as normal numbers, through the real state machine.

use std::sync::Arc;

use simmer::detect::{
    Act, DetectSpec, Injection, Judgement, MarkKind, Pulse, PulseTime, Rule, Session, SignOfLife,
    Stage, Verdict, What,
};
use simmer::signal::{
    Band, BandSpec, ChannelReading, Measured, PerQuantity, Plan, Quantity, ReceiveSpec,
    SampleFormat, SignalSpec, SpectrumSpec, Window,
};

use crate::crew::Dice;

/// Standard deviation of λ of each quantity, dB, about what 4 ms at 20 MS/s give.
const SD_DB: PerQuantity<f64> = PerQuantity([0.25, 0.25, 0.4, 0.055]);

/// Pulses a second.
const REPETITION_HZ: f64 = 4.0;

/// One of one.
pub(crate) const ONCE: Rule = Rule { needed: 1, of: 1 };

/// How λ goes on from pulse to pulse.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Course {
    /// Independent.
    Independent,
    /// First-order autoregression with this correlation between neighbours.
    Correlated(f64),
    /// Independent, but this share of pulses has every λ raised by this many standard deviations.
    Outliers { share: f64, raised_sd: f64 },
}

/// Exposures without bubbles, all alike.
#[derive(Debug, Clone)]
pub(crate) struct Exposures {
    pub(crate) channels: usize,
    /// Baseline pulses of each drive.
    pub(crate) baseline: usize,
    pub(crate) drives: usize,
    /// Pulses of the exposure at each drive.
    pub(crate) pulses_a_drive: usize,
    pub(crate) q: f64,
    pub(crate) rule: Rule,
    pub(crate) course: Course,
}

/// What was found in an exposure without bubbles, by quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Found {
    /// Single pulses (or m of n) that made a verdict.
    pub(crate) single: PerQuantity<bool>,
    /// Established by many pulses together, where that can make a verdict.
    pub(crate) together: PerQuantity<bool>,
}

impl Found {
    pub(crate) fn by_single(&self) -> bool {
        self.single.0.contains(&true)
    }

    pub(crate) fn by_many(&self) -> bool {
        self.together.0.contains(&true)
    }

    pub(crate) fn any(&self) -> bool {
        self.by_single() || self.by_many()
    }

    /// Notes what one judgement claims.
    pub(crate) fn note(&mut self, judged: &Judgement, decides: &[Quantity]) {
        for row in &judged.rows {
            if !matches!(row.verdict, Some(Verdict::Stable | Verdict::Inertial)) {
                continue;
            }
            for quantity in Quantity::ALL {
                // Only quantities that passed and decide are named.
                self.single[quantity] |= names(&row.reason, quantity);
            }
        }
        for event in &judged.events {
            if let What::Established(found) = event.what {
                self.together[found.quantity] |= decides.contains(&found.quantity);
            }
        }
    }
}

/// Whether a reason names a quantity.
pub(crate) fn names(reason: &str, quantity: Quantity) -> bool {
    reason.split(' ').any(|word| word == quantity.name())
}

/// Quantities that can raise a verdict here.
pub(crate) const DECIDE: [Quantity; 3] =
    [Quantity::Ultraharmonic, Quantity::Subharmonic, Quantity::Broadband];

/// A plan with every quantity and a noise gate; only its bands matter where λ are made from numbers.
pub(crate) fn plan(channels: usize) -> Plan {
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
            first_arrival_s: None,
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
            notches_hz: Vec::new(),
            noise_band_hz: None,
        },
    };
    Plan::new(&spec).expect("the geometry has a plan")
}

/// A specification without margins, with nothing that forbids a verdict.
pub(crate) fn detect(q: f64, pulses: usize, rule: Rule) -> DetectSpec {
    DetectSpec {
        false_alarms_per_exposure: q,
        expected_pulses: u64::try_from(pulses).unwrap_or(u64::MAX),
        stable_from: vec![Quantity::Ultraharmonic, Quantity::Subharmonic],
        rule: PerQuantity([rule; 4]),
        floor_allowance_db: 0.5,
        repeatability_db: PerQuantity([0.0; 4]),
        sign_of_life: SignOfLife::None,
        fundamental_drop_db: 3.0,
        noise_drift_db: 1.0,
        channels_needed: 1,
        running_pulse: false,
        drive_tolerance: 0.05,
        repetition_hz: REPETITION_HZ,
        missing_after_periods: 2.5,
    }
}

/// The first pulse of a session.
pub(crate) fn first_pulse() -> Pulse {
    Pulse {
        number: 0,
        time: PulseTime { since_start_s: 0.0, utc_ns: None },
        target: Arc::from("vessel"),
        exposure: None,
        stage: Stage::Baseline,
        drive_mpa: Some(0.4),
        drive_setting: None,
        sham: false,
    }
}

/// The pulse after.
pub(crate) fn follow(pulse: &mut Pulse) {
    pulse.number += 1;
    pulse.time.since_start_s += 1.0 / REPETITION_HZ;
}

/// Bubbles go in before the next pulse.
pub(crate) fn inject(session: &mut Session, out: &mut Judgement) {
    session.act(&Act::sender(MarkKind::Injection(Injection::default())), out);
}

/// A pulse whose quantities stand at these λ, dB.
fn heard(lambda_db: [f64; 4]) -> ChannelReading {
    let band = |quantity: Quantity| {
        let lambda = lambda_db[quantity as usize];
        // The powers stand for themselves: no test looks at them.
        Some(Band {
            power_v2: 1e-9,
            net_v2: 1e-10,
            density_v2_per_hz: 1e-15,
            level_db: Some(lambda),
            lambda_db: Some(lambda),
            over_floor: quantity.is_line().then_some(1.0),
        })
    };
    ChannelReading::from_measured(Measured {
        bands: PerQuantity::from_fn(band),
        fundamental_v2: 1e-3,
        noise_v2_per_hz: Some(1e-14),
        ..Measured::default()
    })
}

/// λ of every channel and quantity from pulse to pulse.
struct Levels {
    course: Course,
    /// The last deviation of each channel and quantity, standard deviations.
    last: Vec<[f64; 4]>,
}

impl Levels {
    fn new(course: Course, channels: usize, dice: &mut Dice<'_>) -> Self {
        // Begun in the stationary distribution.
        let last = (0..channels).map(|_| [0; 4].map(|_| dice.normal())).collect();
        Self { course, last }
    }

    fn next(&mut self, mean_db: f64, dice: &mut Dice<'_>, out: &mut Vec<ChannelReading>) {
        let raised = match self.course {
            Course::Outliers { share, raised_sd } if dice.share() < share => raised_sd,
            _ => 0.0,
        };
        out.clear();
        for last in &mut self.last {
            for deviation in last.iter_mut() {
                let fresh = dice.normal();
                *deviation = match self.course {
                    Course::Correlated(r) => r * *deviation + (1.0 - r * r).sqrt() * fresh,
                    _ => fresh,
                };
            }
            let lambda_db = PerQuantity::from_fn(|quantity| {
                mean_db + SD_DB[quantity] * (last[quantity as usize] + raised)
            });
            out.push(heard(lambda_db.0));
        }
    }
}

impl Exposures {
    /// Pulses of one exposure.
    pub(crate) fn pulses(&self) -> usize {
        self.drives * self.pulses_a_drive
    }

    /// One session: a new baseline, then one exposure. In turn no injection is marked, one before
    /// the exposure, one at its third.
    pub(crate) fn run(&self, plan: &Plan, dice: &mut Dice<'_>, trial: usize) -> Found {
        let spec = detect(self.q, self.pulses(), self.rule);
        let mut session = Session::new(plan, &spec, &[], None);
        let mut out = Judgement::default();
        let mut levels = Levels::new(self.course, self.channels, dice);
        let mut readings = Vec::with_capacity(self.channels);
        let mut pulse = first_pulse();
        let mut found = Found::default();
        let drives: Vec<(f64, f64)> = std::iter::successors(Some((0.1, 0.0)), |(mpa, mean_db)| {
            Some((1.3 * mpa, 0.3 + mean_db))
        })
        .take(self.drives)
        .collect();
        for &(mpa, mean_db) in &drives {
            pulse.drive_mpa = Some(mpa);
            for _ in 0..self.baseline {
                levels.next(mean_db, dice, &mut readings);
                session.pulse(&pulse, &readings, &mut out);
                follow(&mut pulse);
            }
        }
        let injected_at = [None, Some(0), Some(self.pulses() / 3)][trial % 3];
        pulse.stage = Stage::Exposure;
        let mut done = 0;
        for &(mpa, mean_db) in &drives {
            pulse.drive_mpa = Some(mpa);
            for _ in 0..self.pulses_a_drive {
                if injected_at == Some(done) {
                    inject(&mut session, &mut out);
                }
                levels.next(mean_db, dice, &mut readings);
                session.pulse(&pulse, &readings, &mut out);
                found.note(&out, &DECIDE);
                follow(&mut pulse);
                done += 1;
            }
        }
        found
    }
}
