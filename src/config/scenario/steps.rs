//! Reads `[[step]]`: what is done on the bench, in its order.

use std::sync::Arc;

use super::super::bounds::Bounds;
use super::super::diagnostic::Level;
use super::super::field::Field;
use super::super::written::Section;
use super::tables;
use crate::bench::bubble::population::MOST_INJECTIONS;
use crate::bench::scene::HIGHEST_MPA;
use crate::bench::{Part, Step};

/// Most steps, and most pulses of one.
const MOST_STEPS: usize = 10_000;
const MOST_PULSES: u64 = 10_000_000;
/// Longest name of a target, characters; what the protocol of live streams carries, too.
const TARGET_CHARS: usize = 32;
/// Drives, MPa, and longest pause, s: a week.
const DRIVE_MPA: Bounds = Bounds::at_least(0.0).at_most(HIGHEST_MPA);
const PAUSE_S: Bounds = Bounds::at_least(0.0).at_most(604_800.0);

/// All of `[[step]]`.
pub(super) fn steps(top: &Section<'_, '_>) -> Option<Vec<Step>> {
    if !top.has("step") {
        top.miss(vec!["step"]);
    }
    let steps = tables(top, "step", MOST_STEPS, step)?.concat();
    let numbers: u64 = steps.iter().map(|step| u64::from(step.pulses)).sum();
    if numbers > MOST_PULSES {
        let message = format!("{numbers} pulses in all, must be at most {MOST_PULSES}");
        top.written().say(Level::Fault, message, &[("step", "too many pulses")], None);
        return None;
    }
    let injections = steps.iter().filter(|step| step.injection).count();
    if injections > MOST_INJECTIONS {
        let message = format!("{injections} steps inject, must be at most {MOST_INJECTIONS}");
        top.written().say(Level::Fault, message, &[("step", "too many injections")], None);
        return None;
    }
    Some(steps)
}

/// One table: a step for each of its drives.
fn step(table: Section<'_, '_>) -> Option<Vec<Step>> {
    let part = table.required("stage").and_then(|field| field.choice(&Part::ALL, Part::name));
    let drives = table.required("drive_mpa").and_then(|field| drives(&field));
    let pulses = table.required("pulses").and_then(|field| field.whole(1..=MOST_PULSES));
    let target = table.maybe("target", |field| field.line(TARGET_CHARS));
    let injection = table.maybe("inject", |field| field.boolean());
    let coupled = table.maybe("coupled", |field| field.boolean());
    let pause_s = table.maybe("pause_s", |field| field.number(PAUSE_S));
    let [stage, drive] = ["stage", "drive_mpa"].map(|key| table.path_of(key));
    let written = table.written();
    table.finish();
    let (part, drives) = (part?, drives?);
    if let Some(drive_mpa) = drives.iter().find(|drive| part == Part::Silence && **drive > 0.0) {
        let message = format!("`{drive}` is {drive_mpa}, must be 0 in stage noise");
        written.fault(message, &[(&drive, "a drive"), (&stage, "without drive")]);
        return None;
    }
    let first = Step {
        part,
        drive_mpa: 0.0,
        pulses: u32::try_from(pulses?).ok()?,
        target: Arc::from(target?.unwrap_or_default()),
        injection: injection?.unwrap_or(false),
        coupled: coupled?.unwrap_or(true),
        pause_s: pause_s?.unwrap_or(0.0),
    };
    let later = Step { injection: false, pause_s: 0.0, ..first.clone() };
    let alike = std::iter::once(first).chain(std::iter::repeat(later));
    Some(
        drives.into_iter().zip(alike).map(|(drive_mpa, step)| Step { drive_mpa, ..step }).collect(),
    )
}

/// One drive, or several that follow one another.
fn drives(field: &Field<'_, '_>) -> Option<Vec<f64>> {
    if !field.is_array() {
        return field.number(DRIVE_MPA).map(|drive| vec![drive]);
    }
    let drives = field.each("one drive, or an array of them", |drive| drive.number(DRIVE_MPA))?;
    match drives.len() {
        1..=MOST_STEPS => Some(drives),
        _ => field.refused("one drive, or an array of 1 to 10000"),
    }
}
