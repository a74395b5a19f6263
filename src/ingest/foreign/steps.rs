//! The constant step of a vector, and what unit of time it most probably has.

use serde::{Deserialize, Serialize};

use super::super::stored::{Number, Stored};

/// Share of a step that a number may lie off its place.
const OFF_PLACE: f64 = 1e-3;
/// Fewest numbers of a time axis.
const FEWEST: u64 = 4;
/// Rates receivers of pulses have, Hz (common practice, no source).
const RATES_HZ: std::ops::RangeInclusive<f64> = 1e5..=1e9;

/// A vector that rises in constant steps.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Steps {
    /// The first number.
    pub first: f64,
    /// From one number to the next.
    pub step: f64,
    /// Numbers of digits the step is good for.
    digits: usize,
    /// Whether the name ends with a unit: that one.
    named: Option<Unit>,
}

/// Units of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
pub enum Unit {
    /// Seconds.
    S,
    /// Milliseconds.
    Ms,
    /// Microseconds.
    Us,
    /// Nanoseconds.
    Ns,
}

impl Unit {
    const ALL: [Self; 4] = [Self::S, Self::Ms, Self::Us, Self::Ns];

    const fn in_s(self) -> f64 {
        match self {
            Self::S => 1.0,
            Self::Ms => 1e-3,
            Self::Us => 1e-6,
            Self::Ns => 1e-9,
        }
    }

    /// As it is written.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::S => "s",
            Self::Ms => "ms",
            Self::Us => "us",
            Self::Ns => "ns",
        }
    }
}

impl Steps {
    /// The rate, Hz, if the steps are of that unit: to the digits that the numbers are good for.
    #[must_use]
    pub fn rate_hz(&self, unit: Unit) -> f64 {
        let rate = 1.0 / (self.step * unit.in_s());
        format!("{rate:.*e}", self.digits).parse().unwrap_or(rate)
    }

    /// The units that make a rate receivers have; the name's own alone, where it ends with one.
    #[must_use]
    pub fn units(&self) -> Vec<Unit> {
        if let Some(named) = self.named {
            return vec![named];
        }
        let likely = |unit: &Unit| RATES_HZ.contains(&self.rate_hz(*unit));
        Unit::ALL.into_iter().filter(likely).collect()
    }

    /// Whether it rather counts than tells the time.
    #[must_use]
    pub fn counts(&self) -> bool {
        self.named.is_none() && (self.step - 1.0).abs() <= 0.0
    }
}

/// Looks for a constant step while numbers go by: keeps the steps that are possible.
pub(super) struct Finder {
    /// Relative error of a number.
    precision: f64,
    digits: usize,
    named: Option<Unit>,
    first: f64,
    last: f64,
    /// Share of the first step that numbers may lie off.
    slack: f64,
    index: f64,
    /// Lowest and highest step that is possible.
    possible: [f64; 2],
}

impl Finder {
    pub(super) fn new(stored: Stored, name: &str) -> Self {
        let single = matches!(stored.number, Number::F32);
        let lower = name.to_ascii_lowercase();
        let ends = |unit: &Unit| {
            ["_", "(", "["].iter().any(|before| {
                let end = format!("{before}{}", unit.name());
                lower.trim_end_matches([')', ']']).ends_with(&end)
            })
        };
        Self {
            precision: if single { 1.2e-7 } else { 2.3e-16 },
            digits: if single { 5 } else { 9 },
            named: Unit::ALL.into_iter().find(ends),
            first: 0.0,
            last: 0.0,
            slack: 0.0,
            index: 0.0,
            possible: [f64::NEG_INFINITY, f64::INFINITY],
        }
    }

