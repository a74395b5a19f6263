//! Rows 5, 6 and 9: false verdicts through the whole chain, from samples.

use simmer::detect::{DetectSpec, Judgement, Pulse, Session, Stage};
use simmer::signal::{Plan, Quantity, Window, as_f64};
use simmer::stats::pulse_alpha;

use crate::Run;
use crate::crew::Dice;
use crate::levels::{DECIDE, Found, ONCE, detect, first_pulse, follow, names};
use crate::samples::{Ask, Bench, Colour, Emission, QUIET, plan};
use crate::table::{Line, Promise};

const BASELINE: usize = 30;
const PULSES: usize = 600;
const BUDGETS: [f64; 2] = [0.01, 0.05];

/// A session under test and what it has claimed.
pub(crate) struct Watched {
    pub(crate) session: Session,
    pub(crate) out: Judgement,
    found: Found,
}

impl Watched {
    pub(crate) fn new(plan: &Plan, spec: &DetectSpec) -> Self {
        Self {
            session: Session::new(plan, spec, &[], None),
            out: Judgement::default(),
            found: Found::default(),
        }
    }

    fn pulse(&mut self, pulse: &Pulse, bench: &Bench<'_>) {
        self.session.pulse(pulse, bench.readings(), &mut self.out);
        if pulse.stage == Stage::Exposure {
            self.found.note(&self.out, &DECIDE);
        }
    }
}

/// Row 5: drive, second harmonic and white noise; both budgets judge the same readings.
pub(crate) fn whole(run: &Run) -> Vec<Line> {
    let plan = plan(Window::Hann, true);
    let one = |bench: &mut Bench<'_>, mut dice: Dice<'_>, trial: usize| {
        let mut emitting = run.crew.dice("chain emission", trial);
        let mut watched = BUDGETS.map(|q| Watched::new(&plan, &detect(q, PULSES, ONCE)));
        let mut pulse = first_pulse();
        for done in 0..BASELINE + PULSES {
            pulse.stage = if done < BASELINE { Stage::Baseline } else { Stage::Exposure };
            bench.draw(&mut dice);
            bench.hear(&QUIET, &mut emitting);
            watched.iter_mut().for_each(|watched| watched.pulse(&pulse, bench));
            follow(&mut pulse);
        }
        watched.map(|watched| watched.found)
    };
    let trials = 200;
    let found = run.crew.run("chain", trials, || Bench::new(&plan, Colour::White), one);
    let lines = BUDGETS.into_iter().zip([8, 21]).enumerate().flat_map(|(place, (q, most))| {
        let what = format!("from samples, no bubbles: q {q}, n {BASELINE}");
        let which = |word: &str, which: fn(&Found) -> bool, promise| {
            let found = found.iter().map(|found| which(&found[place]));
            Line::share(5, format!("{what}{word}"), found, promise)
        };
        let counted = Promise::Counted { share: q, most, of: trials };
        [
            which("", Found::any, counted),
            which(": single", Found::by_single, Promise::Nothing),
            which(": together", Found::by_many, Promise::Nothing),
        ]
    });
    lines.collect()
}

/// How the chain's gain moves.
#[derive(Debug, Clone, Copy)]
enum Wander {
    /// By this much in the middle of the exposure, dB.
    Step(f64),
    /// Evenly by this much over the exposure, dB.
    Drift(f64),
    /// By a normal number of this deviation from pulse to pulse, baseline too, dB.
    Walk(f64),
}

impl Wander {
    const fn name(self) -> &'static str {
        match self {
            Self::Step(_) => "gain step 3 dB",
            Self::Drift(_) => "gain drift 2 dB",
            Self::Walk(_) => "gain walk 0.2 dB a pulse",
        }
    }

    /// The gain of pulse `done` of baseline and exposure after one of `last_db`.
    fn gain_db(self, done: usize, last_db: f64, walk: &mut Dice<'_>) -> f64 {
        let exposed = as_f64(done.saturating_sub(BASELINE)) / as_f64(PULSES);
        match self {
            Self::Step(db) => {
                if exposed < 0.5 {
                    0.0
                } else {
                    db
                }
            }
            Self::Drift(db) => db * exposed,
            Self::Walk(db) => last_db + db * walk.normal(),
        }
    }
}

/// What became of one exposure with a wandering gain.
struct Wandered {
    referenced: [Found; 2],
    unreferenced: bool,
    /// Emission at the one-pulse limit was found.
    heard: bool,
}

/// Nothing of the gain may make pulses indeterminate, so that all of them count together.
fn unguarded(q: f64) -> DetectSpec {
    DetectSpec { noise_drift_db: 1e3, ..detect(q, PULSES, ONCE) }
}

