//! The examples, and every key of them left out and misspelt.

use std::collections::HashSet;

use super::*;
use crate::config::settings::RecordSettings;
use crate::detect::{
    AlarmLimit, AlarmSpec, Condition, DetectSpec, Rule, Severity, SignOfLife, Trigger,
};
use crate::signal::{
    BandSpec, PerQuantity, Quantity, ReceiveSpec, SampleFormat, SpectrumSpec, Window,
};

#[test]
fn the_bench_phantom_loads_with_the_signal_it_shows() {
    let loaded = parse("bench-phantom.toml", PHANTOM).unwrap();
    assert_eq!(loaded.warnings, []);
    assert_eq!((loaded.name.as_str(), loaded.text.as_str()), ("bench-phantom.toml", PHANTOM));
    let receive = ReceiveSpec {
        sample_rate_hz: 20e6,
        channels: 1,
        sample_format: SampleFormat::Ri16Le,
        // 14 bits over 1 V: 2^-14 V a count, exactly.
        volts_per_count: vec![1.0 / 16_384.0],
        full_scale_counts: [-8192.0, 8191.0],
        gain_db: vec![0.0],
        pretrigger_s: 2e-3,
        gate_start_s: 0.2e-3,
        gate_end_s: 3.9e-3,
        noise_gate_s: Some([-1.95e-3, -0.05e-3]),
        first_arrival_s: Some(90e-6),
        unused_channels: vec![],
    };
    let bands = BandSpec {
        harmonics: vec![2, 3, 4],
        ultraharmonic_halves: vec![3, 5, 7],
        subharmonic: true,
        line_half_width_hz: 15e3,
        guard_half_width_hz: 60e3,
        flank_half_width_hz: 150e3,
        broadband_hz: vec![[1.1e6, 6.0e6]],
        notches_hz: vec![[3.32e6, 3.34e6]],
        noise_band_hz: Some([0.2e6, 9.5e6]),
    };
    let spectrum = SpectrumSpec { resolution_hz: 5e3, window: Window::Hann, overlap: 0.5 };
    let expected = SignalSpec { drive_frequency_hz: 0.7e6, receive, spectrum, bands };
    assert_eq!(loaded.settings.signal, expected);
}

#[test]
fn the_bench_phantom_loads_with_the_verdict_it_shows() {
    let settings = parse("bench-phantom.toml", PHANTOM).unwrap().settings;
    let drive = DriveSettings {
        frequency_hz: 0.7e6,
        pulse_s: 4e-3,
        repetition_hz: 5.0,
        drive_tolerance: 0.05,
        drive_means: "peak negative pressure at the focus, free field".to_owned(),
        missing_after_periods: 2.5,
        calibration_file: None,
    };
    assert_eq!(settings.drive, drive);
    let [once, twice] = [Rule { needed: 1, of: 1 }, Rule { needed: 2, of: 3 }];
    let detect = DetectSpec {
        false_alarms_per_exposure: 0.01,
        expected_pulses: 600,
        stable_from: vec![Quantity::Ultraharmonic, Quantity::Subharmonic],
        rule: PerQuantity([once, twice, twice, once]),
        floor_allowance_db: 0.5,
        repeatability_db: PerQuantity([1.5, 0.0, 0.0, 0.1]),
        sign_of_life: SignOfLife::Fundamental,
        fundamental_drop_db: 3.0,
        noise_drift_db: 1.0,
        channels_needed: 1,
        running_pulse: false,
        drive_tolerance: 0.05,
        repetition_hz: 5.0,
        missing_after_periods: 2.5,
    };
    assert_eq!(settings.detect, detect);
    let alarms = settings.alarms;
    let names: Vec<_> = alarms.iter().map(|alarm| alarm.name.as_str()).collect();
    assert_eq!(names, ["inertial", "stable", "overload", "pulse missing", "not hearing"]);
    let over = |quantity| Trigger::Over { quantity, limit: AlarmLimit::Budget };
    let inertial = AlarmSpec {
        name: "inertial".to_owned(),
        severity: Severity::Stop,
        trigger: over(Quantity::Broadband),
        hold_s: 1.0,
        latch: true,
        sinks: vec!["page".to_owned(), "events".to_owned()],
    };
    assert_eq!(alarms[0], inertial);
    assert_eq!(alarms[1].trigger, over(Quantity::Ultraharmonic));
    assert_eq!(alarms[3].trigger, Trigger::State(Condition::PulseMissing));
    let http = settings.serve.and_then(|serve| serve.http);
    assert_eq!(http, Some("127.0.0.1:8787".parse().unwrap()));
    assert_eq!(settings.session.water_temperature_c, Some(21.5));
}

