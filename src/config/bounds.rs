//! Intervals that numbers of the configuration must lie in, and how they are said.

use std::fmt;
use std::ops::Bound;

/// An interval of finite numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bounds {
    low: Bound<f64>,
    high: Bound<f64>,
}

impl Bounds {
    /// Every finite number.
    pub(super) const FINITE: Self = Self { low: Bound::Unbounded, high: Bound::Unbounded };

    /// Above `low`, without it.
    pub(super) const fn above(low: f64) -> Self {
        Self { low: Bound::Excluded(low), high: Bound::Unbounded }
    }

    /// `low` or above.
    pub(super) const fn at_least(low: f64) -> Self {
        Self { low: Bound::Included(low), high: Bound::Unbounded }
    }

    /// And below `high`, without it.
    pub(super) const fn below(self, high: f64) -> Self {
        Self { high: Bound::Excluded(high), ..self }
    }

    /// And `high` or below.
    pub(super) const fn at_most(self, high: f64) -> Self {
        Self { high: Bound::Included(high), ..self }
    }

    /// Whether a number lies inside; NaN and the infinities never do.
    pub(super) fn hold(self, value: f64) -> bool {
        value.is_finite() && std::ops::RangeBounds::contains(&(self.low, self.high), &value)
    }
}

impl fmt::Display for Bounds {
    /// What follows "must be".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let low = match self.low {
            Bound::Included(low) => Some(format!("at least {}", Plain(low))),
            Bound::Excluded(low) => Some(format!("above {}", Plain(low))),
            Bound::Unbounded => None,
        };
        let high = match self.high {
            Bound::Included(high) => Some(format!("at most {}", Plain(high))),
            Bound::Excluded(high) => Some(format!("below {}", Plain(high))),
            Bound::Unbounded => None,
        };
        match (low, high) {
            (Some(low), Some(high)) => write!(f, "{low} and {high}"),
            (Some(one), None) | (None, Some(one)) => write!(f, "finite and {one}"),
            (None, None) => f.write_str("finite"),
        }
    }
}

/// A number as a person would write it: with an exponent only when very large or very small.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plain(pub(super) f64);

impl fmt::Display for Plain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = self.0.abs();
        if size > 0.0 && !(1e-3..1e6).contains(&size) {
            write!(f, "{:e}", self.0)
        } else {
            write!(f, "{}", self.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(bounds: Bounds, said: &str, inside: &[f64], outside: &[f64]) {
        assert_eq!(bounds.to_string(), said);
        assert!(inside.iter().all(|value| bounds.hold(*value)), "{said}: {inside:?}");
        assert!(!outside.iter().any(|value| bounds.hold(*value)), "{said}: {outside:?}");
    }

    #[test]
    fn edges_belong_where_the_words_say_so() {
        let drive = Bounds::above(0.0).below(0.5);
        check(drive, "above 0 and below 0.5", &[1e-9, 0.49], &[0.0, 0.5, -1.0]);
        let overlap = Bounds::at_least(0.0).at_most(0.95);
        check(overlap, "at least 0 and at most 0.95", &[0.0, 0.95], &[-1e-9, 0.951]);
        check(Bounds::above(0.0), "finite and above 0", &[1e300], &[0.0]);
    }

    #[test]
    fn nothing_that_is_not_finite_is_inside() {
        let strange = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY];
        check(Bounds::FINITE, "finite", &[0.0, -1e300], &strange);
        check(Bounds::at_least(0.0), "finite and at least 0", &[0.0], &strange);
    }

    #[test]
    fn numbers_are_written_plainly() {
        let said = [1e10, 0.95, 1e-4, 0.0, -3.0].map(|number| Plain(number).to_string());
        assert_eq!(said, ["1e10", "0.95", "1e-4", "0", "-3"]);
    }
}
