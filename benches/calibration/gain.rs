//! Row 8: what counting pulses together gains, from the stated limits; beside it what the habit of
//! "mean + 3 SD" does.
//!
//! 10·log10(ΔP₁/ΔP_p) with ΔP = P̄·(10^(L/10) − 1), for λ of a small standard deviation.

use simmer::detect::cumulative::hearing_before;
use simmer::detect::{DetectSpec, alpha};
use simmer::signal::{Quantity, as_f64};
use simmer::stats::{BaselineSeries, Reference, Summary};

use crate::Run;
use crate::levels::{ONCE, detect};
use crate::table::{Line, Promise};

const Q: f64 = 0.01;
/// Standard deviation of λ, dB: small, so that decibels and power are in proportion.
const SD_DB: f64 = 0.01;

/// n, pulses, dB over one pulse's limit, dB over a whole exposure of single looks.
const ASKED: [(usize, usize, f64, f64); 2] = [(60, 120, 7.5, 4.5), (100, 600, 9.5, 5.5)];

/// ΔP/P̄ of a level.
fn added(db: f64) -> f64 {
    libm::pow(10.0, db / 10.0) - 1.0
}

/// Baselines of normal numbers: their means and deviations, standard deviations.
fn baselines(run: &Run, name: &str, n: usize) -> Vec<(f64, f64)> {
    let draws = run.trials(20_000, 200_000);
    run.crew.run(
        name,
        draws,
        || (),
        |(), mut dice, _| {
            let values: Vec<f64> = (0..n).map(|_| dice.normal()).collect();
            Summary::of(&values).map_or((f64::NAN, f64::NAN), |summary| (summary.mean, summary.sd))
        },
    )
}

/// The steady rise, in standard deviations, that at least one of `pulses` looks at a limit of
/// `factor` shows with a chance of 90 %, averaged over baselines.
fn one_of(pulses: usize, factor: f64, baselines: &[(f64, f64)]) -> f64 {
    let missed = |rise: f64| {
        let each = baselines.iter().map(|(mean, sd)| {
            simmer::stats::normal_cdf(mean + factor * sd - rise).powf(as_f64(pulses))
        });
        each.sum::<f64>() / as_f64(baselines.len())
    };
    let (mut low, mut high) = (0.0, 20.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if missed(middle) > 0.1 { low = middle } else { high = middle }
    }
    high
}

/// A baseline of `n` independent pulses: as if that were known, or as the tool finds it, with the
/// correlation that independent pulses have on average.
fn reference(n: usize, known: bool) -> Reference {
    let summary = Summary { n, mean: 0.0, sd: SD_DB };
    let found = BaselineSeries { summary, lag1: -1.0 / as_f64(n) };
    let reference =
        if known { Reference::independent(n, 0.0, SD_DB) } else { Reference::of_one(&found) };
    reference.expect("enough pulses for limits")
}

fn gains(
    spec: &DetectSpec,
    n: usize,
    pulses: usize,
    known: bool,
    draws: &[(f64, f64)],
) -> [f64; 2] {
    let at = reference(n, known);
    let factor = at.pulse_factor(alpha(spec, 1));
    let one_db = at.detection_limit_one_pulse(at.limit(factor), 0.0);
    let any_db = SD_DB * one_of(pulses, factor, draws);
    let hearing = hearing_before(spec, 1, 1, Quantity::Ultraharmonic, &at)
        .expect("enough pulses for cumulative detection");
    let count = u64::try_from(pulses).unwrap_or(u64::MAX);
    let together = added(hearing.after(count));
    [one_db, any_db].map(|db| 10.0 * libm::log10(added(db) / together))
}

/// Share of exposures, and of their pulses, that "mean + 3 SD" calls positive without bubbles.
fn habit(run: &Run, n: usize, pulses: usize) -> Vec<Line> {
    let what = format!("mean + 3 SD, n {n}");
    let trials = run.trials(4000, 40_000);
    let over: Vec<usize> = run.crew.run(
        &what,
        trials,
        || (),
        |(), mut dice, _| {
            let values: Vec<f64> = (0..n).map(|_| dice.normal()).collect();
            let limit = Summary::of(&values).map_or(f64::NAN, |found| found.mean + 3.0 * found.sd);
            (0..pulses).filter(|_| dice.normal() > limit).count()
        },
    );
    let at = reference(n, true);
    let limit_db = at.detection_limit_one_pulse(at.limit(3.0), 0.0);
    let stated = at.detection_limit_one_pulse(
        at.limit(at.pulse_factor(alpha(&detect(Q, pulses, ONCE), 1))),
        0.0,
    );
    vec![
        Line::share(
            8,
            format!("{what}: exposures of {pulses} pulses with a false alarm, one quantity"),
            over.iter().map(|over| *over > 0),
            Promise::Nothing,
        ),
        Line::Share {
            row: 8,
            what: format!("{what}: pulses over it"),
            trials: trials * pulses,
            found: over.iter().sum(),
            promise: Promise::Nothing,
        },
        Line::Number {
            row: 8,
            what: format!("{what}: its limit under one pulse's stated limit"),
            value: 10.0 * libm::log10(added(stated) / added(limit_db)),
            unit: "dB",
            least: None,
        },
    ]
}

/// Row 8.
pub(crate) fn together(run: &Run) -> Vec<Line> {
    let mut lines = Vec::new();
    for (n, pulses, over_one, over_any) in ASKED {
        let spec = detect(Q, pulses, ONCE);
        let draws = baselines(run, &format!("baselines of {n}"), n);
        for known in [true, false] {
            let gains = gains(&spec, n, pulses, known, &draws);
            let which = if known { "phi 0" } else { "phi as found" };
            let compared = ["one pulse", "one of all pulses"];
            for ((gain, least), with) in gains.into_iter().zip([over_one, over_any]).zip(compared) {
                lines.push(Line::Number {
                    row: 8,
                    what: format!("{pulses} pulses together, n {n}, {which}: gain over {with}"),
                    value: gain,
                    unit: "dB",
                    least: Some(least),
                });
            }
        }
        lines.extend(habit(run, n, pulses));
    }
    lines
}