#[test]
fn four_receivers_load_with_a_number_a_channel() {
    let loaded = parse("four-receivers.toml", FOUR).unwrap();
    assert_eq!(loaded.warnings, []);
    let receive = loaded.settings.signal.receive;
    assert_eq!(receive.channels, 4);
    assert_eq!(receive.volts_per_count, [6.101e-5, 6.108e-5, 6.097e-5, 6.112e-5]);
    assert_eq!(receive.gain_db, [0.0, 0.0, 6.0, 0.0]);
    assert_eq!(loaded.settings.detect.channels_needed, 3);
}

#[test]
fn one_number_holds_for_all_channels() {
    let text = with_line(FOUR, "volts_per_count", "volts_per_count = 1e-4");
    let loaded = parse("four.toml", &text).unwrap();
    assert_eq!(loaded.settings.signal.receive.volts_per_count, [1e-4; 4]);
}

#[test]
fn the_cautions_stand_at_the_head_of_each_example() {
    for text in [PHANTOM, FOUR] {
        let head: String = text.lines().take_while(|line| line.starts_with('#')).collect();
        for caution in ["Research use only", "Not a medical device", "no safety interlock"] {
            assert!(head.contains(caution), "{caution}");
        }
        assert!(head.contains("decided by licensed people"));
    }
}

#[test]
fn each_required_key_is_missed_by_name() {
    let optional = [
        "subject",
        "operator",
        "agent",
        "water_temperature_c",
        "dissolved_oxygen_mg_per_l",
        "notes",
        "first_arrival_s",
        "unused_channels",
        "notches_hz",
        "noise_band_hz",
        "http",
        "stream",
        "spectra_kept_bytes",
        "rotate_bytes",
        "keep_free_bytes",
    ];
    let mut required = 0;
    for (line, key) in keys() {
        let text = replace_line(PHANTOM, line, "");
        if optional.contains(&key) {
            assert!(parse("bench.toml", &text).is_ok(), "{key}");
            continue;
        }
        let fault = only_fault(&text);
        let expected = format!("`{key}`");
        assert!(fault.message().contains(&expected), "{key}: {}", fault.message());
        assert!(fault.message().contains("missing in ["), "{}", fault.message());
        required += 1;
    }
    // 6 of drive, 11 of receive without the optional ones, 3 of spectrum, 7 of bands, 10 of detect,
    // the five alarms of the example with 7, 7, 6, 6, 6, and raw of record.
    assert_eq!(required, 6 + 11 + 3 + 7 + 10 + 32 + 1);
}

#[test]
fn each_misspelt_key_finds_the_right_one_in_one_fault() {
    let mut seen = HashSet::new();
    for (line, key) in keys().into_iter().filter(|(_, key)| seen.insert(*key)) {
        let written = PHANTOM.lines().nth(line).unwrap();
        let (first, rest) = key.split_at(key.len() / 2);
        // A letter left out, one doubled, and two swapped, all in the middle of the key.
        let without = format!("{first}{}", &rest[1..]);
        let doubled = format!("{first}{}{rest}", &rest[..1]);
        let swapped = format!("{first}{}{}{}", &rest[1..2], &rest[..1], &rest[2..]);
        for slip in [without, doubled, swapped].into_iter().filter(|slip| slip != key) {
            let text = replace_line(PHANTOM, line, &written.replacen(key, &slip, 1));
            let fault = only_fault(&text);
            assert!(fault.message().contains(&format!("unknown key `{slip}`")), "{fault}");
            assert_eq!(fault.advice(), Some(format!("did you mean `{key}`?").as_str()), "{fault}");
            assert_eq!(fault.lines(), [line + 1]);
        }
    }
}

