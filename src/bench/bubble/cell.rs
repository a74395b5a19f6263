//! One cell of the library: a bubble at one local pressure, simulated once, played often.
//!
//! The motion is simulated from rest through the ramp until the states at whole cycles of the drive
//! repeat after 1, 2, 3, 4, 6, 8, 12 or 24 of them: that period is then played over and over. Where they
//! only creep towards one, as just above a threshold, the whole burst is simulated. Where they do not
//! repeat, a long stretch is kept, and each bubble plays pieces of it picked at random, faded into each
//! other over one cycle. The end of the drive is simulated from the state it falls on.

use super::filter::{Filter, Stretch, usize_of};
use super::liquid::{Bubble, BubbleError, Drive, Liquid};
use super::motion::{Model, Motion};
use super::step::Pair;
use crate::signal::as_f64;

/// Periods looked for, cycles; all divide the last. Longer ones are rare: none among the demo's 870 cells.
pub(super) const PERIODS: [usize; 8] = [1, 2, 3, 4, 6, 8, 12, 24];
/// Cycles after the ramp, or after the shell broke, before a period is looked for.
const SETTLE: usize = 4;
/// Cycles after which no period is looked for any more, unless states a period apart have been closer
/// than [`CLOSE`] for some cycles; and cycles after which it is given up then too.
const SEARCH: usize = 64;
pub(super) const PATIENT: usize = 1024;
const CLOSE: f64 = 0.25;
const CLOSE_FOR: usize = 12;
/// Difference of ln x a period apart below which states that were not found to repeat are still creeping
/// towards a period or away from one; and the most points of such a burst that is simulated whole.
const CREEPING: f64 = 0.02;
const MOST_POINTS: usize = 1 << 20;
/// Cycles kept of an aperiodic motion.
const POOL: usize = 128;
/// Cycles from ramp or break to the stretch of an aperiodic motion.
const BEFORE_POOL: usize = 16;
/// Most cycles simulated after the drive's end, and the change of R³ over a cycle, as a share of the
/// largest, below which the bubble is called at rest before that; the last cycle fades out.
const RING: usize = 48;
const RESTING: f64 = 1e-4;
/// A burst of so many cycles more than its two ramps, or fewer, is simulated whole.
const WHOLE: usize = 160;
/// Largest difference of ln x and of its speed between states that are called equal: small enough to see
/// a longer period begin from what the ramp leaves of it.
const EQUAL: Pair = [2e-7, 2e-6];
/// Difference of ln x that the integrator's own errors can make.
const ROUNDING: f64 = 1e-8;
/// Least difference of ln x between states that are called different.
const PLAIN: f64 = 1e-3;
/// Tolerance of the integrator.
const TOLERANCE: f64 = 1e-8;

/// What is played between head and tail.
#[derive(Debug, Clone)]
pub(super) enum Body {
    /// Nothing: the head is the whole burst.
    Whole,
    /// A period of so many cycles.
    Loop(usize),
    /// So many cycles of an aperiodic motion.
    Pool(usize),
}

/// What one bubble does at one local pressure, from the arrival of the drive on.
#[derive(Debug, Clone)]
pub struct Cell {
    /// Largest radius over that at rest.
    pub largest_ratio: f64,
    /// Period of the steady part, cycles of the drive; none: aperiodic, or the burst is too short.
    pub period_cycles: Option<usize>,
    /// When the shell breaks, cycles after the drive's arrival.
    pub broken_cycle: Option<f64>,
    /// Radius at rest after the pulse, over that before; below 1 where the shell broke.
    pub later_share: f64,
    /// Inertial collapses before the steady part, and the cycles in which they lie; where the whole
    /// burst is simulated, all of it, and what the ringing after it adds.
    pub early_collapses: u32,
    pub(super) early_cycles: usize,
    /// Inertial collapses a cycle of the steady part.
    pub collapses_per_cycle: f64,
    /// Cycles of head and tail.
    pub(super) head_cycles: usize,
    pub(super) tail_cycles: usize,
    pub(super) body_kind: Body,
    pub(super) head: Stretch,
    pub(super) body: Stretch,
    pub(super) tail: Stretch,
}

/// What all cells of a library share.
#[derive(Debug, Clone)]
pub(super) struct Mould {
    liquid: Liquid,
    frequency_hz: f64,
    ramp_s: f64,
    /// Cycles of the burst; of its end, which are the ramp's and one more.
    pub(super) burst_cycles: usize,
    pub(super) ramp_cycles: usize,
    pub(super) filter: Filter,
}

/// A motion and R³ − 1 of it so far.
struct Recorder {
    motion: Motion,
    cubes: Vec<f64>,
    fine: usize,
    cycle_s: f64,
    /// States and inertial collapses at whole cycles.
    states: Vec<Pair>,
    collapses: Vec<u32>,
}

