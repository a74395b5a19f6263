//! Row 7: emission at the stated detection limits, from samples.
//!
//! Emission adds ΔP = P̄·(10^(L/10) − 1), as a row states it, with a new baseline in every trial.

use simmer::detect::{Baseline, Judgement, Pulse, Row, Session, Stage, What};
use simmer::signal::{Plan, Quantity, Window};

use crate::Run;
use crate::chain::passed;
use crate::crew::Dice;
use crate::levels::{ONCE, detect, first_pulse, follow, inject};
use crate::samples::{Ask, Bench, Colour, Emission, QUIET, plan};
use crate::table::{Line, Promise};

const Q: f64 = 0.01;
const LOW_PASS: Colour = Colour::LowPass(0.6);

/// A chance of 90 % as the issue bounds it, and that of a tone, which fluctuates less.
const NOISE_LIKE: Promise = Promise::Between(0.87, 0.93);
const STEADY: Promise = Promise::Between(0.88, 0.97);

/// What is emitted: name, quantity, promise.
struct Kind {
    name: &'static str,
    quantity: Quantity,
    /// Of one pulse at its limit, and of many.
    promise: [Promise; 2],
    /// Power over that of the limit, dB: of one pulse, and of each of many.
    more_db: [f64; 2],
    /// Of this mean power, V².
    emission: fn(f64, &mut Dice<'_>) -> Emission,
}

/// Fully fluctuating: power of exponential distribution from pulse to pulse.
fn fluctuating(v2: f64, emitting: &mut Dice<'_>) -> Emission {
    Emission::NoiseInLine(-v2 * (1.0 - emitting.share()).ln())
}

const KINDS: [Kind; 6] = [
    Kind {
        name: "ultraharmonic noise",
        quantity: Quantity::Ultraharmonic,
        promise: [NOISE_LIKE; 2],
        more_db: [0.0; 2],
        emission: |v2, _| Emission::NoiseInLine(v2),
    },
    Kind {
        name: "ultraharmonic tone",
        quantity: Quantity::Ultraharmonic,
        promise: [STEADY, Promise::Nothing],
        more_db: [0.0; 2],
        emission: |v2, _| Emission::Tone(v2),
    },
    Kind {
        name: "broadband noise",
        quantity: Quantity::Broadband,
        promise: [NOISE_LIKE; 2],
        more_db: [0.0; 2],
        emission: |v2, _| Emission::Broadband(v2),
    },
    Kind {
        name: "fluctuating",
        quantity: Quantity::Ultraharmonic,
        promise: [Promise::Nothing; 2],
        more_db: [0.0; 2],
        emission: fluctuating,
    },
    Kind {
        name: "fluctuating",
        quantity: Quantity::Ultraharmonic,
        promise: [Promise::Nothing; 2],
        more_db: [9.0, 1.0],
        emission: fluctuating,
    },
    Kind {
        name: "harmonic of random phase on a line",
        quantity: Quantity::Harmonic,
        promise: [Promise::Nothing; 2],
        more_db: [0.0; 2],
        emission: |v2, _| Emission::HarmonicTone(v2),
    },
];

impl Kind {
    /// Its name with what it has more than the limit of one pulse (0) or many (1).
    fn words(&self, many: usize) -> String {
        match self.more_db[many] {
            more_db if more_db > 0.0 => format!("{}, {more_db:.0} dB more", self.name),
            _ => self.name.to_owned(),
        }
    }

    fn at(&self, limit_v2: f64, many: usize, emitting: &mut Dice<'_>) -> Emission {
        (self.emission)(limit_v2 * libm::pow(10.0, self.more_db[many] / 10.0), emitting)
    }
}

/// A session and the pulse it hears next.
struct Scene {
    session: Session,
    out: Judgement,
    pulse: Pulse,
}

impl Scene {
    fn new(plan: &Plan, pulses: usize, baseline: Option<Baseline>) -> Self {
        let session = Session::new(plan, &detect(Q, pulses, ONCE), &[], baseline);
        Self { session, out: Judgement::default(), pulse: first_pulse() }
    }

    /// Hears the noise that was drawn last, with an emission.
    fn hear(&mut self, bench: &mut Bench<'_>, emission: Emission, emitting: &mut Dice<'_>) -> &Row {
        bench.hear(&Ask { emission, ..QUIET }, emitting);
        self.session.pulse(&self.pulse, bench.readings(), &mut self.out);
        follow(&mut self.pulse);
        self.out.rows.last().expect("a pulse has a row")
    }

