//! One bubble in motion, from rest at time 0.
//!
//! The integrator's unknowns are ln(R/R0) and its slope: gas and tension are then exponentials that do not
//! wait for a logarithm, a step takes two thirds of the time, and no radius can be negative. A step is
//! refused when its error is above tolerance·(1 + |value|). Largest error of R/R0 against a tolerance of
//! 1e-13, and steps a cycle, 2 µm at 1 MHz and 100 kPa over 20 cycles, 1.5 µm at 0.7 MHz and 300 kPa (a
//! strong collapse in every cycle) over 60:
//!
//! | tolerance | weak: error | steps | strong: error | steps |
//! |---|---|---|---|---|
//! | 1e-6  | 4.7e-5  | 38  | 8.1e-5  | 107 |
//! | 1e-7  | 8.7e-7  | 54  | 6.5e-5  | 136 |
//! | 1e-8  | 6.5e-8  | 66  | 5.1e-6  | 171 |
//! | 1e-10 | 9.5e-10 | 108 | 2.4e-8  | 293 |
//! | 1e-12 | 6.4e-12 | 171 | 1.3e-10 | 391 |
//!
//! 1e-10 is what a motion has unless asked otherwise. The library takes 1e-8, for 0.6 of the steps: its
//! error is then 5e-6 of the radius, 100 dB under the motion.

use super::equation::{Equation, unit_s};
use super::liquid::{Bubble, BubbleError, Drive, Liquid, within};
use super::step::{Pair, Step, Trial};

/// Error of a step over (1 + |value|), for radius over radius at rest and speed without dimension.
pub(super) const TOLERANCE: f64 = 1e-10;
/// Largest and smallest tolerance.
const TOLERANCES: [f64; 2] = [1e-13, 1e-3];
/// Most steps between two times that are asked for.
const MOST_STEPS: u64 = 200_000;
/// First step, and the smallest over the time so far, without dimension.
const FIRST_STEP: f64 = 1e-4;
const LEAST_STEP: f64 = 1e-14;
/// An expansion to more than so many radii at rest, then a collapse below that radius, is counted as
/// inertial: Flynn 1975 and Apfel 1981, Rmax/R0 of about 2; from memory. A bubble whose shell broke rests
/// at a smaller radius from then on, that of its gas in a free bubble.
pub const INERTIAL_RATIO: f64 = 2.0;
/// How far ln x may lie beyond the bounds of an equation: a bubble that comes to rest on a kink of its
/// shell's tension would change sides for ever. The tension is off by so small a share then.
const SLACK: f64 = 1e-12;
/// Latest time, s.
const LATEST_S: f64 = 100.0;

/// Which equation a bubble without shell obeys.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Keller and Miksis 1980: the liquid has a sound speed.
    KellerMiksis,
    /// Rayleigh and Plesset: it has none.
    RayleighPlesset,
}

/// The bubble's wall at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wall {
    /// Time, s.
    pub time_s: f64,
    /// Radius, m.
    pub radius_m: f64,
    /// Its speed, m/s.
    pub speed_m_per_s: f64,
    /// Its acceleration, m/s².
    pub acceleration_m_per_s2: f64,
    /// Radiated pressure times distance, ρ(R²R̈ + 2RṘ²), Pa·m.
    pub pressure_pa_m: f64,
}

/// A largest or smallest radius on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// When, s.
    pub time_s: f64,
    /// Radius over that at rest; after a shell broke, over that of the free bubble that is left.
    pub ratio: f64,
    /// Whether it is a largest one.
    pub largest: bool,
}

/// What happened so far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Largest radius over that at rest at its time: after a shell broke, of the free bubble that is left.
    pub largest_ratio: f64,
    /// Collapses after an expansion beyond [`INERTIAL_RATIO`].
    pub inertial_collapses: u32,
    /// When the shell broke, s.
    pub broken_s: Option<f64>,
    /// The last largest or smallest radius.
    pub turn: Option<Turn>,
    /// Steps taken or refused.
    pub steps: u64,
}

/// A bubble that moves.
#[derive(Debug, Clone)]
pub struct Motion {
    equation: Equation,
    step: Step,
    next: f64,
    tolerance: f64,
    unit_s: f64,
    radius_m: f64,
    density_kg_per_m3: f64,
    pressure_pa: f64,
    /// Radius at which it rests now over that at the start: 1 until a shell breaks.
    rest: f64,
    expanded: bool,
    course: Course,
    keep: Option<Vec<Turn>>,
    /// The step that was cut last and its equation, for times before the cut.
    cut: Option<(Step, Equation)>,
}

