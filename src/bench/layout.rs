//! Which pulses a scene has, in which order.

use std::sync::Arc;

use super::spec::SceneError;

/// Drives of the demo's scene, MPa.
const DEMO_DRIVES_MPA: [f64; 6] = [0.06, 0.09, 0.12, 0.16, 0.22, 0.30];
/// Drive of the uncoupled pulses, MPa: lines would be heard there, and it is not that of the pulse
/// before, whose verdicts an m-of-n rule would otherwise still count.
const DEMO_UNCOUPLED_MPA: f64 = 0.22;
/// Share of all pulses that the baseline has at one drive: 30 of 300.
const BASELINE_SHARE: f64 = 0.1;
/// Fewest of them.
const BASELINE_FEWEST: u32 = 15;
/// Of the pulses beside the baseline, the shares without drive, 10 of 120, and uncoupled, 20 of 120.
const OTHER_SHARES: [f64; 2] = [1.0 / 12.0, 1.0 / 6.0];
/// Fewest pulses beside the baseline: 2 without drive, 3 with bubbles at each drive, 4 uncoupled.
const OTHER_FEWEST: u32 = 24;
/// Length of the shortest and the longest scene, s.
const SECONDS: [f64; 2] = [30.0, 86_400.0];

/// What a pulse is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// No drive.
    Silence,
    /// Drive before bubbles are there.
    Baseline,
    /// Drive when bubbles may be there.
    Exposure,
}

impl Part {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Silence, Self::Baseline, Self::Exposure];

    /// The name of the stage its pulses belong to.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Silence => "noise",
            Self::Baseline => "baseline",
            Self::Exposure => "exposure",
        }
    }
}

/// Pulses alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What they are for.
    pub part: Part,
    /// Drive, MPa; 0 in silence.
    pub drive_mpa: f64,
    /// How many.
    pub pulses: u32,
    /// The target's name; empty when there is only one.
    pub target: Arc<str>,
    /// Whether bubbles are injected just before the first of them.
    pub injection: bool,
    /// Whether the receivers are coupled.
    pub coupled: bool,
    /// Pause before the first of them, s.
    pub pause_s: f64,
}

impl Step {
    /// Coupled pulses of the only target without pause or injection.
    #[must_use]
    pub fn plain(part: Part, drive_mpa: f64, pulses: u32) -> Self {
        let (target, injection, coupled, pause_s) = (Arc::from(""), false, true, 0.0);
        Self { part, drive_mpa, pulses, target, injection, coupled, pause_s }
    }

    /// The same with an injection before the first pulse.
    #[must_use]
    pub fn injected(self) -> Self {
        Self { injection: true, ..self }
    }
}

/// The steps of [`super::Scene::demo`].
pub(super) fn demo(seconds: f64, repetition_hz: f64) -> Result<Vec<Step>, SceneError> {
    let [shortest, most] = SECONDS;
    if seconds > most {
        return Err(SceneError::TooLong { seconds, most });
    }
    let pulses = OTHER_FEWEST + 6 * BASELINE_FEWEST;
    let least = shortest.max(f64::from(pulses) / repetition_hz);
    if seconds.is_nan() || seconds < least {
        return Err(SceneError::TooShort { seconds, repetition_hz, least });
    }
    Ok(steps(seconds * repetition_hz))
}

/// The steps for so many pulses, which are enough for all parts.
fn steps(pulses: f64) -> Vec<Step> {
    let pulses = whole(pulses);
    let baseline = whole(BASELINE_SHARE * f64::from(pulses)).max(BASELINE_FEWEST);
    let others = pulses - 6 * baseline;
    let [noise, uncoupled] = OTHER_SHARES.map(|share| whole(share * f64::from(others)));
    let ramp = others - noise - uncoupled;
    let mut steps = vec![Step::plain(Part::Silence, 0.0, noise)];
    steps.extend(DEMO_DRIVES_MPA.map(|drive| Step::plain(Part::Baseline, drive, baseline)));
    for (drive, place) in DEMO_DRIVES_MPA.into_iter().zip(0..) {
        // What does not divide by six goes to the highest drives.
        let pulses = ramp / 6 + u32::from(place + ramp % 6 >= 6);
        let injection = place == 0;
        steps.push(Step { injection, ..Step::plain(Part::Exposure, drive, pulses) });
    }
    let last = Step::plain(Part::Exposure, DEMO_UNCOUPLED_MPA, uncoupled);
    steps.push(Step { coupled: false, ..last });
    steps
}

