//! The library of single bubbles: cells over radius at rest and local pressure, with shell and without,
//! at one drive frequency. A bubble takes the nearest cell on both logarithmic scales; below the lowest
//! pressure its sound is the lowest cell's, lowered in proportion.
//!
//! A cell is made when it is first asked for, by whoever asks, and depends on its index alone: the
//! library gives the same bytes whatever the order and however many threads ask.

use std::sync::OnceLock;

use super::cell::{Cell, Mould};
use super::filter::usize_of;
use super::limits;
use super::liquid::{Bubble, BubbleError, Liquid, MOST_DRIVE_PA, Shell, within};
use super::population::PopulationSpec;
use crate::signal::as_f64;

/// Least and most radius of a grid, m.
pub const RADII_M: [f64; 2] = [5e-8, 1e-4];
/// Most places of a grid.
const MOST_PLACES: usize = 512;
/// Standard deviations of the radius that [`Library::reachable`] looks at.
const REACHED_SIGMAS: f64 = 3.5;

/// Places on a logarithmic scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// The first.
    pub from: f64,
    /// The last.
    pub to: f64,
    /// How many, 2 or more.
    pub count: usize,
}

/// What a library holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LibrarySpec {
    /// The liquid.
    pub liquid: Liquid,
    /// The shell of coated bubbles.
    pub shell: Shell,
    /// Polytropic exponent of the gas, with shell and without.
    pub polytropic_exponent: f64,
    /// Drive frequency, Hz.
    pub frequency_hz: f64,
    /// Samples a second of what is heard, Hz.
    pub sample_rate_hz: f64,
    /// Length of a burst, s; the nearest whole number of cycles is played.
    pub burst_s: f64,
    /// Length of its ramps, s.
    pub ramp_s: f64,
    /// Radii at rest, m.
    pub radii_m: Grid,
    /// Local pressures, Pa.
    pub pressures_pa: Grid,
}

/// Responses of single bubbles, each made at its first use.
#[derive(Debug)]
pub struct Library {
    spec: LibrarySpec,
    pub(super) mould: Mould,
    cells: Vec<OnceLock<Result<Cell, BubbleError>>>,
}

impl Grid {
    fn check(&self, name: &'static str, bounds: [f64; 2]) -> Result<(), BubbleError> {
        within(name, self.from, bounds)?;
        within(name, self.to, [self.from * (1.0 + 1e-9), bounds[1]])?;
        within("the count of a grid", as_f64(self.count), [2.0, as_f64(MOST_PLACES)])?;
        Ok(())
    }

    /// The value at a place.
    #[must_use]
    pub fn value(&self, place: usize) -> f64 {
        let share = as_f64(place) / as_f64(self.count - 1);
        self.from * libm::exp(share * libm::log(self.to / self.from))
    }

    /// The place nearest to a value, of those there are.
    #[must_use]
    pub fn nearest(&self, value: f64) -> usize {
        let share = libm::log(value / self.from) / libm::log(self.to / self.from);
        let place = libm::round(share * as_f64(self.count - 1));
        // Also what is not a number goes to the first place.
        usize_of(place.max(0.0)).min(self.count - 1)
    }
}

/// The longest ramp of a burst, s: half of its whole cycles, at most 64.
#[must_use]
pub fn longest_ramp_s(frequency_hz: f64, burst_s: f64) -> f64 {
    let cycles = libm::round(burst_s * frequency_hz);
    // A millionth of a cycle over half of the burst is rounding.
    ((0.5 * cycles).min(64.0) + 1e-6) / frequency_hz
}