    fn baseline(&mut self, pulses: usize, bench: &mut Bench<'_>, dice: &mut Dice<'_>) {
        self.pulse.stage = Stage::Baseline;
        // The drive alone takes no random numbers but the noise's.
        let mut unused = dice.clone();
        for _ in 0..pulses {
            bench.draw(dice);
            self.hear(bench, Emission::Nothing, &mut unused);
        }
        self.pulse.stage = Stage::Exposure;
    }
}

/// One pulse at its limit.
pub(crate) fn single(run: &Run) -> Vec<Line> {
    let baseline = 30;
    let mut lines = Vec::new();
    for window in [Window::Hann, Window::BlackmanHarris] {
        let plan = plan(window, true);
        for colour in [Colour::White, LOW_PASS] {
            let chain = format!("{}, {}", colour.name(), window.name());
            let one = |bench: &mut Bench<'_>, mut dice: Dice<'_>, trial: usize| {
                let mut emitting = run.crew.dice("one pulse emission", trial);
                let mut scene = Scene::new(&plan, 600, None);
                scene.baseline(baseline, bench, &mut dice);
                bench.draw(&mut dice);
                let limits_v2 = scene.hear(bench, Emission::Nothing, &mut emitting).hear_v2();
                KINDS.each_ref().map(|kind| {
                    let v2 = limits_v2[kind.quantity].expect("the baseline gives a limit");
                    let emission = kind.at(v2, 0, &mut emitting);
                    bench.draw(&mut dice);
                    scene.hear(bench, emission, &mut emitting);
                    passed(&scene.out, kind.quantity)
                })
            };
            let trials = run.trials(1500, 10_000);
            let found = run.crew.run(&chain, trials, || Bench::new(&plan, colour), one);
            for (place, kind) in KINDS.iter().enumerate() {
                let what = format!("limit of one, {chain}: {}", kind.words(0));
                let found = found.iter().map(|found| found[place]);
                lines.push(Line::share(7, what, found, kind.promise[0]));
            }
        }
    }
    lines
}

/// Pulses that count together.
const TOGETHER: usize = 120;

/// Whether emission of each kind, at the limit that the same noise gives without emission, is
/// established by the last pulse; nothing where there is no limit.
fn lasting(
    plan: &Plan,
    bench: &mut Bench<'_>,
    baseline: usize,
    dice: &mut Dice<'_>,
    emitting: &mut Dice<'_>,
) -> [Option<bool>; 5] {
    let mut before = Scene::new(plan, TOGETHER, None);
    before.baseline(baseline, bench, dice);
    let known = before.session.into_baseline();
    let begin = || {
        let mut scene = Scene::new(plan, TOGETHER, Some(known.clone()));
        scene.pulse = before.pulse.clone();
        inject(&mut scene.session, &mut scene.out);
        scene
    };
    let mut quiet = begin();
    let mut same = dice.clone();
    let mut limits_v2 = None;
    for _ in 0..TOGETHER {
        bench.draw(dice);
        let row = quiet.hear(bench, Emission::Nothing, emitting);
        limits_v2 = Some(row.hear_cumulative_v2());
    }
    let limits_v2 = KINDS.each_ref().map(|kind| limits_v2.and_then(|v2| v2[kind.quantity]));
    let mut scenes: [Scene; 5] = std::array::from_fn(|_| begin());
    let mut found = [false; 5];
    for _ in 0..TOGETHER {
        bench.draw(&mut same);
        for (place, scene) in scenes.iter_mut().enumerate() {
            let (kind, Some(v2)) = (&KINDS[place], limits_v2[place]) else { continue };
            scene.hear(bench, kind.at(v2, 1, emitting), emitting);
            found[place] |= scene.out.events.iter().any(|event| {
                matches!(&event.what, What::Established(what) if what.quantity == kind.quantity)
            });
        }
    }
    std::array::from_fn(|place| limits_v2[place].map(|_| found[place]))
}

/// Many pulses at their limit.
pub(crate) fn together(run: &Run) -> Vec<Line> {
    let mut lines = Vec::new();
    for (window, colour) in [(Window::Hann, Colour::White), (Window::BlackmanHarris, LOW_PASS)] {
        let plan = plan(window, true);
        for baseline in [30, 60] {
            let chain = format!("n {baseline}, {}, {}", colour.name(), window.name());
            let one = |bench: &mut Bench<'_>, mut dice: Dice<'_>, trial: usize| {
                let mut emitting = run.crew.dice("lasting emission", trial);
                lasting(&plan, bench, baseline, &mut dice, &mut emitting)
            };
            let trials = run.trials(240, 2000);
            let found = run.crew.run(&chain, trials, || Bench::new(&plan, colour), one);
            for (place, kind) in KINDS[..5].iter().enumerate() {
                let what = format!("limit of {TOGETHER}, {chain}: {}", kind.words(1));
                let found = found.iter().filter_map(|found| found[place]);
                lines.push(Line::share(7, what, found, kind.promise[1]));
            }
        }
    }
    lines
}
