//! One exposure pulse against its references: tests, conditions, doses, verdict.
//!
//! `inertial` when the broadband passed; else `stable` when a quantity of `stable_from` passed; else
//! `indeterminate` when a condition of [`super::hearing`] says so; else `not_detected`. A verdict
//! describes the sound: broadband can also come from fluctuating bubble numbers (Yasui 2022),
//! harmonics from propagation, and two bubbles can cancel a subharmonic (Song 2017).

use super::alarm::Finding;
use super::baseline::{Drive, TargetBaseline, nearest, within};
use super::calibrated::Calibrated;
use super::cumulative::{Cumulative, LEAST_FOR_CUMULATIVE, Part};
use super::hearing::{DriveCheck, Hindrance, Hindrances, faults_against, own_faults};
use super::pulse::{Channel, Pulse};
use super::reference::{ChannelReference, Lookup, QuantityReference, References};
use super::row::{Row, Verdict};
use super::session::{RunningLimits, empty_row};
use super::spec::{DetectSpec, Rule};
use super::summary::{Doses, ExposureTally, PulseFinding};
use super::window::Window;
use crate::signal::{
    Band, Calibration, ChannelReading, Heard, Measured, PerQuantity, Plan, Quantity,
    Window as Taper, as_f64, decibels,
};
use crate::stats::{Reference, fisher_upper_quantile};

/// What came of one pulse, for tally and alarms.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PulseVerdict {
    /// What each channel showed, `all` last where there are several.
    pub findings: Vec<Finding>,
    /// What the pulse adds to its exposure.
    pub finding: PulseFinding,
    /// A limit was interpolated across a wide step.
    pub wide_step: bool,
    /// There was no baseline for the target or drive.
    pub no_baseline: bool,
    /// The drive lies above the baseline's highest.
    pub drive_above: bool,
    /// The drive's line stands further over its baseline than a fall would be allowed, dB.
    pub fundamental_rise_db: Option<f64>,
    /// Another drive or target than the pulse before: windows begin anew.
    pub new_drive: bool,
}

impl PulseVerdict {
    /// Notes a channel of a pulse that is not judged.
    pub(super) fn note_state(&mut self, channel: Channel, hindrances: Hindrances) {
        self.findings.push(Finding { channel, hindrances, ..Finding::nothing(channel) });
    }
}

impl Finding {
    /// Nothing passed, nothing held.
    const fn nothing(channel: Channel) -> Self {
        Self {
            channel,
            passed_db: PerQuantity([None; 4]),
            detect_db: PerQuantity([None; 4]),
            density_v2_per_hz: PerQuantity([None; 4]),
            hindrances: Hindrances::none(),
        }
    }
}

/// One quantity that passed, for a reason.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pass {
    quantity: Quantity,
    without_baseline: bool,
    margin_db: f64,
}

/// What is known besides a pulse itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct Around<'a> {
    /// Recent mean density in the noise gate of each used channel, dB re 1 V²/Hz.
    pub noise_db: &'a [Option<f64>],
    /// An injection is known.
    pub injected: bool,
    /// Amplitude of the drive at its monitor, V, where it has one.
    pub monitor: Option<Option<f64>>,
    /// The target's baseline.
    pub target: Option<&'a TargetBaseline>,
}

/// The tests of a session.
pub struct Judge {
    spec: DetectSpec,
    channels: Vec<usize>,
    check: DriveCheck,
    gate_s: f64,
    calibration: std::sync::Arc<Calibration>,
    alpha: f64,
    looked_at: PerQuantity<bool>,
    /// F-limit on the contrast without a baseline, a ratio with its allowance.
    floor_limit: PerQuantity<Option<f64>>,
    windows: Vec<PerQuantity<Window>>,
    window_drive: Option<(std::sync::Arc<str>, Drive)>,
    references: References,
    /// What pulses of the exposure say together.
    pub(super) cumulative: Cumulative,
}

