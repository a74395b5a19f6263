//! `simmer tune --plan`: what to record, before the tank is filled.

use std::fmt::Write as _;

use crate::commands::Prepared;
use crate::signal::plan::level_sd_db;
use crate::signal::{Quantity, as_f64};
use crate::tune::plan::{QuantityPlan, Wish, bubbles_pulses, drives_mpa, quantities};

/// The text.
pub(super) fn text(prepared: &Prepared, wish: &Wish) -> String {
    let settings = &prepared.loaded.settings;
    let detect = &settings.detect;
    let found = quantities(&prepared.plan, detect, wish);
    let mut text = String::new();
    let expected = detect.expected_pulses;
    // Writing into a string cannot fail.
    writeln!(
        text,
        "to hear a rise of {} dB, at least, on a white floor with {} drives; {} pulses in an exposure, budget {}\n\
         quantity       SD dB   one pulse hears it  {expected} pulses together  with 30: one dB  together dB  ever dB",
        wish.wanted_db, wish.drives, expected, detect.false_alarms_per_exposure,
    )
    .ok();
    for quantity in &found {
        line(&mut text, quantity);
    }
    text.push_str(
        "SD: least standard deviation of the detection level; one pulse, together: pulses without bubbles needed at each drive\n",
    );
    record(&mut text, prepared, wish, &found);
    silence(&mut text, prepared);
    writeln!(text, "drive is {}", settings.drive.drive_means).ok();
    text
}

fn line(text: &mut String, found: &QuantityPlan) {
    let needed = |pulses: Option<usize>| match pulses {
        Some(pulses) => format!("from {pulses}"),
        None => "never".to_owned(),
    };
    let db = |value: Option<f64>| {
        let value = value.filter(|value| value.is_finite());
        value.map_or_else(|| "-".to_owned(), |value| format!("{value:.3}"))
    };
    writeln!(
        text,
        "{:<13}  {:>5.3}  {:>18}  {:>19}  {:>16}  {:>11}  {:>7}",
        found.quantity.name(),
        found.sd_db,
        needed(found.one_pulse),
        needed(found.together),
        db(found.with_thirty.map(|reach| reach.one_pulse_db)),
        db(found.with_thirty.and_then(|reach| reach.together_db)),
        db(found.with_most.and_then(|reach| reach.ever_db)),
    )
    .ok();
}

/// What to record: pulses and drives.
fn record(text: &mut String, prepared: &Prepared, wish: &Wish, found: &[QuantityPlan]) {
    let detect = &prepared.loaded.settings.detect;
    let counts = |quantity: Quantity| {
        quantity == Quantity::Broadband || detect.stable_from.contains(&quantity)
    };
    let counted = || found.iter().filter(|found| counts(found.quantity));
    let needed = counted().filter_map(|found| found.together.or(found.one_pulse));
    let quiet = needed.max().unwrap_or(30).max(30);
    for never in counted().filter(|found| found.together.or(found.one_pulse).is_none()) {
        // Writing into a string cannot fail.
        writeln!(
            text,
            "{} cannot hear a rise of {} dB with any baseline: longer pulses, a longer gate or more expected pulses are needed; what follows serves the others",
            never.quantity.name(),
            wish.wanted_db
        )
        .ok();
    }
    let bubbles = bubbles_pulses(wish);
    let drives = drives_mpa(wish);
    let listed: Vec<String> = drives.iter().map(ToString::to_string).collect();
    let pulses = (quiet + bubbles) * drives.len();
    let seconds = as_f64(pulses) / prepared.loaded.settings.drive.repetition_hz;
    let listed = listed.join(", ");
    // Writing into a string cannot fail.
    writeln!(
        text,
        "record {quiet} pulses without bubbles at each drive before the injection, then {bubbles} with bubbles at each, drives in random order\n\
         drives, MPa: {listed}\n\
         {bubbles} pulses place the drive at which half are found within {:.0} %, if it rises from 10 to 90 % over a factor of {:.2} in drive; {pulses} pulses take {seconds:.0} s",
        100.0 * wish.onset_share,
        libm::exp(wish.onset_width),
    )
    .ok();
    let [from, to] = wish.drives_mpa;
    let step = libm::pow(to / from, 1.0 / as_f64(drives.len().max(2) - 1));
    if step > 1.25 {
        writeln!(
            text,
            "neighbouring drives are a factor of {step:.2} apart, limits between them lose sensitivity above 1.25: take more drives"
        )
        .ok();
    }
}

/// How much record without drive the broadband needs.
fn silence(text: &mut String, prepared: &Prepared) {
    let plan = &prepared.plan;
    let ms = |samples: usize| 1e3 * as_f64(samples) / plan.spec.receive.sample_rate_hz;
    let own = level_sd_db(plan.freedom.broadband);
    // Writing into a string cannot fail.
    match (&plan.noise, plan.freedom.noise) {
        (Some(noise), Some(k)) => {
            let now = own.hypot(level_sd_db(k));
            let longer = k * as_f64(plan.gate.len) / as_f64(noise.gate.len);
            writeln!(
                text,
                "silence: {:.1} ms without drive in each record, broadband SD {now:.3} dB; with {:.1} ms about {:.3} dB, with much more {own:.3} dB",
                ms(noise.gate.len),
                ms(plan.gate.len),
                own.hypot(level_sd_db(longer)),
            )
            .ok();
        }
        _ => {
            writeln!(
                text,
                "silence: none is recorded, so the broadband moves with the gain; record {:.1} ms before the trigger",
                ms(plan.gate.len)
            )
            .ok();
        }
    }
}
