//! What two keys may say together, and the band plan.

use super::alarms::with_alarm;
use super::*;

#[test]
fn half_a_noise_gate_misses_the_other_half() {
    for key in ["noise_gate_start_s", "noise_gate_end_s"] {
        let fault = only_fault(&with_line(PHANTOM, key, ""));
        assert!(fault.message().contains(&format!("`{key}` is missing in [receive]")), "{fault}");
    }
    let text = with_line(PHANTOM, "noise_gate_start_s", "");
    let text = with_line(&text, "noise_gate_end_s", "");
    let loaded = parse("bench.toml", &text).unwrap();
    assert_eq!(loaded.settings.signal.receive.noise_gate_s, None);
    check_lines(&text, &loaded.warnings[0], &["noise_band_hz", "[receive]"]);
}

#[test]
fn a_noise_gate_with_a_fault_is_not_taken_for_none() {
    let text = with_line(PHANTOM, "sign_of_life", "sign_of_life = \"noise\"");
    let text = with_line(&text, "noise_gate_end_s", "noise_gate_end_s = \"soon\"");
    assert_eq!(refused(&text).diagnostics().len(), 1, "{}", refused(&text));
}

#[test]
fn two_keys_that_disagree_are_both_shown() {
    let text = with("frequency_hz", "10e6");
    check_places(&text, "must be below half the sample rate", &["frequency_hz", "sample_rate_hz"]);
    let text = with("pulse_s", "0.2");
    check_places(&text, "must be shorter than the period", &["pulse_s", "repetition_hz"]);
    let text = with("gate_end_s", "0.2e-3");
    check_places(&text, "must be before `gate_end_s`, 2e-4", &["gate_start_s", "gate_end_s"]);
    let text = with("noise_gate_end_s", "-1.95e-3");
    let places = ["noise_gate_start_s", "noise_gate_end_s"];
    check_places(&text, "must be before `noise_gate_end_s`", &places);
    let text = with("gate_start_s", "-2.1e-3");
    check_places(&text, "before the record starts at -0.002", &["gate_start_s", "pretrigger_s"]);
    let text = with("noise_gate_start_s", "-2.1e-3");
    let places = ["noise_gate_start_s", "pretrigger_s"];
    check_places(&text, "before the record starts at -0.002", &places);
    let text = with("full_scale_counts", "[-8192, 32768]");
    let places = ["full_scale_counts", "sample_format"];
    check_places(&text, "beyond what ri16_le can hold, -32768 to 32767", &places);
    let text = with("volts_per_count", "[1e-5, 1e-5]");
    check_places(&text, "has 2 numbers, must be one number or", &["volts_per_count", "channels"]);
    let text = with("gain_db", "[]");
    check_places(&text, "has 0 numbers, must be one number or", &["gain_db", "channels"]);
    let text = with("unused_channels", "[1]");
    check_places(&text, "must be a channel that exists", &["unused_channels", "channels"]);
    let text = with("harmonics", "[2,\n3, 2]");
    check_places(&text, "repeats `bands.harmonics[0]`", &["3, 2]", "harmonics"]);
}

#[test]
fn detection_asks_for_nothing_that_is_not_there() {
    let text = with("channels_needed", "2");
    check_places(&text, "must be at most the 1 used", &["channels_needed", "channels ="]);
    let text = with_line(FOUR, "unused_channels", "unused_channels = [1, 3]");
    check_places(&text, "must be at most the 2 used", &["channels_needed", "unused_channels"]);
    let text = with_line(FOUR, "unused_channels", "unused_channels = [3, 1]");
    check_places(&text, "must be ascending, with no channel twice", &["unused_channels"]);
    let text = with("subharmonic", "false");
    let message = "is \"subharmonic\", which `bands.subharmonic` leaves out";
    check_places(&text, message, &["stable_from", "subharmonic"]);
    let text =
        with("stable_from", "[\"harmonic\"]").replace("harmonics = [2, 3, 4]", "harmonics = []");
    check_places(&text, "which `bands.harmonics` leaves out", &["stable_from", "harmonics"]);
    let text =
        with("stable_from", "[]").replace("ultraharmonics = [1.5", "ultraharmonics = [] # [1.5");
    check_places(&text, "`alarm[1].quantity` is", &["quantity", "ultraharmonics"]);
    let text = with("sign_of_life", "\"noise\"");
    assert!(parse("bench.toml", &text).is_ok());
    let text = with_line(&text, "noise_gate_start_s", "");
    let text = with_line(&text, "noise_gate_end_s", "");
    check_places(&text, "which needs a noise gate", &["sign_of_life", "[receive]"]);
    let text = PHANTOM.replace("name = \"stable\"", "name = \"inertial\"");
    check_places(&text, "names of alarms are unique", &["name", "name"]);
    let text = with_alarm(
        "quantity = \"broadband\"\nlimit = { db = 3 }\noff_db = 3.5\nm_of_n = \"1 of 1\"",
    );
    check_places(&text, "must be at most the limit's db, 3", &["off_db", "limit"]);
}

