//! Bounds of a scenario that come from what is computed with it: each is said at its key, and what is
//! accepted can be made.

use super::*;
use crate::bench::{Scene, SceneSpec};
use crate::config::scenario::{Scenario, parse as parse_scenario};

const OPEN_WATER: &str = include_str!("../../../config/scenarios/open-water.toml");

fn changed(key: &str, value: &str) -> String {
    with_line(OPEN_WATER, &format!("{key} = "), &format!("{key} = {value}"))
}

fn read(text: &str) -> Result<Scenario, Diagnosis> {
    parse_scenario("s.toml", text)
}

/// A scenario up to the bench it makes, under the bench phantom's configuration.
fn build(text: &str) -> Result<(), Diagnosis> {
    let settings = parse("bench-phantom.toml", PHANTOM).unwrap().settings;
    let scenario = read(text)?;
    let setup = scenario.setup(&settings, None)?;
    let spec = SceneSpec {
        signal: settings.signal.clone(),
        pulse_s: settings.drive.pulse_s,
        repetition_hz: settings.drive.repetition_hz,
    };
    let scene = Scene::new(&spec, setup, scenario.steps, 1);
    // What only the bench itself finds has no place in the file.
    scene.map(|_| ()).map_err(|error| panic!("{error}"))
}

/// A value that gives one fault, first at that key's line.
#[track_caller]
fn check_refused(text: &str, key: &str, message: &str) {
    let diagnosis = build(text).expect_err("a fault");
    let faults: Vec<_> = diagnosis.faults().collect();
    assert_eq!(faults.len(), 1, "{diagnosis}");
    assert!(faults[0].message().contains(message), "{diagnosis}");
    let beginning = format!("{key} = ");
    let line = 1 + text.lines().position(|line| line.starts_with(&beginning)).unwrap();
    assert_eq!(faults[0].lines()[0], line, "{diagnosis}");
}

#[test]
fn what_keys_say_together_is_said_at_the_first_of_them() {
    let strong = changed("shock_per_mpa", "4.0");
    check_refused(&strong, "shock_per_mpa", "sigma is 1.2096, must be below 1");
}

#[test]
fn a_clock_too_slow_for_the_period_is_said_at_its_key() {
    let quick = with("repetition_hz", "163.9");
    let settings = parse("bench-phantom.toml", &quick).unwrap().settings;
    let slow = changed("clock_ppm", "-2000.0");
    let diagnosis = read(&slow).unwrap().setup(&settings, None).unwrap_err();
    let fault = diagnosis.faults().next().unwrap();
    assert!(fault.message().contains("`electronics.clock_ppm` is -2000: a record of"), "{fault}");
    let line = slow.lines().position(|line| line.starts_with("clock_ppm")).unwrap() + 1;
    assert_eq!(fault.lines()[0], line);
    read(OPEN_WATER).unwrap().setup(&settings, None).unwrap();
}

#[test]
fn injections_are_counted_before_anything_is_made() {
    let head = &OPEN_WATER[..OPEN_WATER.find("[[step]]").unwrap()];
    let step = "[[step]]\nstage = \"exposure\"\ndrive_mpa = 0.1\npulses = 1\ninject = true\n";
    read(&format!("{head}{}", step.repeat(4096))).unwrap();
    let fault = read(&format!("{head}{}", step.repeat(4097))).unwrap_err();
    let fault = fault.faults().next().unwrap().clone();
    assert_eq!(fault.message(), "4097 steps inject, must be at most 4096");
    assert!(!fault.lines().is_empty());
}