impl Motion {
    /// A bubble at rest at time 0.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] where a number does not fit.
    pub fn new(
        liquid: &Liquid,
        bubble: &Bubble,
        drive: &Drive,
        model: Model,
    ) -> Result<Self, BubbleError> {
        let equation = Equation::new(liquid, bubble, drive, model)?;
        let rest = [0.0, 0.0];
        let step = Step::rest(0.0, rest, equation.slope(0.0, rest));
        let course = Course {
            largest_ratio: 1.0,
            inertial_collapses: 0,
            broken_s: None,
            turn: None,
            steps: 0,
        };
        Ok(Self {
            equation,
            step,
            next: FIRST_STEP,
            tolerance: TOLERANCE,
            unit_s: unit_s(liquid, bubble.radius_m),
            radius_m: bubble.radius_m,
            density_kg_per_m3: liquid.density_kg_per_m3,
            pressure_pa: drive.pressure_pa(),
            rest: 1.0,
            expanded: false,
            course,
            keep: None,
            cut: None,
        })
    }

    /// With another tolerance than 1e-10.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] outside 1e-13 to 1e-3.
    pub fn with_tolerance(mut self, tolerance: f64) -> Result<Self, BubbleError> {
        self.tolerance = within("tolerance", tolerance, TOLERANCES)?;
        Ok(self)
    }

    /// Keeps every turn until [`Motion::take_turns`].
    #[must_use]
    pub fn keeping_turns(mut self) -> Self {
        self.keep = Some(Vec::new());
        self
    }

