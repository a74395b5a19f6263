//! Row 10: evidence that may be looked at after every pulse.

use simmer::signal::as_f64;
use simmer::stats::{Evidence, Summary};

use crate::Run;
use crate::table::{Line, Promise};

const PULSES: usize = 10_000;

/// Chances that a series without change may ever reach.
const CHANCES: [f64; 2] = [0.05, 0.01];

/// Onset mixtures: a change from the first pulse, and the detector's own with the injection's
/// weight named at a third and with expected pulses far fewer than come.
const MIXTURES: [(&str, bool); 2] = [("change from the first pulse", false), ("onsets", true)];

/// A series without change to its end; whether E reached 1/a for each chance.
fn series(dice: &mut crate::crew::Dice<'_>, baseline: usize, onsets: bool) -> [bool; 2] {
    let before: Vec<f64> = (0..baseline).map(|_| dice.normal()).collect();
    let Summary { n, mean, sd } = Summary::of(&before).expect("a baseline has a spread");
    let mut weights = vec![(if onsets { 0.25 } else { 1.0 }, 0)];
    if onsets {
        weights.extend((1..=7).map(|eighth| (0.5 / 7.0, eighth * 75)));
    }
    let mut evidence = Evidence::new(n, sd, 1.0, &weights, if onsets { 0.25 } else { 0.0 });
    let mut reached = [false; 2];
    for pulse in 0..PULSES {
        if pulse == 200 {
            evidence.mark();
        }
        evidence.take(dice.normal() - mean);
        for (reached, chance) in reached.iter_mut().zip(CHANCES) {
            *reached = *reached || evidence.reaches(-f64::ln(chance));
        }
    }
    reached
}

/// Row 10.
pub(crate) fn ever(run: &Run) -> Vec<Line> {
    let mut lines = Vec::new();
    let trials = run.trials(1000, 10_000);
    for baseline in [30, 100] {
        for (name, onsets) in MIXTURES {
            let what = format!("E over {} pulses, n {baseline}, {name}", as_f64(PULSES));
            let reached = run.crew.run(
                &what,
                trials,
                || (),
                |(), mut dice, _| series(&mut dice, baseline, onsets),
            );
            for (place, chance) in CHANCES.into_iter().enumerate() {
                lines.push(Line::share(
                    10,
                    format!("{what}: ever >= {:.0}", 1.0 / chance),
                    reached.iter().map(|reached| reached[place]),
                    Promise::AtMost(chance),
                ));
            }
        }
    }
    lines
}
