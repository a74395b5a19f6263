//! A root between two points of opposite sign.
//!
//! Chandrupatla, "A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
//! function without using derivatives", Advances in Engineering Software 28 (1997) 145: inverse
//! quadratic steps where they are safe, bisection elsewhere. It cannot leave the bracket and ends
//! after a fixed number of steps at the latest.

/// Bisection alone would need about 60 steps for a bracket of a few units.
const MOST_STEPS: usize = 200;
/// How often a bracket may be widened; each time doubles its reach.
const MOST_WIDENINGS: usize = 64;

/// The root of `function` between `low` and `high`, whose values must differ in sign; without a
/// change of sign the end with the smaller value is returned.
pub(super) fn bracketed_root(mut function: impl FnMut(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut x1, mut x2) = (low, high);
    let (mut f1, mut f2) = (function(x1), function(x2));
    let mut step = 0.5;
    for _ in 0..MOST_STEPS {
        let x = x1 + step * (x2 - x1);
        let value = function(x);
        let (x3, f3);
        if value.is_sign_positive() == f1.is_sign_positive() {
            (x3, f3) = (x1, f1);
        } else {
            (x3, f3) = (x2, f2);
            (x2, f2) = (x1, f1);
        }
        (x1, f1) = (x, value);
        let (best, at_best) = if f1.abs() < f2.abs() { (x1, f1) } else { (x2, f2) };
        let tolerance = 2.0 * f64::EPSILON * best.abs() + f64::MIN_POSITIVE;
        let least_step = tolerance / (x2 - x1).abs();
        if at_best == 0.0 || least_step > 0.5 || least_step.is_nan() {
            return best;
        }
        let xi = (x1 - x2) / (x3 - x2);
        let phi = (f1 - f2) / (f3 - f2);
        step = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            f1 / (f2 - f1) * f3 / (f2 - f3)
                + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * f2 / (f3 - f2)
        } else {
            0.5
        };
        step = step.max(least_step).min(1.0 - least_step);
    }
    if f1.abs() < f2.abs() { x1 } else { x2 }
}

/// The root of a decreasing `function`, searched from `start` outwards in steps that double.
pub(super) fn root_of_decreasing(
    mut function: impl FnMut(f64) -> f64,
    start: f64,
    first_step: f64,
) -> f64 {
    let rising = function(start) > 0.0;
    let mut step = if rising { first_step } else { -first_step };
    let mut near = start;
    for _ in 0..MOST_WIDENINGS {
        let far = near + step;
        if (function(far) > 0.0) != rising {
            return bracketed_root(function, near, far);
        }
        near = far;
        step *= 2.0;
    }
    near
}

#[cfg(test)]
mod tests {
    use super::{bracketed_root, root_of_decreasing};

    #[test]
    fn a_cubic_is_solved_to_the_last_digits() {
        let root = bracketed_root(|x| x * x * x - 2.0, 0.0, 2.0);
        // The cube root of two, closed form.
        assert!((root - 2.0_f64.cbrt()).abs() < 4e-16);
    }

    #[test]
    fn a_bracket_is_widened_in_both_directions() {
        assert!((root_of_decreasing(|x| 100.0 - x, 0.0, 1.0) - 100.0).abs() < 1e-13);
        assert!((root_of_decreasing(|x| -100.0 - x, 0.0, 1.0) + 100.0).abs() < 1e-13);
    }

    #[test]
    fn a_function_without_a_root_or_with_nan_ends() {
        assert!(root_of_decreasing(|_| 1.0, 0.0, 1.0).is_finite());
        assert!(bracketed_root(|_| f64::NAN, 0.0, 1.0).is_finite());
    }
}
