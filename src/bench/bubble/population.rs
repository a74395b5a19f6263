//! The bubbles in the focal volume from pulse to pulse.
//!
//! The volume is the part of a straight channel, along x through the focus, where the pressure on its
//! axis is at least a stated share of the focal one. Bubbles flow through it at one speed; within a burst
//! they stand still (20 mm/s move 0.08 mm in 4 ms). They come in as a Poisson process with the
//! concentration that the inflow has: after an injection at time 0 it is
//! (1 − exp(−t/wash-in))·exp(−t/wash-out); injections add up. Radii are log-normal.
//!
//! A shell that breaks leaves a free bubble with the same gas, at rest at a smaller radius. A free bubble
//! dissolves after an exponential time. A bubble is destroyed when it has collapsed inertially more often
//! than it survives, an exponential number; its sound ends then. Bubbles do not hear each other.

use rand_core::Rng as _;
use rand_pcg::Pcg64;

use super::super::noise::{Ziggurat, generator, share};
use super::cell::Cell;
use super::field::Focus;
use super::library::Library;
use super::liquid::{BubbleError, MOST_DRIVE_PA, within};
use crate::signal::as_f64;

/// Most bubbles in the volume, on average.
const MOST_BUBBLES: f64 = 1e5;
/// Most injections.
pub const MOST_INJECTIONS: usize = 4096;
/// A bolus that brings less than this share of its full concentration has gone.
const GONE: f64 = 1e-12;
/// Longest time that is told from an endless one, s.
const LONGEST_S: f64 = 1e9;
/// Names of the generators.
const FLOW: u64 = 1;

/// What bubbles there are and how they come and go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PopulationSpec {
    /// Median radius, m.
    pub median_radius_m: f64,
    /// Standard deviation of the radius's natural logarithm.
    pub radius_sigma: f64,
    /// Mean number in the volume where the inflow has its full concentration.
    pub bubbles_mean: f64,
    /// Share of those that flow in without a shell.
    pub free_share: f64,
    /// Mean life of a free bubble until it has dissolved, s; counted from when it flows in, or from
    /// the pulse that broke its shell.
    pub free_life_s: f64,
    /// Mean number of inertial collapses that a bubble survives.
    pub collapses_survived: f64,
    /// Speed of the flow along x, m/s.
    pub flow_m_per_s: f64,
    /// Time constant with which a bolus's concentration rises, s; 0: at once.
    pub wash_in_s: f64,
    /// Time constant with which it falls, s; infinite: an inflow that stays.
    pub wash_out_s: f64,
    /// Radius of the channel, m.
    pub channel_radius_m: f64,
    /// Share of the focal pressure at which the volume ends along x.
    pub least_share: f64,
    /// The focus.
    pub focus: Focus,
}

impl PopulationSpec {
    /// The bench's population. Radii: median 1.25 µm, number-weighted means of lipid agents are 1.1 to
    /// 3.3 µm in diameter (published; from memory); σ 0.35, common practice, no source. The rest
    /// is chosen, without a source: 100 bubbles, one in twenty without shell as it flows in, 0.25 s
    /// until a free one has dissolved, 1000 collapses survived.
    #[must_use]
    pub const fn bench(focus: Focus) -> Self {
        Self {
            median_radius_m: 1.25e-6,
            radius_sigma: 0.35,
            bubbles_mean: 100.0,
            free_share: 0.05,
            free_life_s: 0.25,
            collapses_survived: 1000.0,
            flow_m_per_s: 0.02,
            wash_in_s: 0.0,
            wash_out_s: f64::INFINITY,
            channel_radius_m: 1.5e-3,
            least_share: 0.3,
            focus,
        }
    }

    /// Checks every number.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names the first that does not fit.
    pub fn check(&self) -> Result<(), BubbleError> {
        self.focus.check()?;
        within("median_radius_m", self.median_radius_m, [1e-7, 5e-5])?;
        within("radius_sigma", self.radius_sigma, [0.0, 1.5])?;
        within("bubbles_mean", self.bubbles_mean, [0.0, MOST_BUBBLES])?;
        within("free_share", self.free_share, [0.0, 1.0])?;
        within("free_life_s", self.free_life_s, [1e-6, f64::INFINITY])?;
        within("collapses_survived", self.collapses_survived, [0.0, f64::INFINITY])?;
        within("flow_m_per_s", self.flow_m_per_s, [1e-5, 10.0])?;
        within("wash_in_s", self.wash_in_s, [0.0, LONGEST_S])?;
        within("wash_out_s", self.wash_out_s, [1e-6, f64::INFINITY])?;
        within("channel_radius_m", self.channel_radius_m, [1e-6, 0.1])?;
        within("least_share", self.least_share, [0.01, 0.99])?;
        Ok(())
    }