    /// The turns since the last call, where they are kept.
    pub fn take_turns(&mut self) -> Vec<Turn> {
        self.keep.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// What happened so far.
    #[must_use]
    pub const fn course(&self) -> Course {
        self.course
    }

    /// The wall at a time; times must not fall by more than a step.
    ///
    /// # Errors
    /// [`BubbleError`]: backwards, later than 100 s, or where the model ends.
    pub fn at(&mut self, time_s: f64) -> Result<Wall, BubbleError> {
        let slopes = |equation: &Equation, time, state| (state, equation.slope(time, state));
        let ([y, v], [_, slope]) = self.view(time_s, slopes)?;
        let x = libm::exp(y);
        let (u, a) = (x * v, x * (slope + v * v));
        let speed_unit = self.radius_m / self.unit_s;
        let (radius, speed) = (x * self.radius_m, u * speed_unit);
        let acceleration = a * speed_unit / self.unit_s;
        let volume = radius * radius * acceleration + 2.0 * radius * speed * speed;
        Ok(Wall {
            time_s,
            radius_m: radius,
            speed_m_per_s: speed,
            acceleration_m_per_s2: acceleration,
            pressure_pa_m: self.density_kg_per_m3 * volume,
        })
    }

    /// ln x of the radius over that at rest, and its speed, without dimension.
    pub(super) fn state(&mut self, time_s: f64) -> Result<Pair, BubbleError> {
        self.view(time_s, |_, _, state| state)
    }

    /// What `of` makes of the equation that holds at a time, the time without dimension and the state.
    fn view<T>(
        &mut self,
        time_s: f64,
        of: impl FnOnce(&Equation, f64, Pair) -> T,
    ) -> Result<T, BubbleError> {
        within("time_s", time_s, [0.0, LATEST_S])?;
        let time = time_s / self.unit_s;
        self.reach(time)?;
        let now = (&mut self.step, &self.equation);
        let (step, equation) = match &mut self.cut {
            Some((step, equation)) if time < now.0.from => (step, &*equation),
            _ => now,
        };
        let state = step.at(time, |time, state| equation.slope(time, state));
        Ok(of(equation, time, state))
    }

    /// Lets the drive end at a time under its ramp, which must not have begun.
    pub(super) fn end_drive(&mut self, time_s: f64) {
        self.equation.end_drive(time_s / self.unit_s);
    }

    /// The radius at which the gas would rest without shell, over that at the start.
    pub(super) fn rest_share(&self) -> f64 {
        self.equation.rest_share()
    }

    fn reach(&mut self, time: f64) -> Result<(), BubbleError> {
        let from = self.cut.as_ref().map_or(self.step.from, |(step, _)| step.from);
        if time < from {
            let reached_s = from * self.unit_s;
            return Err(BubbleError::Backwards { time_s: time * self.unit_s, reached_s });
        }
        let most = self.course.steps + MOST_STEPS;
        loop {
            let now = self.step.from + self.step.length;
            if self.step.length > 0.0 {
                self.cut = None;
            }
            if now >= time {
                return Ok(());
            }
            if self.course.steps >= most {
                return Err(BubbleError::Steps {
                    radius_m: self.radius_m,
                    pressure_pa: self.pressure_pa,
                    time_s: now * self.unit_s,
                    steps: MOST_STEPS,
                });
            }
            self.course.steps += 1;
            let kink = self.equation.next_kink(now);
            let wanted = self.next.min(self.equation.longest_step());
            // A step that would end just before a kink is stretched to it.
            let length = if now + 1.01 * wanted >= kink { kink - now } else { wanted };
            let equation = &self.equation;
            match self.step.advance(length, self.tolerance, |t, y| equation.slope(t, y)) {
                Trial::Refused { next } => {
                    self.next = next;
                    if next < LEAST_STEP * now.max(1.0) {
                        return Err(self.underflow(now, next));
                    }
                }
                Trial::Taken { next } => {
                    self.next = if length < wanted { next.max(self.next) } else { next };
                    self.look();
                }
            }
        }
    }

    fn underflow(&self, now: f64, step: f64) -> BubbleError {
        BubbleError::Underflow {
            radius_m: self.radius_m,
            pressure_pa: self.pressure_pa,
            time_s: now * self.unit_s,
            share: libm::exp(self.step.end()[0]),
            step_s: step * self.unit_s,
        }
    }

    /// Looks at the step just taken for a turn, and for where the equation stops to hold.
    fn look(&mut self) {
        let ([_, u0], [y1, u1]) = (self.step.start(), self.step.end());
        let (from, end) = (self.step.from, self.step.from + self.step.length);
        let bounds = self.equation.bounds();
        if (u0 > 0.0) == (u1 > 0.0) || u0.abs() <= 0.0 {
            return self.leave(bounds, y1, [from, end]);
        }
        let time = self.root(|[_, u]| u, u0 > 0.0, [from, end]);
        let equation = &self.equation;
        let [y, _] = self.step.at(time, |t, y| equation.slope(t, y));
        if y < bounds[0] - SLACK || y > bounds[1] + SLACK {
            return self.leave(bounds, y, [from, time]);
        }
        let ratio = self.ratio(y);
        self.turn(Turn { time_s: time * self.unit_s, ratio, largest: u0 > 0.0 });
        self.leave(bounds, y1, [time, end]);
    }

    /// Where the radius, which only rises or only falls between two times, leaves the bounds of the
    /// equation at y: cuts the step there and goes on with the next equation.
    fn leave(&mut self, [low, high]: [f64; 2], y: f64, times: [f64; 2]) {
        if y >= low - SLACK && y <= high + SLACK {
            self.course.largest_ratio = self.course.largest_ratio.max(self.ratio(y));
            return;
        }
        let upwards = y > high;
        let bound = if upwards { high } else { low };
        let time = self.root(|[y, _]| y - bound, !upwards, times);
        let equation = &self.equation;
        let state = self.step.at(time, |t, y| equation.slope(t, y));
        let before = self.equation;
        if self.equation.pass(upwards) {
            self.course.broken_s = Some(time * self.unit_s);
            self.rest = self.equation.rest_share();
        }
        self.course.largest_ratio = self.course.largest_ratio.max(self.ratio(state[0]));
        // Its interpolation is complete, finding the time asked for it.
        let rest = Step::rest(time, state, self.equation.slope(time, state));
        self.cut = Some((std::mem::replace(&mut self.step, rest), before));
    }

    /// The radius over that at rest now.
    fn ratio(&self, y: f64) -> f64 {
        libm::exp(y) / self.rest
    }

    fn turn(&mut self, turn: Turn) {
        self.course.turn = Some(turn);
        if let Some(turns) = &mut self.keep {
            turns.push(turn);
        }
        if turn.largest {
            self.course.largest_ratio = self.course.largest_ratio.max(turn.ratio);
            self.expanded |= turn.ratio > INERTIAL_RATIO;
        } else if self.expanded && turn.ratio < 1.0 {
            self.course.inertial_collapses += 1;
            self.expanded = false;
        }
    }

    /// Where in the step, between two times, a value changes its sign; `falling` from above to below 0.
    fn root(
        &mut self,
        value: impl Fn(Pair) -> f64,
        falling: bool,
        [mut low, mut high]: [f64; 2],
    ) -> f64 {
        let equation = &self.equation;
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            let found = value(self.step.at(middle, |t, y| equation.slope(t, y)));
            if (found > 0.0) == falling { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }
}