impl Recorder {
    /// Simulates on to the end of so many cycles.
    fn run(&mut self, cycles: usize) -> Result<(), BubbleError> {
        let points = cycles * self.fine;
        while self.cubes.len() <= points {
            let place = self.cubes.len();
            let time_s = self.cycle_s * as_f64(place) / as_f64(self.fine);
            let state = self.motion.state(time_s)?;
            if place.is_multiple_of(self.fine) {
                self.states.push(state);
                self.collapses.push(self.motion.course().inertial_collapses);
            }
            self.cubes.push(libm::exp(3.0 * state[0]) - 1.0);
        }
        Ok(())
    }

    /// Simulates the ringing after the drive's end in a cycle, to rest; gives the last cycle.
    fn ring(&mut self, end: usize) -> Result<usize, BubbleError> {
        let range = |cubes: &[f64]| {
            let least = cubes.iter().copied().fold(f64::INFINITY, f64::min);
            cubes.iter().copied().fold(f64::NEG_INFINITY, f64::max) - least
        };
        self.run(end)?;
        let whole = range(&self.cubes);
        for cycle in end + 1..end + RING {
            self.run(cycle)?;
            if range(&self.cubes[(cycle - 1) * self.fine..]) < RESTING * whole {
                return Ok(cycle);
            }
        }
        Ok(end + RING)
    }
}

/// The period of the states at whole cycles, where there is one: they are equal a period apart, come ever
/// closer, and are plainly different at every part of it. Else a slow approach to a period of 1, from both
/// sides in turn or around it, would be taken for a longer one and be heard as a subharmonic, and the slow
/// start of a longer one for a period of 1.
pub(super) fn period(states: &[Pair]) -> Option<usize> {
    let apart = |period: usize, window: usize, back: usize| {
        let late = states.iter().rev().skip(back).take(window);
        let pairs = late.zip(states.iter().rev().skip(back + period));
        pairs.fold([0.0, 0.0], |[y, v]: Pair, (a, b)| {
            [y.max((a[0] - b[0]).abs()), v.max((a[1] - b[1]).abs())]
        })
    };
    let found = PERIODS.into_iter().find(|&period| {
        let window = period + 2;
        let [y, v] = apart(period, window, 0);
        states.len() > 2 * window + period && y < EQUAL[0] && v < EQUAL[1]
    })?;
    let [now, before] = [0, found + 2].map(|back| apart(found, found + 2, back)[0]);
    let closer = now < before || now < ROUNDING;
    let mut parts = PERIODS.into_iter().filter(|part| *part < found && found.is_multiple_of(*part));
    (closer && parts.all(|part| apart(part, found, 0)[0] > PLAIN)).then_some(found)
}

/// Whether states a period apart have lately been as close as that, for some period.
fn nears(states: &[Pair], close: f64) -> bool {
    PERIODS.into_iter().any(|period| {
        let late = states.iter().rev().take(CLOSE_FOR);
        late.zip(states.iter().rev().skip(period)).all(|(a, b)| (a[0] - b[0]).abs() < close)
    })
}

impl Mould {
    /// For cells of these numbers, which were checked.
    pub(super) fn new(
        liquid: Liquid,
        [frequency_hz, sample_rate_hz]: [f64; 2],
        ramp_s: f64,
        burst_cycles: usize,
    ) -> Self {
        let ramp_cycles = usize_of(libm::ceil(ramp_s * frequency_hz - 1e-6)) + 1;
        let filter = Filter::new(frequency_hz, sample_rate_hz);
        Self { liquid, frequency_hz, ramp_s, burst_cycles, ramp_cycles, filter }
    }

    /// Makes a cell.
    pub(super) fn cell(&self, bubble: &Bubble, pressure_pa: f64) -> Result<Cell, BubbleError> {
        let whole = self.burst_cycles <= WHOLE + 2 * self.ramp_cycles;
        let cycle_s = 1.0 / self.frequency_hz;
        let duration_s = if whole { as_f64(self.burst_cycles) * cycle_s } else { f64::INFINITY };
        let frequency_hz = self.frequency_hz;
        // Two ramps that fill the burst may be longer than it by rounding.
        let ramp_s = self.ramp_s.min(0.5 * duration_s);
        let drive = Drive::Burst { frequency_hz, pressure_pa, ramp_s, duration_s };
        let motion = Motion::new(&self.liquid, bubble, &drive, Model::KellerMiksis)?
            .with_tolerance(TOLERANCE)?;
        let fine = self.filter.fine();
        let (cubes, states, collapses) = (Vec::new(), Vec::new(), Vec::new());
        let mut recorder = Recorder { motion, cubes, fine, cycle_s, states, collapses };
        if whole { self.whole(&mut recorder, bubble) } else { self.long(&mut recorder, bubble) }
    }

    /// A burst that is simulated from start to end.
    fn whole(&self, recorder: &mut Recorder, bubble: &Bubble) -> Result<Cell, BubbleError> {
        let cycles = recorder.ring(self.burst_cycles)?;
        recorder.run(cycles + self.filter.margin())?;
        let mut cell = self.blank(&recorder.motion);
        cell.early_collapses = recorder.motion.course().inertial_collapses;
        cell.early_cycles = self.burst_cycles;
        cell.head_cycles = cycles;
        cell.head = self.stretch(bubble, &recorder.cubes, 0, cycles);
        cell.head.fade(self.filter.grid);
        Ok(cell)
    }