    /// How far from the focus a bubble can be, m.
    #[must_use]
    pub fn furthest_m(&self) -> f64 {
        libm::hypot(self.half_length_m(), self.channel_radius_m)
    }

    /// Half of the volume's length along the flow, m.
    #[must_use]
    pub fn half_length_m(&self) -> f64 {
        self.focus.lateral_m(self.least_share)
    }

    /// The lowest share of the focal pressure in the volume.
    #[must_use]
    pub fn faintest_share(&self) -> f64 {
        let across = [[self.channel_radius_m, 0.0], [0.0, self.channel_radius_m]];
        let shares = across.map(|[y, z]| self.focus.share([self.half_length_m(), y, z]));
        shares[0].min(shares[1])
    }
}

/// A bubble in one pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Present {
    /// Radius at rest, m.
    pub radius_m: f64,
    /// Where it is, m; the focus is the origin, the beam runs along z, the flow along x.
    pub position_m: [f64; 3],
    /// Whether it has a shell when the pulse comes.
    pub coated: bool,
    /// Amplitude of the drive there, Pa.
    pub pressure_pa: f64,
    /// Its cell of the library.
    pub cell: usize,
    /// Cycle of the drive in which it is destroyed.
    pub ends_cycle: Option<usize>,
    /// What its random numbers come from.
    pub seed: u64,
}

/// A bubble on its way through the volume.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bubble {
    radius_m: f64,
    position_m: [f64; 3],
    coated: bool,
    /// Inertial collapses it still survives, and time until it has dissolved once it is free, s.
    collapses_left: f64,
    life_left_s: f64,
}

/// The bubbles in the volume as time goes on.
#[derive(Debug, Clone)]
pub struct Population {
    spec: PopulationSpec,
    time_s: f64,
    injections_s: Vec<f64>,
    bubbles: Vec<Bubble>,
    ziggurat: Ziggurat,
    random: Pcg64,
}

impl Population {
    /// No bubbles yet, at time 0.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names what does not fit.
    pub fn new(spec: PopulationSpec, seed: u64) -> Result<Self, BubbleError> {
        spec.check()?;
        let (ziggurat, random) = (Ziggurat::new(), generator([seed, FLOW, 0]));
        let (injections_s, bubbles) = (Vec::new(), Vec::new());
        Ok(Self { spec, time_s: 0.0, injections_s, bubbles, ziggurat, random })
    }

    /// Adds a bolus whose inflow begins at a time; 0 or later, at or after the last pulse.
    ///
    /// # Errors
    /// [`BubbleError`]: a time before the last pulse or not finite, more than 4096 boluses that
    /// have not gone.
    pub fn inject(&mut self, time_s: f64) -> Result<(), BubbleError> {
        self.later(time_s)?;
        within("injections", as_f64(self.injections_s.len()), [0.0, as_f64(MOST_INJECTIONS - 1)])?;
        self.injections_s.push(time_s);
        Ok(())
    }

    /// The bubbles that a pulse at a time meets; what it does to them holds from the next one on.
    /// Without drive they are there and silent.
    ///
    /// # Errors
    /// [`BubbleError`]: a time before the last one, a drive out of bounds, a cell that cannot be made.
    pub fn pulse(
        &mut self,
        library: &Library,
        time_s: f64,
        drive_pa: f64,
    ) -> Result<Vec<Present>, BubbleError> {
        self.later(time_s)?;
        within("drive_pa", drive_pa, [0.0, MOST_DRIVE_PA])?;
        self.flow(time_s - self.time_s);
        self.enter(time_s);
        self.time_s = time_s;
        let (spec, random) = (&self.spec, &mut self.random);
        let burst = library.burst_cycles();
        let mut presents = Vec::with_capacity(self.bubbles.len());
        let mut left = Vec::with_capacity(self.bubbles.len());
        for bubble in &self.bubbles {
            let pressure_pa = drive_pa * spec.focus.share(bubble.position_m);
            let Bubble { radius_m, position_m, coated, .. } = *bubble;
            let cell = library.index(coated, radius_m, pressure_pa);
            let seed = random.next_u64();
            let mut present =
                Present { radius_m, position_m, coated, pressure_pa, cell, ends_cycle: None, seed };
            if drive_pa > 0.0 {
                let cell = library.cell(cell)?;
                present.ends_cycle = cell.end_of(bubble.collapses_left, burst);
                left.extend(present.ends_cycle.is_none().then(|| bubble.after(cell, burst)));
            } else {
                left.push(*bubble);
            }
            presents.push(present);
        }
        self.bubbles = left;
        Ok(presents)
    }

    /// How many bubbles are in the volume after the last pulse.
    #[must_use]
    pub fn count(&self) -> usize {
        self.bubbles.len()
    }

