//! Reads `[recordings]`: what files do not say of themselves.

use crate::signal::{Axis, CutBy, Cutting, ReceiveSpec};

use super::bounds::{Bounds, Plain};
use super::settings::{DriveSettings, RecordingSettings};
use super::written::{Section, Written};

/// Longest time any key may name, s.
const LONGEST_S: f64 = 3600.0;
/// Latest beginning of a recording's first pulse, s: a day.
const LATEST_S: f64 = 86_400.0;
/// Keys of each way of cutting.
const BY_REPETITION: [&str; 1] = ["first_pulse_s"];
const BY_ENVELOPE: [&str; 3] =
    ["envelope_channel", "envelope_threshold_v", "trigger_after_crossing_s"];

#[derive(Clone, Copy, PartialEq, Eq)]
enum Way {
    Repetition,
    Envelope,
}

impl Way {
    const fn name(self) -> &'static str {
        match self {
            Self::Repetition => "repetition",
            Self::Envelope => "envelope",
        }
    }
}

/// The table `[recordings]`, which may be left out; `None` has a fault on record.
pub(super) fn recordings(top: &Section<'_, '_>) -> Option<RecordingSettings> {
    let Some(field) = top.optional("recordings") else {
        return Some(RecordingSettings::default());
    };
    let section = field.section();
    let array_axes = section.maybe("array_axes", |field| {
        let axes = field.each("an array of axes", |axis| axis.choice(&Axis::ALL, Axis::name))?;
        let twice = (1..axes.len()).any(|at| axes[..at].contains(&axes[at]));
        if twice || !axes.contains(&Axis::Samples) {
            return field.refused("\"samples\" and no axis twice");
        }
        Some(axes)
    });
    let cutting = match section
        .maybe("cut_by", |field| field.choice(&[Way::Repetition, Way::Envelope], Way::name))
    {
        Some(Some(way)) => cutting(&section, way).map(Some),
        Some(None) => {
            let rest = ["record_s"].iter().chain(&BY_REPETITION).chain(&BY_ENVELOPE);
            unused(&section, rest.copied(), "without recordings.cut_by");
            Some(None)
        }
        None => None,
    };
    section.finish();
    Some(RecordingSettings { array_axes: array_axes?, cutting: cutting? })
}

fn cutting(section: &Section<'_, '_>, way: Way) -> Option<Cutting> {
    let record_s = section.number("record_s", Bounds::above(0.0).at_most(LONGEST_S));
    let by = match way {
        Way::Repetition => {
            let first = section.number("first_pulse_s", Bounds::at_least(0.0).at_most(LATEST_S));
            unused(section, BY_ENVELOPE, "when recordings.cut_by is \"repetition\"");
            first.map(|first_pulse_s| CutBy::Repetition { first_pulse_s })
        }
        Way::Envelope => {
            let channel = section.required("envelope_channel");
            let channel = channel.and_then(|field| field.count(0..=1023));
            let threshold = section.number("envelope_threshold_v", Bounds::above(0.0));
            let moment = Bounds::at_least(-LONGEST_S).at_most(LONGEST_S);
            let after = section.number("trigger_after_crossing_s", moment);
            unused(section, BY_REPETITION, "when recordings.cut_by is \"envelope\"");
            channel.zip(threshold).zip(after).map(|((channel, threshold_v), after)| {
                CutBy::Envelope { channel, threshold_v, trigger_after_crossing_s: after }
            })
        }
    };
    Some(Cutting { record_s: record_s?, by: by? })
}

/// Keys that would look applied and are not.
fn unused(section: &Section<'_, '_>, keys: impl IntoIterator<Item = &'static str>, when: &str) {
    for field in keys.into_iter().filter_map(|key| section.optional(key)) {
        let message = format!("`{}` means nothing {when}", field.path);
        section.written().fault(message, &[(&field.path, "not used")]);
    }
}

/// What cutting says together with drive, gates and channels.
pub(super) fn crossing(
    written: &Written<'_>,
    cutting: &Cutting,
    drive: &DriveSettings,
    receive: &ReceiveSpec,
) {
    let needed = receive.pretrigger_s + receive.gate_end_s;
    if cutting.record_s < needed {
        let message = format!(
            "`recordings.record_s` is {}, but the gate ends {} s after a record's first sample",
            Plain(cutting.record_s),
            Plain(needed)
        );
        let places = [("recordings.record_s", "too short"), ("receive.gate_end_s", "for this")];
        written.fault(message, &places);
    }
    let period = 1.0 / drive.repetition_hz;
    match cutting.by {
        CutBy::Repetition { .. } if cutting.record_s > period => {
            let message = format!(
                "`recordings.record_s` is {}, longer than the period of {} s",
                Plain(cutting.record_s),
                Plain(period)
            );
            let places =
                [("recordings.record_s", "records overlap"), ("drive.repetition_hz", "the period")];
            written.fault(message, &places);
        }
        CutBy::Envelope { channel, .. } if channel >= receive.channels => {
            let message = format!(
                "`recordings.envelope_channel` is {channel}, must be a channel that exists; the \
                 first is 0"
            );
            let places =
                [("recordings.envelope_channel", "no such channel"), ("receive.channels", "")];
            written.fault(message, &places);
        }
        _ => {}
    }
}