fn wandering(run: &Run, plans: &[Plan; 2], wander: Wander, trials: usize) -> Vec<Wandered> {
    let scratch = || {
        let [referenced, unreferenced] = plans;
        (Bench::new(referenced, Colour::White), Bench::new(unreferenced, Colour::White))
    };
    let one = |(bench, bare): &mut (Bench<'_>, Bench<'_>), mut dice: Dice<'_>, trial: usize| {
        let mut emitting = run.crew.dice("wander emission", trial);
        let mut watched = BUDGETS.map(|q| Watched::new(&plans[0], &unguarded(q)));
        let mut alone = Watched::new(&plans[1], &unguarded(BUDGETS[1]));
        let mut pulse = first_pulse();
        let mut gain_db = 0.0;
        for done in 0..BASELINE + PULSES {
            pulse.stage = if done < BASELINE { Stage::Baseline } else { Stage::Exposure };
            gain_db = wander.gain_db(done, gain_db, &mut emitting);
            bench.draw(&mut dice);
            bench.hear(&Ask { gain_db, ..QUIET }, &mut emitting);
            bare.hear_gate_of(bench, gain_db);
            watched.iter_mut().for_each(|watched| watched.pulse(&pulse, bench));
            alone.pulse(&pulse, bare);
            follow(&mut pulse);
        }
        let referenced = [watched[0].found, watched[1].found];
        let strict = &mut watched[0];
        let row = strict.out.rows.last().expect("an exposure pulse has a row");
        let hear_db = row.hear_db[Quantity::Ultraharmonic].expect("the baseline gives a limit");
        let rise = libm::pow(10.0, hear_db / 10.0) - 1.0;
        let added_v2 = bench.floor_v2(Quantity::Ultraharmonic) * rise;
        let ask = Ask { gain_db, emission: Emission::NoiseInLine(added_v2), ..QUIET };
        bench.draw(&mut dice);
        bench.hear(&ask, &mut emitting);
        strict.session.pulse(&pulse, bench.readings(), &mut strict.out);
        let heard = passed(&strict.out, Quantity::Ultraharmonic);
        let unreferenced =
            alone.found.single[Quantity::Broadband] || alone.found.together[Quantity::Broadband];
        Wandered { referenced, unreferenced, heard }
    };
    run.crew.run(wander.name(), trials, scratch, one)
}

/// Whether a quantity passed its limit in the last row.
pub(crate) fn passed(out: &Judgement, quantity: Quantity) -> bool {
    out.rows.last().is_some_and(|row| names(&row.reason, quantity))
}

/// Row 6: a gain that moves.
pub(crate) fn gain(run: &Run) -> Vec<Line> {
    let plans = [plan(Window::Hann, true), plan(Window::Hann, false)];
    let mut lines = Vec::new();
    for wander in [Wander::Step(3.0), Wander::Drift(2.0), Wander::Walk(0.2)] {
        let found = wandering(run, &plans, wander, run.trials(120, 2000));
        let name = wander.name();
        for (place, q) in BUDGETS.into_iter().enumerate() {
            let any = found.iter().map(|one| one.referenced[place].any());
            let promise = Promise::AtMost(1.2 * q);
            lines.push(Line::share(6, format!("{name}: q {q}, referenced"), any, promise));
        }
        let what = format!("{name}: q {}, broadband without a noise gate", BUDGETS[1]);
        let bare = found.iter().map(|one| one.unreferenced);
        lines.push(Line::share(6, what, bare, Promise::Nothing));
        let what = format!("{name}: ultraharmonic noise at its one-pulse limit found");
        let heard = found.iter().map(|one| one.heard);
        lines.push(Line::share(6, what, heard, Promise::Between(0.87, 0.93)));
    }
    lines
}

/// Pulses a trial of row 9 has.
const BLOCK: usize = 500;

/// Row 9: the contrast test without a baseline, on white noise.
pub(crate) fn contrast(run: &Run) -> Vec<Line> {
    let mut lines = Vec::new();
    let quantities = [Quantity::Ultraharmonic, Quantity::Subharmonic];
    for window in [Window::Hann, Window::BlackmanHarris] {
        let plan = plan(window, false);
        for alpha in [1e-2, 1e-3] {
            // The budget of which one test of one pulse has this share.
            let pairs = as_f64(quantities.len() + 1);
            let q = -2.0 * (pairs * f64::ln_1p(-alpha)).exp_m1();
            debug_assert!((pulse_alpha(q, 1.0, pairs) / alpha - 1.0).abs() < 1e-9);
            let spec = DetectSpec { floor_allowance_db: 0.0, ..detect(q, 1, ONCE) };
            let name = format!("contrast without baseline: {}, alpha {alpha}", window.name());
            let one = |bench: &mut Bench<'_>, mut dice: Dice<'_>, trial: usize| {
                let mut emitting = run.crew.dice("contrast emission", trial);
                let mut watched = Watched::new(&plan, &spec);
                let mut pulse = Pulse { stage: Stage::Exposure, ..first_pulse() };
                let mut counts = [0; 2];
                for _ in 0..BLOCK {
                    bench.draw(&mut dice);
                    bench.hear(&Ask { drive: false, ..QUIET }, &mut emitting);
                    watched.pulse(&pulse, bench);
                    for (count, quantity) in counts.iter_mut().zip(quantities) {
                        *count += usize::from(passed(&watched.out, quantity));
                    }
                    follow(&mut pulse);
                }
                counts
            };
            let blocks = run.trials(40, 400);
            let counts = run.crew.run(&name, blocks, || Bench::new(&plan, Colour::White), one);
            for (place, quantity) in quantities.into_iter().enumerate() {
                lines.push(Line::Share {
                    row: 9,
                    what: format!("{name}, {}", quantity.name()),
                    trials: blocks * BLOCK,
                    found: counts.iter().map(|counts| counts[place]).sum(),
                    promise: Promise::Exactly(alpha),
                });
            }
        }
    }
    lines
}
