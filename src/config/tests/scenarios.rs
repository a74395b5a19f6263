//! Scenarios: the examples, every key, and what scenario and configuration say together.

use std::collections::HashSet;

use super::*;
use crate::bench::{Absorption, Part, Scene, SceneSpec, Setup};
use crate::config::scenario::{Scenario, parse as parse_scenario};

const OPEN_WATER: &str = include_str!("../../../config/scenarios/open-water.toml");

const EXAMPLES: [(&str, &str); 8] = [
    ("open-water", OPEN_WATER),
    ("behind-plate", include_str!("../../../config/scenarios/behind-plate.toml")),
    ("weak-receiver", include_str!("../../../config/scenarios/weak-receiver.toml")),
    ("interference", include_str!("../../../config/scenarios/interference.toml")),
    ("coupling-lost", include_str!("../../../config/scenarios/coupling-lost.toml")),
    ("drifting-gain", include_str!("../../../config/scenarios/drifting-gain.toml")),
    ("clock-offset", include_str!("../../../config/scenarios/clock-offset.toml")),
    ("three-targets", include_str!("../../../config/scenarios/three-targets.toml")),
];

fn settings() -> Settings {
    parse("bench-phantom.toml", PHANTOM).unwrap().settings
}

fn good(text: &str) -> Scenario {
    parse_scenario("scenario.toml", text).unwrap_or_else(|diagnosis| panic!("{diagnosis}"))
}

fn set_up(text: &str) -> Result<Setup, Diagnosis> {
    good(text).setup(&settings(), None)
}

#[track_caller]
fn fault_of(diagnosis: &Diagnosis) -> Diagnostic {
    let faults: Vec<_> = diagnosis.faults().cloned().collect();
    assert_eq!(faults.len(), 1, "{diagnosis}");
    faults[0].clone()
}

#[track_caller]
fn only_scenario_fault(text: &str) -> Diagnostic {
    fault_of(&parse_scenario("scenario.toml", text).expect_err("this scenario has a fault"))
}

/// One key of the example with a value that gives one fault, at that key's line.
#[track_caller]
fn check_value(key: &str, value: &str, message: &str) {
    let beginning = format!("{key} = ");
    let fault =
        only_scenario_fault(&with_line(OPEN_WATER, &beginning, &format!("{key} = {value}")));
    assert!(fault.message().contains(message), "{}", fault.message());
    let line = 1 + OPEN_WATER.lines().position(|line| line.starts_with(&beginning)).unwrap();
    assert_eq!(fault.lines()[0], line, "{fault}");
}

/// A fault that only scenario and configuration together have.
#[track_caller]
fn check_crossing(key: &str, value: &str, message: &str) {
    let text = with_line(OPEN_WATER, &format!("{key} = "), &format!("{key} = {value}"));
    let fault = fault_of(&set_up(&text).expect_err("a fault"));
    assert!(fault.message().contains(message), "{}", fault.message());
    assert!(!fault.lines().is_empty(), "{fault}");
}

#[test]
fn every_example_is_a_bench_under_its_configuration() {
    for (name, text) in EXAMPLES {
        let scenario = good(text);
        assert_eq!(scenario.configuration.to_str(), Some("../bench-phantom.toml"), "{name}");
        assert!(scenario.setup(&settings(), None).is_ok(), "{name}");
        let injections = scenario.steps.iter().filter(|step| step.injection).count();
        assert_eq!(injections, if name == "three-targets" { 3 } else { 1 }, "{name}");
        let head: String = text.lines().take_while(|line| line.starts_with('#')).collect();
        for caution in ["imulated", "Research use only", "no safety interlock"] {
            assert!(head.contains(caution), "{name}: {caution}");
        }
    }
}

