//! Faults and warnings between two keys; both places are shown.
//!
//! The band plan's own (bands that share bins, a gate too short for two segments, …) are not here,
//! see [`crate::signal::Plan::new`].

use crate::detect::{AlarmLimit, AlarmSpec, SignOfLife, Trigger};
use crate::signal::{BandSpec, Plan, Quantity, ReceiveSpec, SignalSpec};

use super::bounds::Plain;
use super::detect::Detect;
use super::settings::DriveSettings;
use super::written::Written;

/// What `[drive]` and `[receive]` say together.
pub(super) fn drive_and_receive(
    written: &Written<'_>,
    drive: &DriveSettings,
    receive: &ReceiveSpec,
) {
    if drive.frequency_hz >= receive.sample_rate_hz / 2.0 {
        let message = format!(
            "`drive.frequency_hz` is {}, must be below half the sample rate, {}",
            Plain(drive.frequency_hz),
            Plain(receive.sample_rate_hz / 2.0)
        );
        let places = [("drive.frequency_hz", "too high"), ("receive.sample_rate_hz", "for this")];
        written.fault(message, &places);
    }
    if drive.pulse_s >= 1.0 / drive.repetition_hz {
        let message = format!(
            "`drive.pulse_s` is {}, must be shorter than the period of the repetition, {} s",
            Plain(drive.pulse_s),
            Plain(1.0 / drive.repetition_hz)
        );
        written
            .fault(message, &[("drive.pulse_s", "too long"), ("drive.repetition_hz", "for this")]);
    } else if receive.pretrigger_s + receive.gate_end_s > 1.0 / drive.repetition_hz {
        let message = format!(
            "the record from pretrigger to `receive.gate_end_s` takes {} s, longer than the period \
             of the repetition, {} s",
            Plain(receive.pretrigger_s + receive.gate_end_s),
            Plain(1.0 / drive.repetition_hz)
        );
        let places =
            [("receive.gate_end_s", "the record ends here"), ("drive.repetition_hz", "the period")];
        written.warn(message, &places, "records of neighbouring pulses overlap");
    }
}

/// A quantity that decides needs a line with flanks: without a contrast it has no detection level.
pub(super) fn contrasts(written: &Written<'_>, plan: &Plan, stable_from: &[Quantity]) {
    for quantity in stable_from {
        let lines = plan.bands.lines_of(*quantity);
        if !lines.is_empty() && lines.iter().all(|line| line.flanks.is_empty()) {
            let message = format!(
                "`detect.stable_from` names {}, none of whose lines has enough flank bins",
                quantity.name()
            );
            let places = [
                ("detect.stable_from", "cannot decide"),
                ("bands.flank_half_width_hz", "too narrow for a contrast"),
            ];
            written.warn(message, &places, "every silence will be indeterminate: no baseline");
        }
    }
}

/// The gates against each other, the burst and the record's start.
pub(super) fn gates(written: &Written<'_>, drive: Option<&DriveSettings>, receive: &ReceiveSpec) {
    rising(written, "gate_start_s", "gate_end_s", [receive.gate_start_s, receive.gate_end_s]);
    recorded(written, "gate_start_s", receive.gate_start_s, receive);
    let noise_gate = receive.noise_gate_s;
    if let Some(noise_gate) = noise_gate {
        rising(written, "noise_gate_start_s", "noise_gate_end_s", noise_gate);
        recorded(written, "noise_gate_start_s", noise_gate[0], receive);
    }
    if let Some(arrival_s) = receive.first_arrival_s.filter(|at| *at > receive.gate_start_s) {
        let message = format!(
            "`receive.gate_start_s` is {}, before the first arrival at {}",
            Plain(receive.gate_start_s),
            Plain(arrival_s)
        );
        let places = [("receive.gate_start_s", "early"), ("receive.first_arrival_s", "arrival")];
        written.warn(message, &places, "until the first arrival the gate holds feed-through only");
    }
    let Some(drive) = drive else { return };
    let silent_s = drive.pulse_s + receive.first_arrival_s.unwrap_or(0.0);
    if receive.gate_end_s > silent_s {
        let message = format!(
            "`receive.gate_end_s` is {}, after the end of the burst's sound at {}",
            Plain(receive.gate_end_s),
            Plain(silent_s)
        );
        let places = [("receive.gate_end_s", "late"), ("drive.pulse_s", "the burst")];
        written.warn(message, &places, "silence in the gate lowers every level");
    }
    let loud_s = receive.gate_end_s.max(silent_s);
    if noise_gate.is_some_and(|[start_s, end_s]| end_s > 0.0 && start_s < loud_s) {
        let message = "the noise gate overlaps the drive or its echo";
        let places = [
            ("receive.noise_gate_start_s", "from here"),
            ("receive.noise_gate_end_s", "to here"),
            ("receive.gate_end_s", "the gate"),
        ];
        let help = format!("put it before the trigger (below 0) or after {} s", Plain(loud_s));
        written.warn(message, &places, &help);
    }
}

