//! Dormand and Prince's method of order 8(5,3) with interpolation of order 7, for two unknowns:
//! a radius and its speed. Step control as in Hairer, Nørsett and Wanner 1993: the next step is
//! 0.9·(error)^(−1/8) of the last, at most tenfold, at least a fifth.

use super::tableau::{self as table, Row};

/// Radius and speed, or their slopes, without dimension.
pub(super) type Pair = [f64; 2];

/// Smallest and largest change of the step, and the part of the predicted one that is taken.
const FACTORS: [f64; 2] = [0.2, 10.0];
const SAFETY: f64 = 0.9;

/// A step just made: its stages and the interpolation's terms once they are wanted.
#[derive(Debug, Clone)]
pub(super) struct Step {
    /// Start of the step and its length.
    pub(super) from: f64,
    pub(super) length: f64,
    start: Pair,
    end: Pair,
    slopes: [Pair; 16],
    terms: Option<[Pair; 7]>,
}

/// What the control says of a trial.
pub(super) enum Trial {
    /// Taken; the next may be so long.
    Taken { next: f64 },
    /// Refused; try so long.
    Refused { next: f64 },
}

fn blend<const N: usize>(slopes: &[Pair; 16], row: &Row<N>) -> Pair {
    let mut sum = [0.0; 2];
    for &(stage, weight) in row {
        sum[0] += weight * slopes[stage][0];
        sum[1] += weight * slopes[stage][1];
    }
    sum
}

impl Step {
    /// No step yet: a place, a state and its slope.
    pub(super) const fn rest(from: f64, state: Pair, slope: Pair) -> Self {
        let mut slopes = [[0.0; 2]; 16];
        slopes[12] = slope;
        Self { from, length: 0.0, start: state, end: state, slopes, terms: None }
    }

    /// State at the step's start.
    pub(super) const fn start(&self) -> Pair {
        self.start
    }

    /// State at the step's end.
    pub(super) const fn end(&self) -> Pair {
        self.end
    }

    /// Tries a step of `length` from the end of the last one. `slope` gives the slopes at a time and
    /// state; a state that has none may give NaN, which refuses the step.
    pub(super) fn advance(
        &mut self,
        length: f64,
        tolerance: f64,
        slope: impl Fn(f64, Pair) -> Pair,
    ) -> Trial {
        let from = self.from + self.length;
        let start = self.end;
        let mut k = [[0.0; 2]; 16];
        k[0] = self.slopes[12];
        let at = |state: Pair, sum: Pair| [state[0] + length * sum[0], state[1] + length * sum[1]];
        macro_rules! stage {
            ($($stage:literal $row:ident)*) => {
                $(k[$stage] = slope(
                    from + table::NODES[$stage] * length,
                    at(start, blend(&k, &table::$row)),
                );)*
            };
        }
        stage!(1 STAGE_1 2 STAGE_2 3 STAGE_3 4 STAGE_4 5 STAGE_5 6 STAGE_6);
        stage!(7 STAGE_7 8 STAGE_8 9 STAGE_9 10 STAGE_10 11 STAGE_11);
        let end = at(start, blend(&k, &table::STEP));
        k[12] = slope(from + length, end);
        let (fifth, third) = (blend(&k, &table::ERROR_5), blend(&k, &table::ERROR_3));
        let square = |error: Pair| {
            let scaled = |part: usize| {
                error[part] / (tolerance * (1.0 + start[part].abs().max(end[part].abs())))
            };
            scaled(0) * scaled(0) + scaled(1) * scaled(1)
        };
        let (fifth, third) = (square(fifth), square(third));
        let error = if fifth > 0.0 {
            length * fifth / libm::sqrt(2.0 * (fifth + 0.01 * third))
        } else {
            fifth
        };
        let sound = error.is_finite() && k[12][0].is_finite() && k[12][1].is_finite();
        if !sound {
            return Trial::Refused { next: length * FACTORS[0] };
        }
        let wanted = SAFETY / libm::sqrt(libm::sqrt(libm::sqrt(error)));
        if error >= 1.0 {
            return Trial::Refused { next: length * wanted.max(FACTORS[0]) };
        }
        *self = Self { from, length, start, end, slopes: k, terms: None };
        Trial::Taken { next: length * wanted.min(FACTORS[1]) }
    }

    /// The state at a time inside the step.
    pub(super) fn at(&mut self, time: f64, slope: impl Fn(f64, Pair) -> Pair) -> Pair {
        if self.length <= 0.0 {
            return self.end;
        }
        let terms = *self.terms.get_or_insert_with(|| {
            terms(self.from, self.length, (self.start, self.end), &mut self.slopes, slope)
        });
        let x = (time - self.from) / self.length;
        let mut sum = [0.0; 2];
        for (place, term) in terms.iter().rev().enumerate() {
            let factor = if place % 2 == 0 { x } else { 1.0 - x };
            sum = [(sum[0] + term[0]) * factor, (sum[1] + term[1]) * factor];
        }
        [self.start[0] + sum[0], self.start[1] + sum[1]]
    }
}

/// The interpolation's terms; three more stages.
fn terms(
    from: f64,
    length: f64,
    (start, end): (Pair, Pair),
    k: &mut [Pair; 16],
    slope: impl Fn(f64, Pair) -> Pair,
) -> [Pair; 7] {
    let at = |sum: Pair| [start[0] + length * sum[0], start[1] + length * sum[1]];
    k[13] = slope(from + table::NODES[13] * length, at(blend(k, &table::STAGE_13)));
    k[14] = slope(from + table::NODES[14] * length, at(blend(k, &table::STAGE_14)));
    k[15] = slope(from + table::NODES[15] * length, at(blend(k, &table::STAGE_15)));
    let late = [
        blend(k, &table::DENSE_0),
        blend(k, &table::DENSE_1),
        blend(k, &table::DENSE_2),
        blend(k, &table::DENSE_3),
    ];
    let mut terms = [[0.0; 2]; 7];
    for part in 0..2 {
        let change = end[part] - start[part];
        terms[0][part] = change;
        terms[1][part] = length * k[0][part] - change;
        terms[2][part] = 2.0 * change - length * (k[12][part] + k[0][part]);
        for (term, late) in terms[3..].iter_mut().zip(&late) {
            term[part] = length * late[part];
        }
    }
    terms
}