#[test]
fn examples_differ_in_what_they_are_for() {
    let [open, plate, weak, interference, lost, drift, clock, targets] =
        EXAMPLES.map(|(_, text)| good(text));
    assert_eq!(open.plate_loss_file, None);
    assert_eq!(plate.plate_loss_file.as_deref(), Some(Path::new("plate-4mm.csv")));
    let setup = |scenario: &Scenario| scenario.setup(&settings(), None).unwrap();
    let sensitivity =
        |scenario: &Scenario| setup(scenario).receivers[0].sensitivity_v_per_pa.log10() * 20.0;
    assert!((sensitivity(&open) - sensitivity(&weak) - 30.0).abs() < 0.1);
    let tones = |scenario: &Scenario| setup(scenario).electronics.tones.len();
    assert!(tones(&interference) > tones(&open));
    assert!(lost.steps.iter().any(|step| !step.coupled && step.part == Part::Exposure));
    let electronics = setup(&drift).electronics;
    assert!(electronics.gain_drift_db_per_s > 0.0 && electronics.gain_steps.len() == 1);
    assert!(setup(&clock).electronics.clock_ppm > 1000.0);
    let names: HashSet<_> = targets.steps.iter().map(|step| step.target.to_string()).collect();
    assert_eq!(names.len(), 3);
    assert!(targets.steps.iter().map(|step| step.pause_s).sum::<f64>() > 3600.0);
}

/// The lines of the example that set a key, counted from 0, with the key.
fn lines() -> Vec<(usize, &'static str)> {
    let key = |(line, text): (usize, &'static str)| {
        let (key, _) = text.split_once(" = ")?;
        let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_';
        key.bytes().all(plain).then_some((line, key))
    };
    OPEN_WATER.lines().enumerate().filter_map(key).collect()
}

#[test]
fn each_required_key_is_missed_by_name() {
    let mut required = 0;
    for (line, key) in lines() {
        let text = replace_line(OPEN_WATER, line, "");
        if ["response_db", "inject"].contains(&key) {
            good(&text);
            continue;
        }
        let fault = only_scenario_fault(&text);
        assert!(
            fault.message().contains(&format!("`{key}`"))
                || key == "configuration"
                || key == "seed",
            "{fault}"
        );
        assert!(fault.message().contains("missing in"), "{}", fault.message());
        let help = fault.advice().unwrap_or_default();
        assert!(help.contains("config/scenarios/open-water.toml"), "{fault}");
        required += 1;
    }
    // 2 at the top, 2 of transducer, 2 of tank, 5 of amplifier, 16 of bubbles, 3 of receiver, 5 of
    // electronics, 2 of tone, 3 steps of 3.
    assert_eq!(required, 2 + 2 + 2 + 5 + 16 + 3 + 5 + 2 + 9);
}

#[test]
fn each_misspelt_key_finds_the_right_one_in_one_fault() {
    let mut seen = HashSet::new();
    for (line, key) in lines().into_iter().filter(|(_, key)| seen.insert(*key)) {
        let written = OPEN_WATER.lines().nth(line).unwrap();
        let slip = format!("{}x{}", &key[..key.len() / 2], &key[key.len() / 2..]);
        let fault =
            only_scenario_fault(&replace_line(OPEN_WATER, line, &written.replacen(key, &slip, 1)));
        assert!(fault.message().contains(&format!("unknown key `{slip}`")), "{fault}");
        assert_eq!(fault.advice(), Some(format!("did you mean `{key}`?").as_str()), "{fault}");
        assert_eq!(fault.lines(), [line + 1]);
    }
    assert!(seen.len() > 30);
}

#[test]
fn a_table_that_is_not_there_is_missed_and_an_unknown_one_refused() {
    for table in ["transducer", "tank", "amplifier", "bubbles", "electronics"] {
        let start = OPEN_WATER.find(&format!("\n[{table}]")).unwrap();
        let end = start + 1 + OPEN_WATER[start + 1..].find("\n[").unwrap();
        let fault = only_scenario_fault(&format!("{}{}", &OPEN_WATER[..start], &OPEN_WATER[end..]));
        assert_eq!(fault.message(), format!("`[{table}]` is missing in the file"));
    }
    for list in ["receiver", "step"] {
        let text = OPEN_WATER.replace(&format!("[[{list}]]"), "[[tone]]");
        let faults = parse_scenario("scenario.toml", &text).unwrap_err();
        let expected = format!("`[{list}]` is missing in the file");
        assert!(faults.faults().any(|fault| fault.message() == expected), "{faults}");
    }
    let fault = only_scenario_fault(&format!("{OPEN_WATER}\n[bubble]\nx = 1\n"));
    assert_eq!(fault.message(), "unknown key `bubble` in the file");
    let fault = only_scenario_fault(&OPEN_WATER.replace("[[tone]]", "[tone]"));
    assert_eq!(fault.message(), "`tone` is a table, must be an array of tables");
}