#[track_caller]
fn check_warning(text: &str, message: &str, places: &[&str]) {
    let loaded = parse("bench.toml", text).unwrap_or_else(|diagnosis| panic!("{diagnosis}"));
    assert_eq!(loaded.warnings.len(), 1, "{:?}", loaded.warnings);
    let warning = &loaded.warnings[0];
    assert_eq!(warning.level(), Level::Warning);
    assert!(warning.message().contains(message), "{warning}");
    check_lines(text, warning, places);
}

#[test]
fn what_is_probably_not_meant_is_a_warning() {
    let text = with("gate_end_s", "4.2e-3");
    check_warning(&text, "after the end of the burst's sound", &["gate_end_s", "pulse_s"]);
    let text = with("gate_start_s", "80e-6");
    check_warning(&text, "before the first arrival", &["gate_start_s", "first_arrival_s"]);
    let text = with("noise_gate_end_s", "0.01e-3");
    let places = ["noise_gate_start_s", "noise_gate_end_s", "gate_end_s"];
    check_warning(&text, "overlaps the drive or its echo", &places);
    let text = with("repetition_hz", "200.0");
    check_warning(&text, "longer than the period", &["gate_end_s", "repetition_hz"]);
    let text = with("stable_from", "[\"subharmonic\"]");
    check_warning(&text, "does not count ultraharmonic", &["quantity = \"ultra", "stable_from"]);
    let text = with_alarm("condition = \"overload\"");
    check_warning(
        &with_line(&text, "stable_from", "stable_from = []"),
        "no pulse is ever called",
        &["stable_from"],
    );
    let start = text.find("[[alarm]]").unwrap();
    let end = text.find("[serve]").unwrap();
    let text = format!("{}{}", &text[..start], &text[end..]);
    check_warning(&text, "no alarm is configured", &[]);
}

#[test]
fn the_band_plans_faults_are_shown_at_their_keys() {
    let text = with("guard_half_width_hz", "12e3");
    let diagnosis = refused(&text);
    let fault = diagnosis.faults().next().unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines[fault.lines()[0] - 1].starts_with("guard_half_width_hz"), "{fault}");
    let line = fault.lines()[1];
    assert!(lines[line - 1].starts_with("line_half_width_hz"), "{fault}");
}

#[test]
fn the_band_plan_is_not_asked_about_gates_that_make_no_sense() {
    let diagnosis = refused(&with("gate_end_s", "0.1e-3"));
    assert_eq!(diagnosis.faults().count(), 1, "{diagnosis}");
}

#[test]
fn a_fault_found_later_is_shown_at_the_keys_or_their_table() {
    let loaded = parse("bench.toml", PHANTOM).unwrap();
    let keys = ["bands.notches_hz[0][1]", "bands.no_such_key", "nowhere.at_all"];
    let fault = SpecFault {
        keys: keys.map(str::to_owned).to_vec(),
        message: "the recording says otherwise".to_owned(),
        help: Some("ask it".to_owned()),
    };
    let shown = loaded.diagnostic(Level::Fault, &fault);
    check_lines(PHANTOM, &shown, &["notches_hz", "[bands]"]);
    assert_eq!(shown.advice(), Some("ask it"));
}

#[test]
fn a_quantity_that_decides_without_flanks_is_warned_of() {
    let text = with_line(PHANTOM, "flank_half_width_hz", "flank_half_width_hz = 65e3");
    let loaded = parse("narrow.toml", &text).expect("a warning only");
    let warned = loaded.warnings.iter().any(|warning| {
        warning.message().contains("ultraharmonic, none of whose lines has enough flank bins")
    });
    assert!(warned, "{:?}", loaded.warnings);
}