    /// A burst of head, period or stretch, and tail.
    fn long(&self, recorder: &mut Recorder, bubble: &Bubble) -> Result<Cell, BubbleError> {
        let mut cycles = self.ramp_cycles + SETTLE;
        let end = self.burst_cycles - self.ramp_cycles;
        let found = loop {
            recorder.run(cycles)?;
            let settled = self.unsettled(&recorder.motion) + SETTLE;
            let found = period(&recorder.states).filter(|_| cycles >= settled);
            let waited = cycles - self.ramp_cycles;
            let last = waited >= PATIENT.min(end - self.ramp_cycles - 2);
            if found.is_some() || last || waited >= SEARCH && !nears(&recorder.states, CLOSE) {
                break found;
            }
            cycles += 2;
        };
        let points = self.burst_cycles * self.filter.grid;
        if found.is_none() && points <= MOST_POINTS && nears(&recorder.states, CREEPING) {
            recorder.motion.end_drive(as_f64(self.burst_cycles) * recorder.cycle_s);
            return self.whole(recorder, bubble);
        }
        let (head, kept) = match found {
            Some(period) => (cycles, period),
            None => {
                let settled = self.unsettled(&recorder.motion) + BEFORE_POOL;
                let head = settled.max(cycles.saturating_sub(POOL - 1)).min(end - 1);
                // Odd and even cycles of the burst stay odd and even in the stretch before the tail.
                (head, POOL - (end - head) % 2)
            }
        };
        let tail_from = head + found.map_or(kept, |period| (end - head) % period);
        recorder.run(tail_from)?;
        let tail = self.tail(recorder, bubble, tail_from)?;
        recorder.run(head + kept + self.filter.margin())?;
        let mut cell = self.blank(&recorder.motion);
        let (early, later) = (recorder.collapses[head], recorder.collapses[head + kept]);
        cell.early_collapses = early;
        cell.early_cycles = head;
        cell.collapses_per_cycle = f64::from(later - early) / as_f64(kept);
        cell.period_cycles = found;
        cell.head_cycles = head;
        cell.body_kind = found.map_or(Body::Pool(kept), Body::Loop);
        // An aperiodic head is faded into the stretch over one more cycle.
        cell.head = self.stretch(bubble, &recorder.cubes, 0, head + 1);
        cell.body = self.stretch(bubble, &recorder.cubes, head, kept);
        if found.is_some() {
            cell.body.close();
        }
        (cell.tail, cell.tail_cycles) = tail;
        Ok(cell)
    }

    /// The cycle from which nothing happens but what the drive forces.
    fn unsettled(&self, motion: &Motion) -> usize {
        let broken = motion.course().broken_s.map_or(0.0, |time_s| time_s * self.frequency_hz);
        self.ramp_cycles.max(usize_of(libm::ceil(broken)))
    }

    /// The end of the drive, from the state at a cycle on.
    fn tail(
        &self,
        recorder: &mut Recorder,
        bubble: &Bubble,
        from: usize,
    ) -> Result<(Stretch, usize), BubbleError> {
        let mut ending = Recorder {
            motion: recorder.motion.clone(),
            cubes: recorder.cubes[..=from * recorder.fine].to_vec(),
            states: Vec::new(),
            collapses: Vec::new(),
            ..*recorder
        };
        ending.motion.end_drive(as_f64(from + self.ramp_cycles) * recorder.cycle_s);
        let cycles = ending.ring(from + self.ramp_cycles)? - from;
        ending.run(from + cycles + self.filter.margin())?;
        let mut tail = self.stretch(bubble, &ending.cubes, from, cycles);
        tail.fade(self.filter.grid);
        Ok((tail, cycles))
    }

    fn blank(&self, motion: &Motion) -> Cell {
        let course = motion.course();
        Cell {
            largest_ratio: course.largest_ratio,
            period_cycles: None,
            broken_cycle: course.broken_s.map(|time_s| time_s * self.frequency_hz),
            later_share: course.broken_s.map_or(1.0, |_| motion.rest_share()),
            early_collapses: 0,
            early_cycles: 0,
            collapses_per_cycle: 0.0,
            head_cycles: 0,
            tail_cycles: 0,
            body_kind: Body::Whole,
            head: Stretch::default(),
            body: Stretch::default(),
            tail: Stretch::default(),
        }
    }

    /// p·r of `cycles` cycles from one on.
    fn stretch(&self, bubble: &Bubble, cubes: &[f64], from: usize, cycles: usize) -> Stretch {
        let radius = bubble.radius_m;
        let scale = self.liquid.density_kg_per_m3 / 3.0 * radius * radius * radius;
        self.filter.stretch(cubes, from, cycles, scale)
    }
}