    /// Takes the next number; `false` when no step is left.
    pub(super) fn push(&mut self, value: f64) -> bool {
        if !value.is_finite() {
            self.possible = [f64::INFINITY, f64::NEG_INFINITY];
            return false;
        }
        if self.index < 0.5 {
            self.first = value;
        } else {
            let rise = value - self.first;
            if self.index < 1.5 {
                self.slack = OFF_PLACE * rise.abs();
            }
            let off = self.slack + self.precision * (value.abs() + self.first.abs());
            self.possible[0] = self.possible[0].max((rise - off) / self.index);
            self.possible[1] = self.possible[1].min((rise + off) / self.index);
        }
        self.last = value;
        self.index += 1.0;
        self.possible[0] <= self.possible[1]
    }

    /// The step, where one was found of a vector of so many numbers.
    pub(super) fn finish(self, count: u64) -> Option<Steps> {
        let step = (self.last - self.first) / (self.index - 1.0);
        let found = count >= FEWEST
            && self.possible[0] <= self.possible[1]
            && step > 0.0
            && step.is_finite()
            // Numbers so coarse that they do not tell one place from the next show nothing.
            && self.precision * self.last.abs().max(self.first.abs()) < 0.25 * step;
        found.then_some(Steps { first: self.first, step, digits: self.digits, named: self.named })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(number: Number, name: &str, values: impl Iterator<Item = f64>) -> Option<Steps> {
        let mut finder = Finder::new(Stored { number, big_endian: false }, name);
        let values: Vec<f64> = values.collect();
        for value in &values {
            if !finder.push(*value) {
                break;
            }
        }
        finder.finish(values.len() as u64)
    }

    fn index(last: u32) -> impl Iterator<Item = f64> {
        (0..=last).map(f64::from)
    }

    #[test]
    fn the_rate_of_an_axis_in_seconds_comes_back_exactly() {
        let found = steps(Number::F64, "t", index(99_999).map(|i| -2e-3 + i * 5e-8)).unwrap();
        assert_eq!(found.units(), [Unit::S]);
        assert!((found.rate_hz(Unit::S) - 2e7).abs() <= 0.0, "{found:?}");
    }

    #[test]
    #[allow(clippy::cast_possible_truncation, reason = "single precision is what is tested")]
    fn an_axis_in_single_precision_is_one_as_long_as_it_tells_places_apart() {
        let single = |value: f64| f64::from(value as f32);
        let found = steps(Number::F32, "t", index(50_000).map(|i| single(i * 5e-8))).unwrap();
        assert!((found.rate_hz(Unit::S) - 2e7).abs() <= 0.0, "{found:?}");
        // At 10 s a single is good for 1 µs.
        let coarse = steps(Number::F32, "t", index(50_000).map(|i| single(10.0 + i * 5e-8)));
        assert_eq!(coarse, None);
    }

    #[test]
    fn the_unit_is_the_one_of_the_name_or_of_a_likely_rate() {
        let of = |name: &str, step: f64| {
            steps(Number::F64, name, index(9).map(|i| i * step)).unwrap().units()
        };
        assert_eq!(of("t", 0.05), [Unit::Us]);
        assert_eq!(of("t", 5e-5), [Unit::Ms]);
        assert_eq!(of("t", 50.0), [Unit::Ns]);
        assert_eq!(of("t", 5e-6), [Unit::S, Unit::Ms]);
        assert_eq!(of("time_us", 50.0), [Unit::Us]);
        assert!(of("t", 1e6).is_empty());
        assert!(steps(Number::I32, "t", index(9)).unwrap().counts());
    }

    #[test]
    fn what_does_not_rise_in_equal_steps_is_no_axis() {
        assert_eq!(steps(Number::F64, "t", [0.0, 1.0, 2.0, 3.01].into_iter()), None);
        assert_eq!(steps(Number::F64, "t", [3.0, 2.0, 1.0, 0.0].into_iter()), None);
        assert_eq!(steps(Number::F64, "t", [1.0; 9].into_iter()), None);
        assert_eq!(steps(Number::F64, "t", [0.0, 1.0, f64::NAN, 3.0].into_iter()), None);
        assert_eq!(steps(Number::F64, "t", index(2)), None);
    }
}