/// What is known besides one channel's reading.
#[derive(Clone, Copy)]
struct Beside {
    /// Recent mean density in its noise gate, dB re 1 V²/Hz.
    noise_db: Option<f64>,
    /// Amplitude of the drive at its monitor, V, where it has one.
    monitor: Option<Option<f64>>,
}

/// One channel's outcome.
struct Outcome {
    row: Row,
    finding: Finding,
    passes: Vec<Pass>,
    harmonic_passed: bool,
    dosed: bool,
}

impl Judge {
    pub(super) fn new(plan: &Plan, spec: &DetectSpec, alpha: f64, references: References) -> Self {
        let channels = plan.used_channels.clone();
        let rows = channels.len() + usize::from(channels.len() > 1);
        let windows = PerQuantity::from_fn(|quantity| Window::new(spec.rule[quantity]));
        let allowance = libm::pow(10.0, spec.floor_allowance_db / 10.0);
        let floor_limit = PerQuantity::from_fn(|quantity| {
            let line = matches!(quantity, Quantity::Ultraharmonic | Quantity::Subharmonic);
            let flanks = 2.0 * plan.freedom.of_flanks(quantity, &plan.bands);
            let lines = 2.0 * freedom_of_lines_with_flanks(plan, quantity);
            (line && flanks > 0.0 && plan.spec.spectrum.window != Taper::Rectangular)
                .then(|| fisher_upper_quantile(alpha, lines, flanks) * allowance)
        });
        Self {
            spec: spec.clone(),
            channels,
            check: DriveCheck::of(plan),
            gate_s: plan.gate_s(),
            calibration: std::sync::Arc::clone(&plan.calibration),
            alpha,
            looked_at: PerQuantity::from_fn(|quantity| plan.bands.bins_of(quantity) > 0),
            floor_limit,
            windows: vec![windows; rows],
            window_drive: None,
            references,
            cumulative: Cumulative::new(spec, plan.used_channels.len(), plan.noise.is_some()),
        }
    }

    /// The factor on s of one pulse's limit with `n` baseline pulses and no correlation.
    pub(super) fn factor(&self, n: usize) -> f64 {
        Reference::independent(n, 0.0, 1.0)
            .map_or(f64::INFINITY, |reference| reference.pulse_factor(self.alpha))
    }

    /// Limits on λ − δ of a channel while a pulse runs.
    pub(super) fn running_limits(
        &mut self,
        pulse: &Pulse,
        target: &TargetBaseline,
        place: usize,
    ) -> RunningLimits {
        self.references.running(&pulse.target, target, Drive::of(pulse.drive_mpa), place)
    }

    pub(super) fn clear_windows(&mut self) {
        for window in self.windows.iter_mut().flat_map(|windows| &mut windows.0) {
            window.clear();
        }
    }

    pub(super) fn forget_references(&mut self) {
        self.references.forget();
    }

    /// A drive other than the windows' starts them anew.
    fn follow_drive(&mut self, pulse: &Pulse) -> bool {
        let drive = Drive::of(pulse.drive_mpa);
        let same = self.window_drive.as_ref().is_some_and(|(target, held)| {
            *target == pulse.target
                && match (*held, drive) {
                    (Drive::Known(a), Drive::Known(b)) => {
                        within(b - a, self.spec.drive_tolerance * a)
                    }
                    (a, b) => a == b,
                }
        });
        if !same {
            self.clear_windows();
            self.window_drive = Some((std::sync::Arc::clone(&pulse.target), drive));
        }
        !same
    }