impl Library {
    /// A library without cells made.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names what does not fit.
    pub fn new(spec: LibrarySpec) -> Result<Self, BubbleError> {
        spec.liquid.check()?;
        spec.shell.check()?;
        let frequency_hz = within("frequency_hz", spec.frequency_hz, limits::DRIVE_HZ)?;
        let most = limits::MOST_SAMPLES_A_CYCLE * frequency_hz;
        let sample_rate_hz = within("sample_rate_hz", spec.sample_rate_hz, [2.0, most])?;
        let burst_s = within("burst_s", spec.burst_s, [0.0, limits::LONGEST_BURST_S])?;
        let cycles = libm::round(burst_s * frequency_hz);
        within("cycles of a burst", cycles, [1.0, 1e7])?;
        within("ramp_s", spec.ramp_s, [0.0, longest_ramp_s(frequency_hz, spec.burst_s)])?;
        within("polytropic_exponent", spec.polytropic_exponent, [1.0, 2.0])?;
        spec.radii_m.check("radii_m", RADII_M)?;
        spec.pressures_pa.check("pressures_pa", [1.0, MOST_DRIVE_PA])?;
        let rates_hz = [frequency_hz, sample_rate_hz];
        let mould = Mould::new(spec.liquid, rates_hz, spec.ramp_s, usize_of(cycles));
        let count = 2 * spec.radii_m.count * spec.pressures_pa.count;
        Ok(Self { spec, mould, cells: (0..count).map(|_| OnceLock::new()).collect() })
    }

    /// What it holds.
    #[must_use]
    pub const fn spec(&self) -> &LibrarySpec {
        &self.spec
    }

    /// Cycles of a burst.
    #[must_use]
    pub const fn burst_cycles(&self) -> usize {
        self.mould.burst_cycles
    }

    /// How many cells there are.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.cells.len()
    }

    /// A cell, made now where it is not yet.
    ///
    /// # Errors
    /// [`BubbleError`]: no such cell, or where the model ends.
    pub fn cell(&self, index: usize) -> Result<&Cell, BubbleError> {
        let most = as_f64(self.cells.len() - 1);
        within("index of a cell", as_f64(index), [0.0, most])?;
        let made = self.cells[index].get_or_init(|| {
            let (radii, pressures) = (self.spec.radii_m, self.spec.pressures_pa);
            let (place, pressure) = (index / pressures.count, index % pressures.count);
            let shell = (place >= radii.count).then_some(self.spec.shell);
            let radius_m = radii.value(place % radii.count);
            let polytropic_exponent = self.spec.polytropic_exponent;
            let bubble = Bubble { radius_m, polytropic_exponent, shell };
            self.mould.cell(&bubble, pressures.value(pressure))
        });
        made.as_ref().map_err(Clone::clone)
    }

    /// The nearest cell of a bubble.
    #[must_use]
    pub fn index(&self, coated: bool, radius_m: f64, pressure_pa: f64) -> usize {
        let (radii, pressures) = (self.spec.radii_m, self.spec.pressures_pa);
        let place = radii.nearest(radius_m) + if coated { radii.count } else { 0 };
        place * pressures.count + pressures.nearest(pressure_pa)
    }

    /// By how much a cell's sound is lowered: 1 but below the lowest pressure.
    pub(super) fn gain(&self, pressure_pa: f64) -> f64 {
        (pressure_pa / self.spec.pressures_pa.from).min(1.0)
    }

    /// The cells that a population can want at these drives, rising.
    #[must_use]
    pub fn reachable(&self, population: &PopulationSpec, drives_pa: &[f64]) -> Vec<usize> {
        let (radii, pressures) = (self.spec.radii_m, self.spec.pressures_pa);
        let spread = libm::exp(REACHED_SIGMAS * population.radius_sigma);
        let median = population.median_radius_m;
        // Free bubbles are smaller where a shell's tension no longer carries them.
        let first = radii.nearest(0.5 * median / spread);
        let last = radii.nearest(median * spread);
        let mut wanted = vec![false; self.cells.len()];
        for drive_pa in drives_pa.iter().filter(|drive_pa| **drive_pa > 0.0) {
            let low = pressures.nearest(drive_pa * population.faintest_share());
            for place in low..=pressures.nearest(*drive_pa) {
                for radius in (first..=last).flat_map(|radius| [radius, radius + radii.count]) {
                    wanted[radius * pressures.count + place] = true;
                }
            }
        }
        wanted.iter().enumerate().filter_map(|(index, wanted)| wanted.then_some(index)).collect()
    }
}