/// The nearest number of pulses, half to even.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates; more pulses than 32 bits hold nobody waits for"
)]
const fn whole(value: f64) -> u32 {
    value.round_ties_even() as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise, baseline at each drive, bubbles at the lowest and highest drive, uncoupled, all.
    #[track_caller]
    fn check(seconds: f64, repetition_hz: f64, expected: [u32; 6]) {
        let steps = demo(seconds, repetition_hz).unwrap();
        let of = |part, coupled| -> Vec<Step> {
            let alike = |step: &&Step| step.part == part && step.coupled == coupled;
            steps.iter().filter(alike).cloned().collect()
        };
        let [noise, uncoupled] = [(Part::Silence, true), (Part::Exposure, false)].map(|kind| {
            let steps = of(kind.0, kind.1);
            assert_eq!(steps.len(), 1);
            steps[0].pulses
        });
        let (baseline, ramp) = (of(Part::Baseline, true), of(Part::Exposure, true));
        let injected: Vec<bool> = ramp.iter().map(|step| step.injection).collect();
        assert_eq!(injected, [true, false, false, false, false, false]);
        for part in [&baseline, &ramp] {
            let drives: Vec<f64> = part.iter().map(|step| step.drive_mpa).collect();
            assert_eq!(drives, DEMO_DRIVES_MPA);
        }
        assert!(baseline.iter().all(|step| step.pulses == baseline[0].pulses));
        let all = steps.iter().map(|step| step.pulses).sum();
        let (low, high) = (ramp[0].pulses, ramp[5].pulses);
        assert_eq!([noise, baseline[0].pulses, low, high, uncoupled, all], expected);
    }

    #[test]
    fn a_minute_has_the_stated_counts() {
        check(60.0, 5.0, [10, 30, 15, 15, 20, 300]);
    }

    #[test]
    fn other_lengths_are_in_proportion_and_last_as_long_as_asked() {
        check(120.0, 5.0, [20, 60, 30, 30, 40, 600]);
        check(30.0, 5.0, [5, 15, 7, 8, 10, 150]);
        check(45.0, 5.0, [8, 22, 11, 12, 16, 225]);
        check(60.0, 2.5, [5, 15, 7, 8, 10, 150]);
        check(60.0, 50.0, [100, 300, 150, 150, 200, 3000]);
    }

    #[test]
    fn a_baseline_never_has_fewer_than_fifteen_a_drive() {
        check(114.0, 1.0, [2, 15, 3, 3, 4, 114]);
    }

    #[test]
    fn more_pulses_than_can_be_counted_are_as_many_as_can() {
        let parts = [143_165_576, 429_496_730, 214_748_364, 214_748_365, 286_331_152];
        let [a, b, c, d, e] = parts;
        check(86_400.0, 1e9, [a, b, c, d, e, u32::MAX]);
    }

    #[track_caller]
    fn check_fault(seconds: f64, repetition_hz: f64, message: &str) {
        assert_eq!(demo(seconds, repetition_hz).unwrap_err().to_string(), message);
    }

    #[test]
    fn a_scene_too_short_or_too_long_says_what_it_needs() {
        check_fault(29.9, 5.0, "seconds is 29.9, at 5 Hz the scene needs 30 or more");
        check_fault(f64::NAN, 5.0, "seconds is NaN, at 5 Hz the scene needs 30 or more");
        check_fault(-1.0, 5.0, "seconds is -1, at 5 Hz the scene needs 30 or more");
        check_fault(60.0, 1.0, "seconds is 60, at 1 Hz the scene needs 114 or more");
        check_fault(86_401.0, 5.0, "seconds is 86401, the scene has at most 86400");
        check_fault(f64::INFINITY, 5.0, "seconds is inf, the scene has at most 86400");
    }
}