    /// Judges a pulse; rows are appended, doses added to the tally.
    pub(super) fn pulse(
        &mut self,
        pulse: &Pulse,
        readings: &[ChannelReading],
        around: &Around<'_>,
        tally: &mut ExposureTally,
        rows: &mut Vec<Row>,
    ) -> PulseVerdict {
        let Around { noise_db, injected, monitor, target } = *around;
        let mut verdict = PulseVerdict::default();
        if pulse.sham {
            self.sham_rows(pulse, readings, rows, &mut verdict);
            return verdict;
        }
        verdict.new_drive = self.follow_drive(pulse);
        let mut outcomes = Vec::with_capacity(readings.len());
        for (place, reading) in readings.iter().enumerate() {
            let lookup =
                self.references.find(&pulse.target, target, Drive::of(pulse.drive_mpa), &[place]);
            match &lookup {
                Lookup::Found(reference) => verdict.wide_step |= reference.wide_step,
                Lookup::Outside { above } => verdict.drive_above |= above,
                Lookup::Nothing => verdict.no_baseline = true,
            }
            let doses = &mut tally.channels[place];
            let heard = Beside { noise_db: noise_db[place], monitor };
            outcomes.push(self.channel(pulse, place, reading, &lookup, heard, doses));
        }
        let mut last = None;
        if readings.len() > 1 {
            last = Some(self.all(pulse, &outcomes, target, tally));
        }
        if let Some(target) = target {
            self.together(pulse, target, injected, &mut outcomes, last.as_mut());
        }
        let judged = last.as_ref().unwrap_or(&outcomes[0]);
        let harmonics_decide = self.spec.stable_from.contains(&Quantity::Harmonic);
        verdict.finding = PulseFinding {
            verdict: judged.row.verdict,
            harmonic_only: judged.row.verdict == Some(Verdict::NotDetected)
                && judged.harmonic_passed
                && !harmonics_decide,
            broadband_db: judged.row.level_db[Quantity::Broadband],
            broadband_limit_db: judged.row.limit_db[Quantity::Broadband],
            used: outcomes.iter().any(|outcome| outcome.dosed),
        };
        let rises = outcomes.iter().filter_map(|outcome| outcome.row.fundamental_db);
        verdict.fundamental_rise_db =
            rises.filter(|db| *db > self.spec.fundamental_drop_db).reduce(f64::max);
        for outcome in outcomes.into_iter().chain(last) {
            verdict.findings.push(outcome.finding);
            rows.push(outcome.row);
        }
        verdict
    }

    /// Every channel that could be judged joins the evidence of the drive it belongs to.
    fn together(
        &mut self,
        pulse: &Pulse,
        target: &TargetBaseline,
        injected: bool,
        outcomes: &mut [Outcome],
        all: Option<&mut Outcome>,
    ) {
        let drive = Drive::of(pulse.drive_mpa);
        let drives = target.drives.iter().map(|series| series.drive);
        let Some(place) = nearest(drives, drive, self.spec.drive_tolerance) else { return };
        let drives = target.drives.len();
        let drive = (place, target.drives[place].drive);
        let healthy = healthy(outcomes);
        let rows = outcomes.len();
        for (row, outcome) in outcomes.iter_mut().chain(all).enumerate() {
            let silent = outcome.row.detect_db.0.iter().all(Option::is_none);
            if outcome.row.verdict == Some(Verdict::Indeterminate) || silent {
                continue;
            }
            let set = if row == rows { healthy.as_slice() } else { &[row] };
            let lookup = self.references.find(&pulse.target, Some(target), drive.1, set);
            let Lookup::Found(at_drive) = lookup else { continue };
            // Only a pulse that takes part fixes the channels of `all`.
            let enough = |known: &Option<QuantityReference>| {
                known.as_ref().is_some_and(|known| known.statistics.n >= LEAST_FOR_CUMULATIVE)
            };
            if !at_drive.quantities.0.iter().any(enough)
                || row == rows && !self.cumulative.same_set(place, set)
            {
                continue;
            }
            let channel = outcome.row.channel;
            let part = Part { drive, drives, row: (row, channel), pulse: pulse.number, injected };
            for (quantity, known) in at_drive.quantities.iter() {
                let (Some(known), Some(deviation_db)) = (known, outcome.row.detect_db[quantity])
                else {
                    continue;
                };
                let hearing =
                    self.cumulative.take(&part, quantity, deviation_db, &known.statistics);
                outcome.row.hearing[quantity] = hearing;
                outcome.row.hear_cumulative_db[quantity] =
                    hearing.map(|hearing| hearing.now()).filter(|db| db.is_finite());
            }
        }
    }

