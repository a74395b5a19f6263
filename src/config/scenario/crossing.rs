//! What several keys of a scenario, or a key and the configuration, say against each other.

use super::super::bounds::Plain;
use super::super::written::Written;
use super::{Scenario, Settings};
use crate::bench::spec;

impl Scenario {
    /// Shock and clock.
    pub(super) fn together(&self, written: &Written<'_>, settings: &Settings) {
        self.shock(written);
        self.clock(written, settings);
    }

    /// Waves that would have had their shock before the focus.
    fn shock(&self, written: &Written<'_>) {
        let steps = || self.steps.iter().map(|step| step.drive_mpa);
        let highest_mpa = steps().fold(0.0, f64::max);
        let sigma = self.amplifier.highest_sigma(highest_mpa);
        if sigma >= 1.0 {
            let message = format!(
                "`amplifier.shock_per_mpa` is {}, with the highest drive of {} MPa and four standard \
                 deviations of `amplifier.wander` sigma is {}, must be below 1: harmonics are those of a \
                 wave before its shock",
                Plain(self.amplifier.shock_per_mpa),
                Plain(highest_mpa),
                Plain((sigma * 1e4).round() / 1e4)
            );
            let places = [("amplifier.shock_per_mpa", "too much"), ("step", "for these drives")];
            written.fault(message, &places);
        }
    }

    /// A converter's clock by which records do not fit into the period of the pulses.
    fn clock(&self, written: &Written<'_>, settings: &Settings) {
        let (receive, drive) = (&settings.signal.receive, &settings.drive);
        let clock_ppm = self.electronics.clock_ppm;
        let record_s = spec::record_s(receive, drive.pulse_s);
        let period_s = (1.0 + 1e-6 * clock_ppm) / drive.repetition_hz;
        let fits = |ppm| spec::records_fit(receive, drive.pulse_s, drive.repetition_hz, ppm);
        // A record that is too long by the drive's own clock is the configuration's own fault.
        if fits(0.0) && !fits(clock_ppm) {
            let message = format!(
                "`electronics.clock_ppm` is {}: a record of {} takes {} s by the converter's clock, a \
                 period {} s",
                Plain(clock_ppm),
                self.configuration.display(),
                Plain((record_s * 1e9).round() / 1e9),
                Plain((period_s * 1e9).round() / 1e9)
            );
            let places = [("electronics.clock_ppm", "too slow"), ("configuration", "for this")];
            written.fault(message, &places);
        }
    }
}
