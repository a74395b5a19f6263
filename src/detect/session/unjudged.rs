//! Pulses that are not judged: noise and baseline.

use std::sync::Arc;

use super::{
    Channel, ChannelReading, Growing, Heard, Judgement, MOST_HELD, MOST_SERIES, MOST_TARGETS,
    Progress, Pulse, PulseVerdict, Row, Session, Stage, as_f64, empty_row,
};
use crate::detect::Drive;
use crate::detect::baseline::{Refused, Sample};
use crate::detect::calibrated::Calibrated;
use crate::detect::hearing::{Hindrance, Hindrances, own_faults};
use crate::detect::judge;
use crate::signal::{Quantity, Running};

impl Session {
    /// Rows of stages that are not judged; the reason is the stage's name or what excluded them.
    pub(super) fn reference_rows(
        &self,
        pulse: &Pulse,
        readings: &[ChannelReading],
        excluded: Option<&str>,
        out: &mut Judgement,
    ) -> PulseVerdict {
        let mut verdict = PulseVerdict::default();
        for (place, (&channel, reading)) in self.channels.iter().zip(readings).enumerate() {
            let mut row = empty_row(pulse, Channel::One(channel));
            row.since_injection_s = self.since_injection(pulse.time.since_start_s);
            let faults = match reading.heard() {
                Heard::Void(why) => Hindrances::only(why.into()),
                Heard::Measured(measured) => {
                    judge::fill_powers(&mut row, measured);
                    row.calibrated = Calibrated::of(&self.calibration, place, reading);
                    let faults = own_faults(measured, &self.check);
                    if pulse.stage == Stage::Noise { noise_faults(faults) } else { faults }
                }
            };
            row.reason = match (excluded, faults.is_empty()) {
                _ if pulse.sham => "sham".to_owned(),
                (Some(why), _) => why.to_owned(),
                (None, true) => format!("stage {}", pulse.stage.name()),
                (None, false) => judge::join(faults),
            };
            verdict.note_state(Channel::One(channel), faults);
            out.rows.push(row);
        }
        if self.channels.len() > 1 {
            out.rows.push(self.all_reference_row(pulse, &out.rows, excluded));
        }
        verdict
    }

    pub(super) fn all_reference_row(
        &self,
        pulse: &Pulse,
        rows: &[Row],
        excluded: Option<&str>,
    ) -> Row {
        let mut all = empty_row(pulse, Channel::All);
        all.since_injection_s = self.since_injection(pulse.time.since_start_s);
        let plain = format!("stage {}", pulse.stage.name());
        let good: Vec<&Row> = rows.iter().filter(|row| row.reason == plain).collect();
        for quantity in Quantity::ALL {
            let levels: Option<Vec<f64>> = good.iter().map(|row| row.lambda_db[quantity]).collect();
            all.lambda_db[quantity] = levels
                .filter(|levels| !levels.is_empty())
                .map(|levels| levels.iter().sum::<f64>() / as_f64(levels.len()));
        }
        all.reason = match excluded {
            _ if pulse.sham => "sham".to_owned(),
            Some(why) => why.to_owned(),
            None if good.len() >= self.spec.channels_needed => plain,
            None => Hindrance::TooFewChannels.name().to_owned(),
        };
        all
    }

    pub(super) fn baseline_pulse(
        &mut self,
        pulse: &Pulse,
        readings: &[ChannelReading],
        out: &mut Judgement,
    ) -> PulseVerdict {
        let full = self.growing.len() >= MOST_TARGETS && !self.growing.contains_key(&pulse.target);
        let drives = || self.growing.values().flat_map(|growing| &growing.baseline.drives);
        let held: usize = drives().map(|drive| drive.pulses.len()).sum();
        let crowded = (held + 1) * readings.len() > MOST_HELD;
        let room = (MOST_SERIES / readings.len().max(1)).saturating_sub(drives().count());
        let excluded = self
            .excluded(pulse)
            .or(full.then_some("too many targets"))
            .or(crowded.then_some("baseline full"));
        if excluded.is_some() || pulse.sham {
            return self.reference_rows(pulse, readings, excluded, out);
        }
        let now_s = pulse.time.since_start_s;
        let since_injection_s = self.since_injection(now_s);
        let growing = self.growing.entry(Arc::clone(&pulse.target)).or_insert_with(|| Growing {
            begun_s: now_s,
            since_injection_s,
            ..Growing::default()
        });
        let check = self.check;
        let samples: Vec<Option<Sample>> = readings
            .iter()
            .map(|reading| match reading.heard() {
                Heard::Measured(m) if own_faults(m, &check).is_empty() => Some(Sample::of(m)),
                _ => None,
            })
            .collect();
        let spectra = readings.iter().map(|reading| reading.spectrum.as_slice());
        let drive = Drive::of(pulse.drive_mpa);
        let added = if samples.iter().all(Option::is_none) {
            Ok(())
        } else {
            let tolerance = self.spec.drive_tolerance;
            let added =
                growing.baseline.add(pulse.number, drive, tolerance, room, &samples, spectra);
            if added.is_ok() && self.spec.running_pulse {
                let running: Vec<Option<Running>> = readings
                    .iter()
                    .zip(&samples)
                    .map(|(reading, sample)| match reading.heard() {
                        Heard::Measured(m) => sample.map(|_| m.running_db),
                        Heard::Void(_) => None,
                    })
                    .collect();
                growing.baseline.note_running(pulse.number, &running);
            }
            if let (Ok(()), Some(amplitude_v)) = (added, self.monitor) {
                growing.baseline.note_drive_monitor(pulse.number, amplitude_v);
            }
            added
        };
        out.progress = added.is_ok().then(|| Progress {
            target: Arc::clone(&pulse.target),
            drives: growing.baseline.drives.iter().map(|s| (s.drive, s.pulses.len())).collect(),
        });
        let excluded = added.err().map(|why| match why {
            Refused::SeriesFull => "baseline full",
            Refused::TooManyDrives => "too many drives",
        });
        self.reference_rows(pulse, readings, excluded, out)
    }

    /// Why a baseline pulse is not taken, if it is not.
    pub(super) fn excluded(&self, pulse: &Pulse) -> Option<&'static str> {
        let (_, injected_s) = self.injection()?;
        let growing = self.growing.get(&pulse.target)?;
        (injected_s > growing.begun_s).then_some("after injection")
    }
}

/// Without drive nothing can be said of the drive.
fn noise_faults(faults: Hindrances) -> Hindrances {
    let mut kept = Hindrances::default();
    for hindrance in faults.iter() {
        kept.note(
            hindrance,
            !matches!(hindrance, Hindrance::DriveCutShort | Hindrance::DriveFrequency),
        );
    }
    kept
}