    fn sham_rows(
        &self,
        pulse: &Pulse,
        readings: &[ChannelReading],
        rows: &mut Vec<Row>,
        verdict: &mut PulseVerdict,
    ) {
        for (place, (&channel, reading)) in self.channels.iter().zip(readings).enumerate() {
            let mut row = empty_row(pulse, Channel::One(channel));
            if let Heard::Measured(measured) = reading.heard() {
                fill_powers(&mut row, measured);
                row.calibrated = Calibrated::of(&self.calibration, place, reading);
            }
            row.reason = "sham".to_owned();
            verdict.note_state(Channel::One(channel), Hindrances::default());
            rows.push(row);
        }
        if self.channels.len() > 1 {
            rows.push(Row { reason: "sham".to_owned(), ..empty_row(pulse, Channel::All) });
        }
    }

    fn channel(
        &mut self,
        pulse: &Pulse,
        place: usize,
        reading: &ChannelReading,
        lookup: &Lookup,
        beside: Beside,
        doses: &mut Doses,
    ) -> Outcome {
        let channel = Channel::One(self.channels[place]);
        let mut row = empty_row(pulse, channel);
        let mut finding = Finding::nothing(channel);
        let measured = match reading.heard() {
            Heard::Measured(measured) => measured,
            Heard::Void(why) => {
                for window in &mut self.windows[place].0 {
                    window.take(None);
                }
                row.excess_dose_v2s = running(doses, self.looked_at);
                finding.hindrances = Hindrances::only(why.into());
                return self.decide(row, finding, Vec::new(), None);
            }
        };
        fill_powers(&mut row, measured);
        row.calibrated = Calibrated::of(&self.calibration, place, reading);
        finding.hindrances = own_faults(measured, &self.check);
        finding.density_v2_per_hz =
            PerQuantity::from_fn(|q| measured.bands[q].map(|band| band.density_v2_per_hz));
        let reference = match lookup {
            Lookup::Found(reference) => {
                row.reference = Some(std::sync::Arc::clone(reference));
                Some(&**reference)
            }
            Lookup::Outside { .. } => {
                finding.hindrances.note(Hindrance::DriveOutside, true);
                None
            }
            Lookup::Nothing => None,
        };
        let mut dosed = false;
        if let Some(reference) = reference {
            let faults = faults_against(measured, reference, beside.noise_db, &self.spec);
            finding.hindrances = finding.hindrances.and(faults);
            self.hold_to_monitor(&mut row, beside.monitor, reference, &mut finding.hindrances);
            self.fill_against(&mut row, measured, reference);
            dosed = self.add_doses(doses, measured, &row, reference);
        }
        let no_reference =
            self.lacks_reference(reference) && !finding.hindrances.has(Hindrance::DriveOutside);
        finding.hindrances.note(Hindrance::NoBaseline, no_reference);
        // What has a limit and no number was not tested, and that is no silence.
        let no_noise_gate = finding.hindrances.has(Hindrance::NoiseGateIncomplete);
        let untested = |q: Quantity| {
            let limited = reference.is_some_and(|reference| reference.quantities[q].is_some());
            let named = no_noise_gate && q == Quantity::Broadband;
            self.decides(q) && limited && row.lambda_db[q].is_none() && !named
        };
        let not_finite = Quantity::ALL.into_iter().any(untested);
        finding.hindrances.note(Hindrance::NotFinite, not_finite);
        row.excess_dose_v2s = running(doses, self.looked_at);
        finding.detect_db = row.detect_db;
        let passes = self.test(place, &row, reference, Some(measured), &mut finding);
        Outcome { dosed, ..self.decide(row, finding, passes, None) }
    }