    fn later(&self, time_s: f64) -> Result<(), BubbleError> {
        within("time_s", time_s, [0.0, LONGEST_S])?;
        if time_s < self.time_s {
            return Err(BubbleError::Backwards { time_s, reached_s: self.time_s });
        }
        Ok(())
    }

    /// Lets time pass for the bubbles that are here.
    fn flow(&mut self, passed_s: f64) {
        let (end, way) = (self.spec.half_length_m(), self.spec.flow_m_per_s * passed_s);
        self.bubbles.retain_mut(|bubble| {
            bubble.position_m[0] += way;
            if !bubble.coated {
                bubble.life_left_s -= passed_s;
            }
            bubble.position_m[0] <= end && bubble.life_left_s > 0.0
        });
    }

    /// Concentration of the inflow at a time, over the full one.
    fn concentration(&self, time_s: f64) -> f64 {
        let of = |injected_s: &f64| {
            let since = time_s - injected_s;
            if since < 0.0 {
                return 0.0;
            }
            let risen = if self.spec.wash_in_s > 0.0 {
                1.0 - libm::exp(-since / self.spec.wash_in_s)
            } else {
                1.0
            };
            risen * libm::exp(-since / self.spec.wash_out_s)
        };
        self.injections_s.iter().map(of).sum()
    }

    /// Lets in what came since the last time and is still here.
    fn enter(&mut self, time_s: f64) {
        let (length, speed) = (2.0 * self.spec.half_length_m(), self.spec.flow_m_per_s);
        let window_s = (time_s - self.time_s).min(length / speed);
        let (begin_s, wash_out_s) = (time_s - window_s, self.spec.wash_out_s);
        // Else a long day of injections would be drawn, and thrown away, at each of its pulses.
        self.injections_s
            .retain(|injected_s| libm::exp((injected_s - begin_s) / wash_out_s) > GONE);
        let injected = self.injections_s.iter().filter(|injected_s| **injected_s <= time_s);
        let most = as_f64(injected.count());
        if most < 1.0 || window_s.is_nan() || window_s <= 0.0 {
            return;
        }
        let mean = self.spec.bubbles_mean * most * window_s * speed / length;
        for _ in 0..poisson(mean, &mut self.random) {
            let since_s = window_s * share(&mut self.random);
            let chance = self.concentration(time_s - since_s) / most;
            let mut bubble = self.draw(since_s * speed);
            if !bubble.coated {
                bubble.life_left_s -= since_s;
            }
            // Drawn in any case, so that a chance does not move the numbers of the others.
            if share(&mut self.random) < chance && bubble.life_left_s > 0.0 {
                self.bubbles.push(bubble);
            }
        }
    }

    /// A bubble that entered so far upstream.
    fn draw(&mut self, way_m: f64) -> Bubble {
        let (spec, random) = (&self.spec, &mut self.random);
        let radius_m =
            spec.median_radius_m * libm::exp(spec.radius_sigma * self.ziggurat.draw(random));
        let across = spec.channel_radius_m * libm::sqrt(share(random));
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * share(random));
        let coated = share(random) >= spec.free_share;
        let collapses_left = spec.collapses_survived * exponential(random);
        let life_left_s = spec.free_life_s * exponential(random);
        let position_m = [way_m - spec.half_length_m(), across * cos, across * sin];
        Bubble { radius_m, position_m, coated, collapses_left, life_left_s }
    }
}

impl Bubble {
    /// What is left of it after a burst in which it did what the cell says.
    fn after(&self, cell: &Cell, burst_cycles: usize) -> Self {
        Self {
            radius_m: self.radius_m * cell.later_share,
            coated: self.coated && cell.broken_cycle.is_none(),
            collapses_left: self.collapses_left - cell.collapses(burst_cycles),
            ..*self
        }
    }
}

impl Cell {
    /// The cycle in which a bubble that survives so many more collapses is destroyed.
    fn end_of(&self, collapses_left: f64, burst_cycles: usize) -> Option<usize> {
        if self.collapses(burst_cycles) <= collapses_left {
            return None;
        }
        // collapses() rises, so that the first cycle above can be found by halving.
        let (mut low, mut high) = (0, burst_cycles);
        while high - low > 1 {
            let middle = usize::midpoint(low, high);
            if self.collapses(middle) > collapses_left { high = middle } else { low = middle }
        }
        Some(high)
    }
}

/// An exponential number of mean 1.
fn exponential(random: &mut Pcg64) -> f64 {
    (-libm::log(1.0 - share(random))).max(f64::MIN_POSITIVE)
}

/// A Poisson number: arrivals of rate 1 until `mean`.
fn poisson(mean: f64, random: &mut Pcg64) -> usize {
    let (mut count, mut time) = (0, exponential(random));
    while time < mean {
        count += 1;
        time += exponential(random);
    }
    count
}