fn rising(written: &Written<'_>, start: &str, end: &str, [start_s, end_s]: [f64; 2]) {
    if start_s >= end_s {
        let message = format!(
            "`receive.{start}` is {}, must be before `{end}`, {}",
            Plain(start_s),
            Plain(end_s)
        );
        let [start, end] = [start, end].map(|key| format!("receive.{key}"));
        written.fault(message, &[(&start, "starts here"), (&end, "ends here")]);
    }
}

fn recorded(written: &Written<'_>, key: &str, start_s: f64, receive: &ReceiveSpec) {
    if start_s < -receive.pretrigger_s {
        let message = format!(
            "`receive.{key}` is {}, before the record starts at {}",
            Plain(start_s),
            Plain(-receive.pretrigger_s)
        );
        let path = format!("receive.{key}");
        let places =
            [(path.as_str(), "not recorded"), ("receive.pretrigger_s", "the record starts here")];
        written.fault(message, &places);
    }
}

/// A noise band that nobody will look at.
pub(super) fn noise_band(written: &Written<'_>, signal: &SignalSpec) {
    if signal.bands.noise_band_hz.is_some() && signal.receive.noise_gate_s.is_none() {
        let places = [("bands.noise_band_hz", "not used"), ("receive", "no noise gate here")];
        let help = "give noise_gate_start_s and noise_gate_end_s, or leave the band out";
        written.warn("`bands.noise_band_hz` has no effect without a noise gate", &places, help);
    }
}

/// What `[detect]` asks of channels, gates and bands.
pub(super) fn detect(
    written: &Written<'_>,
    detect: &Detect,
    receive: Option<&ReceiveSpec>,
    bands: Option<&BandSpec>,
) {
    if let Some(receive) = receive {
        let used = receive.channels - receive.unused_channels.len();
        if detect.channels_needed > used {
            let needed = detect.channels_needed;
            let message =
                format!("`detect.channels_needed` is {needed}, must be at most the {used} used");
            let of =
                if receive.unused_channels.is_empty() { "channels" } else { "unused_channels" };
            let of = format!("receive.{of}");
            written.fault(message, &[("detect.channels_needed", "too many"), (&of, "of these")]);
        }
        if detect.sign_of_life == SignOfLife::Noise && receive.noise_gate_s.is_none() {
            let message = "`detect.sign_of_life` is \"noise\", which needs a noise gate";
            let places = [("detect.sign_of_life", "needs it"), ("receive", "no noise gate here")];
            written.fault(message, &places);
        }
    }
    for (index, quantity) in detect.stable_from.iter().enumerate() {
        looked_at(written, &format!("detect.stable_from[{index}]"), *quantity, bands);
    }
    if detect.stable_from.is_empty() {
        let places = [("detect.stable_from", "empty")];
        let message = "`detect.stable_from` is empty, so no pulse is ever called stable";
        written.warn(message, &places, "name ultraharmonic, subharmonic or both");
    }
}

/// What an alarm asks of bands and budget.
pub(super) fn alarm(
    written: &Written<'_>,
    (index, alarm): (usize, &AlarmSpec),
    stable_from: Option<&[Quantity]>,
    bands: Option<&BandSpec>,
) {
    let Trigger::Over { quantity, limit } = alarm.trigger else { return };
    let path = format!("alarm[{index}].quantity");
    if !looked_at(written, &path, quantity, bands) || limit != AlarmLimit::Budget {
        return;
    }
    let counted = |from: &[Quantity]| quantity == Quantity::Broadband || from.contains(&quantity);
    if stable_from.is_some_and(|from| !counted(from)) {
        let name = quantity.name();
        let message = format!("the budget of false alarms does not count {name}");
        let places = [(path.as_str(), "not counted"), ("detect.stable_from", "counted")];
        let help = format!("add \"{name}\" to stable_from, or set the limit by hand");
        written.warn(message, &places, &help);
    }
}

/// Whether the bands look at a quantity that another key wants; else a fault at both places.
fn looked_at(
    written: &Written<'_>,
    path: &str,
    quantity: Quantity,
    bands: Option<&BandSpec>,
) -> bool {
    let Some(bands) = bands else { return true };
    let (key, empty) = match quantity {
        Quantity::Harmonic => ("bands.harmonics", bands.harmonics.is_empty()),
        Quantity::Ultraharmonic => ("bands.ultraharmonics", bands.ultraharmonic_halves.is_empty()),
        Quantity::Subharmonic => ("bands.subharmonic", !bands.subharmonic),
        Quantity::Broadband => return true,
    };
    if empty {
        let message = format!("`{path}` is \"{}\", which `{key}` leaves out", quantity.name());
        written.fault(message, &[(path, "wanted here"), (key, "left out here")]);
    }
    !empty
}