    /// The drive at its monitor beside the baseline's at the drive that is reported. A monitor that
    /// shows nothing is not one that agrees.
    fn hold_to_monitor(
        &self,
        row: &mut Row,
        monitor: Option<Option<f64>>,
        reference: &ChannelReference,
        hindrances: &mut Hindrances,
    ) {
        let Some((amplitude_v, mean_db)) = monitor.zip(reference.monitor_db) else { return };
        row.drive_monitor_db = amplitude_v.and_then(|v| decibels(v * v)).map(|db| db - mean_db);
        let most_db = 20.0 * libm::log10(1.0 + self.spec.drive_tolerance);
        let agrees = row.drive_monitor_db.is_some_and(|db| within(db, most_db));
        hindrances.note(Hindrance::DriveNotAsSet, !agrees);
    }

    /// Whether a quantity is looked at and can make a verdict.
    fn decides(&self, quantity: Quantity) -> bool {
        self.looked_at[quantity]
            && (quantity == Quantity::Broadband || self.spec.stable_from.contains(&quantity))
    }

    /// A quantity that can decide has no limit.
    fn lacks_reference(&self, reference: Option<&ChannelReference>) -> bool {
        reference.is_none_or(|reference| {
            Quantity::ALL.into_iter().any(|q| self.decides(q) && reference.quantities[q].is_none())
        })
    }

    /// Levels, detection levels, limits and detection limits of a row.
    fn fill_against(&self, row: &mut Row, measured: &Measured, reference: &ChannelReference) {
        for (quantity, known) in reference.quantities.iter() {
            let Some(known) = known else { continue };
            row.limit_db[quantity] = Some(known.limit_db - known.statistics.mean);
            row.hear_db[quantity] = Some(known.hear_db);
            let Some(band) = measured.bands[quantity] else { continue };
            row.level_db[quantity] = band.level_db.map(|db| db - known.mean_level_db);
            row.detect_db[quantity] = band.lambda_db.map(|db| db - known.statistics.mean);
        }
        let over = |level: Option<f64>, mean: Option<f64>| Some(level? - mean?);
        if let Some(calibrated) = &mut row.calibrated {
            calibrated.compare(&reference.calibrated, |q| reference.quantities[q].is_some());
        }
        row.fundamental_db = over(decibels(measured.fundamental_v2), reference.fundamental_db);
        row.noise_db = over(measured.noise_v2_per_hz.and_then(decibels), reference.noise_level_db);
    }

    /// Adds ΔP·T, P·T and √P·T; ΔP of net line power for ultraharmonic and subharmonic.
    fn add_doses(
        &self,
        doses: &mut Doses,
        measured: &Measured,
        row: &Row,
        reference: &ChannelReference,
    ) -> bool {
        let mut added = false;
        for (quantity, known) in reference.quantities.iter() {
            let (Some(known), Some(band)) = (known, measured.bands[quantity]) else { continue };
            let Band { power_v2, net_v2, .. } = band;
            let excess_v2 = match quantity {
                Quantity::Ultraharmonic | Quantity::Subharmonic => net_v2 - known.mean_net_v2,
                Quantity::Harmonic | Quantity::Broadband => power_v2 - known.mean_power_v2,
            };
            doses.excess_v2s[quantity] += excess_v2 * self.gate_s;
            doses.raw_v2s[quantity] += power_v2 * self.gate_s;
            doses.amplitude_vs[quantity] += power_v2.max(0.0).sqrt() * self.gate_s;
            added = true;
        }
        if let Some(calibrated) = &row.calibrated {
            doses.add_weighted(&calibrated.excess, self.gate_s);
        }
        added
    }

    /// Every quantity against its limit and rule; without a reference the contrast test.
    fn test(
        &mut self,
        place: usize,
        row: &Row,
        reference: Option<&ChannelReference>,
        measured: Option<&Measured>,
        finding: &mut Finding,
    ) -> Vec<Pass> {
        let mut passes = Vec::new();
        for quantity in Quantity::ALL {
            let delta = self.spec.repeatability_db[quantity];
            let known = reference.and_then(|r| r.quantities[quantity].as_ref());
            let margin =
                known.and_then(|known| Some(row.lambda_db[quantity]? - delta - known.limit_db));
            let mut passed = self.windows[place][quantity].take(margin);
            let without_baseline = known.is_none();
            if without_baseline {
                passed = self.over_floor(quantity, measured).filter(|margin| *margin > 0.0);
            }
            finding.passed_db[quantity] = passed;
            if let Some(margin_db) = passed {
                passes.push(Pass { quantity, without_baseline, margin_db });
            }
        }
        passes
    }