#[test]
fn values_out_of_their_bounds_are_named_with_the_bound() {
    check_value(
        "median_radius_m",
        "-1.25e-6",
        "`bubbles.median_radius_m` is -1.25e-6, must be at least 1e-7 and at most 5e-5",
    );
    check_value("bubbles_mean", "1e6", "must be at least 0 and at most 10000");
    check_value("focal_length_m", "0", "must be at least 0.001 and at most 1");
    check_value("aperture_radius_m", "64e-3", "must be below focal_length_m, 0.0632");
    check_value("liquid", "\"oil\"", "must be one of \"water at 20 C\"");
    check_value("uncoupled_db", "3.0", "must be at least -300 and at most 0");
    check_value(
        "harmonics_db",
        "[-60, 1]",
        "`amplifier.harmonics_db[1]` is 1, must be at least -300",
    );
    check_value("position_m", "[0.0, 0.1]", "must be three numbers: x, y, z");
    check_value(
        "response_db",
        "[[1e6, 0.0], [1e6, 1.0]]",
        "frequency is 1000000 Hz after 1000000, must rise",
    );
    check_value("noise_correlation", "1.0", "must be at least 0 and at most 0.999");
    check_value("seed", "-1", "must be a whole number from 0 to 9007199254740992");
    check_value("stage", "\"silence\"", "must be one of \"noise\", \"baseline\", \"exposure\"");
    check_value("pulses", "0", "`step[0].pulses` is 0, must be a whole number from 1 to");
    check_value(
        "drive_mpa",
        "-0.1",
        "`step[0].drive_mpa` is -0.1, must be at least 0 and at most 3",
    );
    check_value("drive_mpa", "[0.0, 0.1]", "`step[0].drive_mpa` is 0.1, must be 0 in stage noise");
    check_value("drive_mpa", "[]", "must be one drive, or an array of 1 to 10000");
}

#[test]
fn all_faults_of_a_file_come_in_one_run() {
    let text = with_line(OPEN_WATER, "median_radius_m = ", "median_radius_m = -1.0");
    let text = with_line(&text, "pulses = ", "pulses = 0");
    let text = with_line(&text, "wander = ", "wonder = 0.1");
    let diagnosis = parse_scenario("scenario.toml", &text).unwrap_err();
    assert_eq!(diagnosis.faults().count(), 3, "{diagnosis}");
}

#[test]
fn reverberation_needs_both_its_keys() {
    let text = OPEN_WATER.replace("# reverberation_db", "reverberation_db");
    let fault = only_scenario_fault(&text);
    assert!(fault.message().contains("`reverberation_decay_s` is missing"), "{fault}");
    let both = text
        .replace("# reverberation_decay_s = 1e-3     # the", "reverberation_decay_s = 1e-3 # the");
    let reverberation = set_up(&both).unwrap().reverberation.unwrap();
    assert!((reverberation.decay_s - 1e-3).abs() < 1e-15);
}

#[test]
fn absorption_needs_both_its_keys_and_is_water_s_without_them() {
    assert_eq!(set_up(OPEN_WATER).unwrap().absorption, Absorption::Water);
    let text = OPEN_WATER.replace("# absorption_exponent", "absorption_exponent");
    let fault = only_scenario_fault(&text);
    assert!(fault.message().contains("`absorption_db_per_cm_at_1_mhz` is missing"), "{fault}");
    let both = text.replace("# absorption_db_per_cm_at_1_mhz", "absorption_db_per_cm_at_1_mhz");
    let Absorption::Power { db_per_m, exponent } = set_up(&both).unwrap().absorption else {
        panic!("{both}")
    };
    assert!((db_per_m - 0.22).abs() < 1e-12 && (exponent - 2.0).abs() < 1e-12);
    let fault = only_scenario_fault(&both.replace("mhz = 0.0022", "mhz = -1.0"));
    let bound = "`tank.absorption_db_per_cm_at_1_mhz` is -1.0, must be at least 0 and at most 100";
    assert!(fault.message().contains(bound), "{fault}");
}

#[test]
fn radii_and_ramps_that_cannot_be_are_refused_where_they_stand() {
    check_crossing(
        "median_radius_m",
        "5e-5",
        "make radii from 2.084e-5 to 1.199e-4 m, must be from 5e-8 to 1e-4 m",
    );
    check_crossing("radius_sigma", "1.5", "make radii from 2.94e-8 to 5.315e-5 m");
    check_crossing(
        "ramp_s",
        "150e-6",
        "`amplifier.ramp_s` is 1.5e-4, must be at most 9.143e-5: half of the burst of \
         ../bench-phantom.toml, at most 64 cycles of its drive",
    );
}