#[test]
fn each_misspelt_table_finds_the_right_one_in_one_fault() {
    for table in
        ["session", "drive", "receive", "spectrum", "bands", "detect", "alarm", "record", "serve"]
    {
        let slip = &table[..table.len() - 1];
        let [header, wrong] = [table, slip].map(|name| format!("[{name}]"));
        let fault = refused(&PHANTOM.replace(&header, &wrong)).diagnostics()[0].clone();
        assert_eq!(fault.message(), format!("unknown key `{slip}` in the file"));
        assert_eq!(fault.advice(), Some(format!("did you mean `{table}`?").as_str()));
    }
}

#[test]
fn each_missing_table_is_named() {
    for table in ["drive", "receive", "spectrum", "bands", "detect"] {
        let start = PHANTOM.find(&format!("\n[{table}]")).unwrap();
        let end = start + 1 + PHANTOM[start + 1..].find("\n[").unwrap();
        let text = format!("{}{}", &PHANTOM[..start], &PHANTOM[end..]);
        let fault = only_fault(&text);
        assert_eq!(fault.message(), format!("`[{table}]` is missing in the file"));
    }
}

#[test]
fn a_key_in_the_wrong_table_is_told_where_it_belongs() {
    let text =
        with_line(PHANTOM, "window = ", "window = \"hann\"\nfalse_alarms_per_exposure = 0.01");
    let fault = only_fault(&text);
    let expected = "`false_alarms_per_exposure` is a key of [detect]";
    assert_eq!(fault.advice(), Some(expected));
}

#[test]
fn tables_are_named_for_all_channels_or_one_by_one() {
    let with = |text: &str| {
        let line = "unused_channels = []";
        with_line(PHANTOM, line, &format!("{line}\n{text}"))
    };
    let curves = |text: &str| parse("bench.toml", &with(text)).unwrap().settings.curves;
    let found = curves("sensitivity_file = \"a.csv\"\ninsertion_loss_file = [\"b.csv\"]");
    assert_eq!(found.sensitivity, [Some("a.csv".into())]);
    assert_eq!(found.insertion_loss, [Some("b.csv".into())]);
    assert!(!found.gain_included);
    assert_eq!(curves("sensitivity_file = [\"\"]").sensitivity, [None]);
    let fault = only_fault(&with("sensitivity_file = [\"a.csv\", \"b.csv\"]"));
    let expected = "has 2 paths, must be one path or an array of 1, one a channel";
    assert!(fault.message().contains(expected), "{fault}");
}

#[test]
fn what_a_sensitivity_is_of_must_be_said_where_there_is_a_gain() {
    let gained = with_line(PHANTOM, "gain_db", "gain_db = 40.0\nsensitivity_file = \"a.csv\"");
    let fault = only_fault(&gained);
    assert!(fault.message().contains("`receive.sensitivity_of` must say"), "{fault}");
    let said = |of: &str| {
        let line =
            format!("gain_db = 40.0\nsensitivity_file = \"a.csv\"\nsensitivity_of = \"{of}\"");
        parse("bench.toml", &with_line(PHANTOM, "gain_db", &line)).unwrap().settings.curves
    };
    assert!(said("chain").gain_included);
    assert!(!said("receiver").gain_included);
}

#[test]
fn a_drive_has_its_calibration() {
    let line = "pulse_s = 4e-3\ncalibration_file = \"drive.csv\"";
    let text = with_line(PHANTOM, "pulse_s = 4e-3", line);
    let found = parse("bench.toml", &text).unwrap().settings.drive.calibration_file;
    assert_eq!(found, Some("drive.csv".into()));
}

#[test]
fn what_is_recorded_has_bounds() {
    let record = |text: &str| parse("bench.toml", text).unwrap().settings.record;
    let told = RecordSettings { raw: true, rotate_bytes: 4 << 30, keep_free_bytes: 1 << 30 };
    assert_eq!(record(PHANTOM), Some(told));
    let plain = with_line(PHANTOM, "rotate_bytes", "");
    assert_eq!(record(&with_line(&plain, "keep_free_bytes", "")), Some(told));
    let fault = only_fault(&with_line(PHANTOM, "rotate_bytes", "rotate_bytes = 1048575"));
    assert!(fault.message().contains("record.rotate_bytes"), "{fault}");
}
