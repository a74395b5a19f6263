//! The table `[recordings]`.

use super::*;
use crate::signal::{Axis, CutBy};

#[track_caller]
fn told(table: &str) -> String {
    refused(&format!("{PHANTOM}\n[recordings]\n{table}\n")).to_string()
}

#[track_caller]
fn read(table: &str) -> RecordingSettings {
    let text = format!("{PHANTOM}\n[recordings]\n{table}\n");
    parse("bench.toml", &text).unwrap().settings.recordings
}

#[test]
fn axes_and_cutting_are_read() {
    let read = read(
        "array_axes = [\"samples\", \"pulses\"]\ncut_by = \"envelope\"\nrecord_s = 6e-3\n\
         envelope_channel = 0\nenvelope_threshold_v = 0.02\ntrigger_after_crossing_s = -90e-6",
    );
    assert_eq!(read.array_axes, Some(vec![Axis::Samples, Axis::Pulses]));
    let cutting = read.cutting.unwrap();
    let by = CutBy::Envelope { channel: 0, threshold_v: 0.02, trigger_after_crossing_s: -90e-6 };
    assert_eq!(cutting.by, by);
    let zero = cutting.time_zero(40_000.0);
    assert_eq!(zero, "-0.00009 s after the drive's envelope on channel 0 passes 0.02 V");
    assert_eq!(
        parse("bench.toml", PHANTOM).unwrap().settings.recordings,
        RecordingSettings::default()
    );
}

#[test]
fn what_would_look_applied_and_is_not_is_refused() {
    let check = |table: &str, fault: &str| {
        let told = told(table);
        assert!(told.contains(fault), "{told}");
    };
    check("record_s = 6e-3", "`recordings.record_s` means nothing without recordings.cut_by");
    check(
        "cut_by = \"repetition\"\nrecord_s = 6e-3\nfirst_pulse_s = 0\nenvelope_channel = 0",
        "`recordings.envelope_channel` means nothing when recordings.cut_by is \"repetition\"",
    );
    check("cut_by = \"repetition\"", "`record_s` and `first_pulse_s` are missing");
    check("cut_by = \"hand\"", "must be one of \"repetition\", \"envelope\"");
    check("array_axes = [\"pulses\"]", "must be \"samples\" and no axis twice");
    check("array_axes = [\"samples\", \"samples\"]", "must be \"samples\" and no axis twice");
    check(
        "cut_by = \"repetition\"\nrecord_s = 1e-3\nfirst_pulse_s = 0",
        "`recordings.record_s` is 0.001, but the gate ends 0.0059 s after",
    );
    check(
        "cut_by = \"repetition\"\nrecord_s = 0.3\nfirst_pulse_s = 0",
        "`recordings.record_s` is 0.3, longer than the period of 0.2 s",
    );
    check(
        "cut_by = \"envelope\"\nrecord_s = 6e-3\nenvelope_channel = 1\n\
         envelope_threshold_v = 0.02\ntrigger_after_crossing_s = 0",
        "`recordings.envelope_channel` is 1, must be a channel that exists",
    );
}