    /// Margin of the contrast over its F-limit, dB, lowered by the repeatability.
    fn over_floor(&self, quantity: Quantity, measured: Option<&Measured>) -> Option<f64> {
        let ratio = measured?.bands[quantity]?.over_floor?;
        let limit = self.floor_limit[quantity]?;
        decibels(ratio / limit).map(|db| db - self.spec.repeatability_db[quantity])
    }

    /// Channel `all`: the mean of the healthy channels against the same mean of the baseline, and
    /// every channel's own word.
    fn all(
        &mut self,
        pulse: &Pulse,
        outcomes: &[Outcome],
        target: Option<&TargetBaseline>,
        tally: &ExposureTally,
    ) -> Outcome {
        let mut row = empty_row(pulse, Channel::All);
        let mut finding = Finding::nothing(Channel::All);
        row.drive_monitor_db = outcomes.iter().find_map(|outcome| outcome.row.drive_monitor_db);
        let healthy = healthy(outcomes);
        row.excess_dose_v2s = running(&tally.mean_doses(), self.looked_at);
        let mut passes = Vec::new();
        if healthy.len() >= self.spec.channels_needed {
            let drive = Drive::of(pulse.drive_mpa);
            let lookup = self.references.find(&pulse.target, target, drive, &healthy);
            if let Lookup::Found(reference) = &lookup {
                mean_row(&mut row, &healthy, outcomes, reference);
                row.reference = Some(std::sync::Arc::clone(reference));
                finding.detect_db = row.detect_db;
            }
            let reference = match &lookup {
                Lookup::Found(reference) => Some(&**reference),
                _ => None,
            };
            finding.hindrances.note(Hindrance::NoBaseline, self.lacks_reference(reference));
            passes = self.test(outcomes.len(), &row, reference, None, &mut finding);
        } else {
            for window in &mut self.windows[outcomes.len()].0 {
                window.take(None);
            }
            for outcome in outcomes {
                finding.hindrances = finding.hindrances.and(outcome.finding.hindrances);
            }
            finding.hindrances.note(Hindrance::TooFewChannels, true);
        }
        self.decide(row, finding, passes, Some(outcomes))
    }

    /// Verdict and reason from what passed and what hindered; `channels` only for `all`.
    fn decide(
        &self,
        mut row: Row,
        finding: Finding,
        passes: Vec<Pass>,
        channels: Option<&[Outcome]>,
    ) -> Outcome {
        let mut words = Vec::new();
        let (mut inertial, mut stable) = (false, false);
        let mut harmonic_passed = passes.iter().any(|pass| pass.quantity == Quantity::Harmonic);
        let own = passes.iter().map(|pass| (None, pass));
        let others = channels.unwrap_or_default().iter().flat_map(|outcome| {
            outcome.passes.iter().map(|pass| (Some(outcome.row.channel), pass))
        });
        let all: Vec<(Option<Channel>, &Pass)> = own.chain(others).collect();
        for quantity in Quantity::SPOKEN {
            let decides =
                quantity == Quantity::Broadband || self.spec.stable_from.contains(&quantity);
            for (channel, pass) in all.iter().filter(|(_, pass)| pass.quantity == quantity) {
                if !decides {
                    harmonic_passed |= quantity == Quantity::Harmonic;
                    continue;
                }
                inertial |= quantity == Quantity::Broadband;
                stable |= quantity != Quantity::Broadband;
                words.push(self.words(*channel, pass));
            }
        }
        let verdict = match (inertial, stable, finding.hindrances.is_empty()) {
            (true, ..) => Verdict::Inertial,
            (_, true, _) => Verdict::Stable,
            (_, _, false) => Verdict::Indeterminate,
            _ => Verdict::NotDetected,
        };
        words.extend(finding.hindrances.iter().map(|hindrance| hindrance.name().to_owned()));
        let harmonics_decide = self.spec.stable_from.contains(&Quantity::Harmonic);
        if verdict == Verdict::NotDetected && harmonic_passed && !harmonics_decide {
            words.push("harmonic only".to_owned());
        }
        row.verdict = Some(verdict);
        row.reason = words.join("; ");
        Outcome { row, finding, passes, harmonic_passed, dosed: false }
    }

