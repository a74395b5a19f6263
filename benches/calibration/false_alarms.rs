//! Rows 1 to 4: false verdicts in exposures without bubbles, drawn from band levels.

use simmer::detect::Rule;
use simmer::signal::PerQuantity;

use crate::Run;
use crate::levels::{Course, DECIDE, Exposures, Found, ONCE, plan};
use crate::table::{Line, Promise};

const PULSES: usize = 600;

/// Runs exposures; the words are also the name their random numbers come from.
fn exposures(run: &Run, what: &str, exposures: &Exposures, trials: usize) -> Vec<Found> {
    let plan = plan(exposures.channels);
    let one = |(): &mut (), mut dice: crate::crew::Dice<'_>, trial: usize| {
        exposures.run(&plan, &mut dice, trial)
    };
    run.crew.run(what, trials, || (), one)
}

/// Exposures with a false alarm of each quantity, by its first two letters.
fn by_quantity(found: &[Found], of: fn(&Found) -> &PerQuantity<bool>) -> String {
    let count = |quantity| found.iter().filter(|found| of(found)[quantity]).count();
    let words: Vec<String> =
        DECIDE.iter().map(|&q| format!("{} {}", &q.name()[..2], count(q))).collect();
    if found.iter().any(|found| of(found).0.contains(&true)) {
        format!(" ({})", words.join(", "))
    } else {
        String::new()
    }
}

/// Any false verdict beside its two halves, and which quantities were false in each.
fn lines(row: u32, what: &str, found: &[Found], promise: Promise) -> Vec<Line> {
    let line = |name: &str, which: fn(&Found) -> bool, promise| {
        Line::share(row, format!("{what}{name}"), found.iter().map(which), promise)
    };
    let half = |name: &str, of: fn(&Found) -> &PerQuantity<bool>, which| {
        line(&format!(": {name}{}", by_quantity(found, of)), which, Promise::Nothing)
    };
    vec![
        line("", Found::any, promise),
        half("single", |found| &found.single, Found::by_single),
        half("together", |found| &found.together, Found::by_many),
    ]
}

/// Row 1: independent normal λ.
pub(crate) fn independent(run: &Run) -> Vec<Line> {
    let mut all = Vec::new();
    for (q, full) in [(0.01, 25_000), (0.05, 10_000)] {
        for channels in [1, 4] {
            for baseline in [10, 30, 100] {
                let ask = Exposures {
                    channels,
                    baseline,
                    drives: 1,
                    pulses_a_drive: PULSES,
                    q,
                    rule: ONCE,
                    course: Course::Independent,
                };
                let what = format!("no bubbles: q {q}, {channels} ch, n {baseline}");
                let quick = if channels == 1 { 1500 } else { 600 };
                let found = exposures(run, &what, &ask, run.trials(quick, full));
                all.extend(lines(1, &what, &found, Promise::AtMost(1.2 * q)));
            }
        }
    }
    all
}

/// Row 2: m of n at eight drives.
pub(crate) fn rules(run: &Run) -> Vec<Line> {
    let mut all = Vec::new();
    for (q, full) in [(0.01, 25_000), (0.05, 10_000)] {
        for (needed, of) in [(2, 3), (3, 5)] {
            for baseline in [10, 30, 100] {
                let ask = Exposures {
                    channels: 1,
                    baseline,
                    drives: 8,
                    pulses_a_drive: PULSES / 8,
                    q,
                    rule: Rule { needed, of },
                    course: Course::Independent,
                };
                let what = format!("{needed} of {of}, 8 drives: q {q}, n {baseline}");
                let found = exposures(run, &what, &ask, run.trials(400, full));
                all.extend(lines(2, &what, &found, Promise::AtMost(1.2 * q)));
            }
        }
    }
    all
}

/// Row 3: neighbouring pulses correlated.
pub(crate) fn correlated(run: &Run) -> Vec<Line> {
    let mut all = Vec::new();
    for q in [0.01, 0.05] {
        for baseline in [30, 100] {
            let ask = Exposures {
                channels: 1,
                baseline,
                drives: 1,
                pulses_a_drive: PULSES,
                q,
                rule: ONCE,
                course: Course::Correlated(0.5),
            };
            let what = format!("lag-1 correlation 0.5: q {q}, n {baseline}");
            let promise = if q > 0.02 { Promise::AtMost(1.5 * q) } else { Promise::Nothing };
            let found = exposures(run, &what, &ask, run.trials(2000, 10_000));
            all.extend(lines(3, &what, &found, promise));
        }
    }
    all
}

/// Row 4: one pulse in a hundred is six standard deviations too loud.
pub(crate) fn outliers(run: &Run) -> Vec<Line> {
    let mut all = Vec::new();
    let rules = [(ONCE, Promise::Nothing), (Rule { needed: 3, of: 5 }, Promise::AtMost(0.05))];
    for (rule, promise) in rules {
        for baseline in [30, 100] {
            let ask = Exposures {
                channels: 1,
                baseline,
                drives: 1,
                pulses_a_drive: PULSES,
                q: 0.01,
                rule,
                course: Course::Outliers { share: 0.01, raised_sd: 6.0 },
            };
            let what =
                format!("1 % outliers of 6 SD, {} of {}: n {baseline}", rule.needed, rule.of);
            let found = exposures(run, &what, &ask, run.trials(1000, 10_000));
            all.extend(lines(4, &what, &found, promise));
        }
    }
    all
}