#[test]
fn what_the_bounds_let_in_is_a_scene_or_is_refused_at_its_key() {
    let Settings { signal, drive, .. } = settings();
    let (pulse_s, repetition_hz) = (drive.pulse_s, drive.repetition_hz);
    let spec = SceneSpec { signal, pulse_s, repetition_hz };
    let mut scenes = 0;
    for (key, values) in [
        ("focal_length_m", ["0.033", "1.0"]),
        ("aperture_radius_m", ["1e-4", "63e-3"]),
        ("ramp_s", ["0.0", "1.0"]),
        ("wander", ["0.0", "0.1"]),
        ("shock_per_mpa", ["0.0", "10.0"]),
        ("median_radius_m", ["1e-7", "5e-5"]),
        ("radius_sigma", ["1e-6", "1.5"]),
        ("shell_elasticity_n_per_m", ["1e-9", "10.0"]),
        ("shell_viscosity_kg_per_s", ["0.0", "1e-6"]),
        ("shell_buckling_share", ["0.5", "1.0"]),
        ("shell_breaks_over_buckling", ["1.000001", "10.0"]),
        ("polytropic_exponent", ["1.0", "1.6666666"]),
        ("bubbles_mean", ["0.0", "10000.0"]),
        ("free_share", ["0.0", "1.0"]),
        ("free_life_s", ["1e-6", "86400.0"]),
        ("collapses_survived", ["1e-9", "1e9"]),
        ("flow_m_per_s", ["1e-5", "10.0"]),
        ("wash_in_s", ["0.0", "86400.0"]),
        ("wash_out_s", ["1e-6", "86400.0"]),
        ("channel_radius_m", ["1e-6", "0.1"]),
        ("least_share", ["0.01", "0.99"]),
    ] {
        for value in values {
            let text = with_line(OPEN_WATER, &format!("{key} = "), &format!("{key} = {value}"));
            match set_up(&text) {
                Err(faults) => {
                    assert!(faults.faults().all(|fault| !fault.lines().is_empty()), "{faults}");
                }
                Ok(setup) => {
                    let scene = Scene::new(&spec, setup, good(&text).steps, 1);
                    assert!(scene.is_ok(), "{key} = {value}: {}", scene.unwrap_err());
                    scenes += 1;
                }
            }
        }
    }
    assert!(scenes > 30, "{scenes}");
}

#[test]
fn positions_that_cannot_be_are_refused_where_they_stand() {
    check_crossing("position_m", "[0.0, 0.0, 1e-3]", "m from the focus, must be at least");
    check_crossing(
        "position_m",
        "[0.0, 0.0, 60e-3]",
        "before receive.first_arrival_s of ../bench-phantom.toml, 9e-5",
    );
    check_crossing(
        "position_m",
        "[0.0, 0.0, 9.0]",
        "when the gate of ../bench-phantom.toml is over",
    );
    let text = with_line(OPEN_WATER, "position_m", "position_m = [0.0, 0.1, -80e-3]");
    let fault = set_up(&text).unwrap_err();
    assert!(
        fault.to_string().contains("behind the transducer, whose apex is at z = -0.0632"),
        "{fault}"
    );
}

#[test]
fn a_receiver_more_than_channels_is_refused_and_so_are_two_in_one_place() {
    let start = OPEN_WATER.find("[[receiver]]").unwrap();
    let end = start + OPEN_WATER[start..].find("\n[").unwrap() + 1;
    let twice = format!("{}{}{}", &OPEN_WATER[..end], &OPEN_WATER[start..end], &OPEN_WATER[end..]);
    let said = set_up(&twice).unwrap_err().to_string();
    assert!(said.contains("2 [[receiver]], but ../bench-phantom.toml has 1 channels"), "{said}");
    assert!(said.contains("`receiver[1].position_m` repeats `receiver[0].position_m`"), "{said}");
}

#[test]
fn text_that_is_no_scenario_is_refused_without_panic() {
    for end in 0..OPEN_WATER.len().min(4000) {
        if let Some(text) = OPEN_WATER.get(..end) {
            parse_scenario("scenario.toml", text).unwrap_err();
        }
    }
    parse_scenario("scenario.toml", PHANTOM).unwrap_err();
}