    fn words(&self, channel: Option<Channel>, pass: &Pass) -> String {
        let Rule { needed, of } = self.spec.rule[pass.quantity];
        let rule = match (pass.without_baseline, of) {
            (true, _) => "contrast".to_owned(),
            (false, 1) => "pulse".to_owned(),
            (false, _) => format!("{needed} of {of}"),
        };
        let channel = channel.map_or_else(String::new, |channel| format!("channel {channel} "));
        format!("{channel}{} {rule} {:+.1} dB", pass.quantity.name(), pass.margin_db)
    }
}

/// Places of the channels at which nothing hindered.
fn healthy(outcomes: &[Outcome]) -> Vec<usize> {
    (0..outcomes.len()).filter(|&place| outcomes[place].finding.hindrances.is_empty()).collect()
}

/// ΣK over a quantity's lines, those without flanks left out as the contrast leaves them out.
fn freedom_of_lines_with_flanks(plan: &Plan, quantity: Quantity) -> f64 {
    let range = plan.bands.of[quantity as usize].clone();
    let lines = plan.bands.lines[range.clone()].iter().zip(&plan.freedom.lines[range]);
    lines.filter(|(line, _)| line.flank_bins() > 0).map(|(_, half)| half).sum()
}

/// Powers, detection levels and clipping of a row, whatever its stage.
pub(super) fn fill_powers(row: &mut Row, measured: &Measured) {
    row.power_v2 = PerQuantity::from_fn(|q| measured.bands[q].map(|band| band.power_v2));
    row.lambda_db = PerQuantity::from_fn(|q| measured.bands[q].and_then(|band| band.lambda_db));
    row.fundamental_v2 = Some(measured.fundamental_v2);
    row.broadband_v2_per_hz =
        measured.bands[Quantity::Broadband].map(|band| band.density_v2_per_hz);
    row.clipped_share = Some(measured.clipped_share);
    row.loudest_quarter = measured.loudest_quarter;
}

/// Conditions as the words of a reason.
pub(super) fn join(hindrances: Hindrances) -> String {
    let words: Vec<&str> = hindrances.iter().map(Hindrance::name).collect();
    words.join("; ")
}

/// Running excess doses of the quantities that are looked at.
fn running(doses: &Doses, looked_at: PerQuantity<bool>) -> PerQuantity<Option<f64>> {
    PerQuantity::from_fn(|q| looked_at[q].then_some(doses.excess_v2s[q]))
}

/// Means over the healthy channels, ascending, with limits from the same set's baseline.
fn mean_row(row: &mut Row, healthy: &[usize], outcomes: &[Outcome], reference: &ChannelReference) {
    let share = 1.0 / as_f64(healthy.len());
    let mean = |value: &dyn Fn(&Row) -> Option<f64>| {
        let sum: Option<f64> = healthy.iter().map(|&place| value(&outcomes[place].row)).sum();
        sum.map(|sum| sum * share)
    };
    row.lambda_db = PerQuantity::from_fn(|q| mean(&|row| row.lambda_db[q]));
    row.level_db = PerQuantity::from_fn(|q| mean(&|row| row.level_db[q]));
    row.fundamental_db = mean(&|row| row.fundamental_db);
    row.noise_db = mean(&|row| row.noise_db);
    for (quantity, known) in reference.quantities.iter() {
        let Some(known) = known else { continue };
        row.limit_db[quantity] = Some(known.limit_db - known.statistics.mean);
        row.hear_db[quantity] = Some(known.hear_db);
        row.detect_db[quantity] = row.lambda_db[quantity].map(|db| db - known.statistics.mean);
    }
}
