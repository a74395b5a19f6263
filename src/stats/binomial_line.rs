//! Likelihood of a line through binomial groups.
//!
//! Group i has `n` trials at place t, `passed` of them passed, with the chance p = F(η),
//! η = height + slope·(t − pivot), F the logistic or normal distribution function:
//! l = Σ passed·ln p + (n − passed)·ln(1 − p). Firth's penalised form adds ½·ln |I|, I the expected
//! information (Firth 1993, Biometrika 80:27). No units.
//!
//! Both l of the logistic and of the normal are concave, so Newton's steps with halving end at the
//! maximum where there is one. Derivatives are taken at the centre m = Σ w·t/Σ w of the weights w,
//! where the information is diagonal, a sum of positive terms each: nothing cancels, however steep
//! the line. The penalty's second derivatives are exact, too, so that a few steps suffice for all
//! digits. The penalised likelihood need not be concave and can have a second hill, which its searches
//! look for.

use super::link::{Chance, Link};

/// Newton's steps; a slope that grows towards its value takes about one for each unit of η.
const MOST_STEPS: usize = 300;
/// A step is halved down to this share of it.
const LEAST_SHARE: f64 = 1e-18;
/// Of the gain that a step's first derivative promises, what it must bring.
const LEAST_GAIN: f64 = 0.1;
/// Gentler hills of the penalised likelihood are the level line's own.
const LEAST_HILL: f64 = 0.01;
/// Chances are 0 or 1 beyond this η.
const MOST_ETA: f64 = 64.0;
/// Where the search for steep lines begins, for places that fill −1 … 1.
const LEAST_SLOPE: f64 = 0.5;
/// Doublings or halvings of a slope that is looked for.
const MOST_DOUBLINGS: usize = 200;
/// A change of η this small over all places is none.
const LEAST_TURN: f64 = 1e-6;
/// Below this square of a step in standard errors, values differ by rounding only.
const NEAR: f64 = 1e-7;
/// After a step as short as this the next would be below the last digit.
const CLOSE: f64 = 1e-17;

/// Trials at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Trials {
    pub(super) t: f64,
    pub(super) n: f64,
    pub(super) passed: f64,
}

impl Trials {
    pub(super) fn ln_likelihood(&self, chance: &Chance) -> f64 {
        // Nothing times an infinite logarithm is nothing.
        let times = |count: f64, ln: f64| if count > 0.0 { count * ln } else { 0.0 };
        times(self.passed, chance.ln_p) + times(self.n - self.passed, chance.ln_q)
    }
}

/// η = height + slope·(t − pivot). The pivot lies among the places that matter, so that a steep line
/// through near places keeps its digits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    pub(super) pivot: f64,
    pub(super) height: f64,
    pub(super) slope: f64,
}

impl Line {
    pub(super) fn eta(&self, t: f64) -> f64 {
        self.height + self.slope * (t - self.pivot)
    }

    /// The same height everywhere.
    fn level(height: f64) -> Self {
        Self { pivot: 0.0, height, slope: 0.0 }
    }
}

/// (Penalised) log likelihood of a line with its derivatives by η at `centre` and by the slope.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fitness {
    pub(super) value: f64,
    /// Where the information is diagonal.
    pub(super) centre: f64,
    /// Expected information of η at the centre and of the slope, without the penalty.
    pub(super) information: [f64; 2],
    gradient: [f64; 2],
    /// Minus the second derivatives: 00, 01, 11.
    bend: [f64; 3],
}

impl Fitness {
    /// Newton's step, and the square of its length in standard errors.
    fn step(&self) -> ([f64; 2], f64) {
        let ([g0, g1], [h00, h01, h11]) = (self.gradient, self.bend);
        let determinant = h00 * h11 - h01 * h01;
        let step = if h00 > 0.0 && determinant > 1e-9 * h00 * h11 {
            [(g0 * h11 - g1 * h01) / determinant, (g1 * h00 - g0 * h01) / determinant]
        } else {
            // Not a hill here: the likelihood's own information still leads uphill.
            [g0 / self.information[0], g1 / self.information[1]]
        };
        (step, g0 * step[0] + g1 * step[1])
    }

    /// First derivative, and minus the second, by the slope of a line that is held at place `t`.
    fn along(&self, t: f64) -> (f64, f64) {
        let (lever, [h00, h01, h11]) = (self.centre - t, self.bend);
        (self.gradient[0] * lever + self.gradient[1], (h00 * lever + 2.0 * h01) * lever + h11)
    }
}

/// Groups, link and form of the likelihood.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Likelihood {
    pub(super) link: Link,
    /// With Firth's penalty; of the logistic only.
    pub(super) penalised: bool,
    pub(super) trials: Vec<Trials>,
}

impl Likelihood {
    /// Value and derivatives at a line.
    pub(super) fn at(&self, line: Line) -> Fitness {
        let seen: Vec<(Trials, Chance)> =
            self.trials.iter().map(|one| (*one, self.link.chance(line.eta(one.t)))).collect();
        let weight = |(one, chance): &(Trials, Chance)| one.n * chance.pull * chance.push;
        let whole: f64 = seen.iter().map(weight).sum();
        let centre = seen.iter().map(|one| weight(one) * one.0.t).sum::<f64>() / whole;
        let slopes = seen.iter().map(|one| weight(one) * (one.0.t - centre).powi(2)).sum();
        let mut found = Fitness {
            value: 0.0,
            centre,
            information: [whole, slopes],
            gradient: [0.0; 2],
            bend: [0.0; 3],
        };
        for (one, chance) in &seen {
            let (lever, failed) = (one.t - centre, one.n - one.passed);
            let score = one.passed * chance.pull - failed * chance.push;
            let bend = one.passed * chance.pull_bend + failed * chance.push_bend;
            found.value += one.ln_likelihood(chance);
            found.gradient[0] += score;
            found.gradient[1] += score * lever;
            found.bend[0] += bend;
            found.bend[1] += bend * lever;
            found.bend[2] += bend * lever * lever;
        }
        if self.penalised {
            penalise(&mut found, &seen);
        }
        // Where no place has any weight there is no centre.
        if found.value.is_nan() {
            found.value = f64::NEG_INFINITY;
        }
        found
    }

    /// The line of greatest likelihood; `None` when no step leads on before the maximum is reached.
    pub(super) fn greatest(&self) -> Option<(Line, Fitness)> {
        let level = Line::level(self.level());
        if !self.penalised {
            return self.hilltop(level);
        }
        let starts = std::iter::once(level).chain(self.steep_starts());
        let found = starts.filter_map(|start| self.hilltop(start));
        found.max_by(|(_, a), (_, b)| a.value.total_cmp(&b.value))
    }

    /// The hilltop that Newton's steps lead to from a line.
    fn hilltop(&self, start: Line) -> Option<(Line, Fitness)> {
        let mut line = start;
        let mut here = self.at(line);
        for _ in 0..MOST_STEPS {
            let ([rise, turn], length) = here.step();
            if !length.is_finite() {
                return None;
            }
            let mut share = 1.0;
            let (next, there) = loop {
                let next = Line {
                    pivot: here.centre,
                    height: line.eta(here.centre) + share * rise,
                    slope: line.slope + share * turn,
                };
                let there = self.at(next);
                let enough = there.value >= here.value + LEAST_GAIN * share * length;
                if length < NEAR || (enough && there.information[1] > 0.0) {
                    break (next, there);
                }
                share *= 0.5;
                if share < LEAST_SHARE {
                    return None;
                }
            };
            (line, here) = (next, there);
            if length < CLOSE {
                return Some((line, here));
            }
        }
        None
    }

    /// For every octave of slopes, from gentle to so steep that η moves by 64 between the nearest
    /// places, the best of the lines that cross a place or a quarter of the way between two.
    fn steep_starts(&self) -> Vec<Line> {
        let gaps: Vec<(f64, f64)> =
            self.trials.windows(2).map(|pair| (pair[0].t, pair[1].t - pair[0].t)).collect();
        let nearest = gaps.iter().fold(1.0, |least: f64, gap| least.min(gap.1));
        let crossings: Vec<f64> = gaps
            .iter()
            .flat_map(|(low, gap)| [0.0, 0.25, 0.5, 0.75, 1.0].map(|share| low + share * gap))
            .collect();
        let best = |slope: f64| {
            let lines = crossings.iter().map(|&pivot| Line { pivot, height: 0.0, slope });
            lines.max_by(|a, b| self.value(*a).total_cmp(&self.value(*b)))
        };
        ladder(LEAST_SLOPE, 2.0, MOST_ETA / nearest).filter_map(best).collect()
    }

    /// The height of the best line of slope 0.
    fn level(&self) -> f64 {
        let (n, passed) =
            self.trials.iter().fold((0.0, 0.0), |sum, one| (sum.0 + one.n, sum.1 + one.passed));
        // Firth's penalty of a level line is ln p(1 − p): one more trial on each side.
        let more = if self.penalised { 1.0 } else { 0.0 };
        self.link.eta((passed + more) / (n + 2.0 * more))
    }

    /// The greatest value of the lines through (`t`, `eta`) that do not fall; `slope` is where to
    /// look first and becomes where it was found.
    pub(super) fn greatest_through(&self, t: f64, eta: f64, slope: &mut f64) -> f64 {
        let level = self.at(Line::level(eta)).value;
        let least = least_slope(t);
        let (mut found, mut value) = self.hill(t, eta, *slope);
        if self.penalised {
            let seen: Vec<(f64, f64)> =
                ladder(LEAST_HILL / (1.0 + t.abs()), 1.08, self.steepest(t))
                    .map(|slope| (slope, self.value(Line { pivot: t, height: eta, slope })))
                    .collect();
            let tops = seen.windows(3).filter(|near| near[1].1 >= near[0].1.max(near[2].1));
            for (other, other_value) in tops.map(|near| self.hill(t, eta, near[1].0)) {
                if other_value > value {
                    (found, value) = (other, other_value);
                }
            }
        }
        *slope = found.max(least);
        value.max(level)
    }

    /// A slope at which only the place nearest to `t` is not saturated: steeper lines tell nothing.
    fn steepest(&self, t: f64) -> f64 {
        let (nearest, second) =
            self.trials.iter().fold((f64::INFINITY, f64::INFINITY), |(nearest, second), one| {
                let away = (one.t - t).abs();
                if away < nearest { (away, nearest) } else { (nearest, second.min(away)) }
            });
        MOST_ETA / second.max(nearest)
    }

    /// The value alone, in one pass; its last digits are lost where the weights lie far from the
    /// pivot.
    fn value(&self, line: Line) -> f64 {
        let (mut value, mut weights) = (0.0, [0.0; 3]);
        for one in &self.trials {
            let (chance, lever) = (self.link.chance(line.eta(one.t)), one.t - line.pivot);
            let weight = one.n * chance.pull * chance.push;
            value += one.ln_likelihood(&chance);
            weights[0] += weight;
            weights[1] += weight * lever;
            weights[2] += weight * lever * lever;
        }
        let determinant = weights[0] * weights[2] - weights[1] * weights[1];
        if !self.penalised {
            value
        } else if determinant > 0.0 {
            value + 0.5 * determinant.ln()
        } else {
            f64::NEG_INFINITY
        }
    }

    /// The hilltop nearest to a slope above 0 among the lines through (`t`, `eta`), or the least slope
    /// where they fall off from the level line: slope and value.
    fn hill(&self, t: f64, eta: f64, start: f64) -> (f64, f64) {
        let least = least_slope(t);
        let through = |slope: f64| self.at(Line { pivot: t, height: eta, slope });
        let mut at = start;
        let mut here = through(at);
        let rises = here.along(t).0 > 0.0;
        let (mut low, mut high) = (at, at);
        // Small steps first, lest they leave the hill.
        let mut ratio: f64 = if rises { 1.03 } else { 1.0 / 1.03 };
        for _ in 0..MOST_DOUBLINGS {
            at *= ratio;
            ratio = (ratio * ratio).clamp(0.5, 2.0);
            here = through(at);
            (low, high) = if rises { (high, at) } else { (at, low) };
            if (here.along(t).0 > 0.0) != rises || (!rises && at < least) {
                break;
            }
        }
        for _ in 0..MOST_STEPS {
            let (rise, bend) = here.along(t);
            if rise > 0.0 {
                low = at;
            } else {
                high = at;
            }
            let newton = at + rise / bend;
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            let moved = next - at;
            at = next;
            here = through(at);
            if moved * moved * bend.abs() < CLOSE || moved.abs() < 1e-15 * at {
                break;
            }
        }
        (at, here.value)
    }

    /// The limit of [`Self::greatest_through`] as the place goes to infinity, upwards or downwards:
    /// lines of slope 0 that stay below or above `eta`.
    pub(super) fn greatest_level(&self, eta: f64, upwards: bool) -> f64 {
        let level = self.level();
        let height = if upwards { level.min(eta) } else { level.max(eta) };
        self.at(Line::level(height)).value
    }
}

/// Gentler lines through place `t` are level.
fn least_slope(t: f64) -> f64 {
    LEAST_TURN / (1.0 + t.abs())
}

/// Numbers from `first`, each `ratio` times the last, up to `last`.
fn ladder(first: f64, ratio: f64, last: f64) -> impl Iterator<Item = f64> {
    std::iter::successors(Some(first), move |number| Some(ratio * number))
        .take_while(move |number| *number < last)
}

/// Adds ½·ln |I| of the logistic and its derivatives. With the leverages h = w·z'I⁻¹z,
/// z = (1, t − centre), and w' = w·(1 − 2p), w'' = w·(1 − 6pq):
/// ∂ ln|I| = Σ h·(1 − 2p)·z, ∂² ln|I| = Σ h·(1 − 6pq)·zz' − tr(I⁻¹∂I·I⁻¹∂I).
fn penalise(found: &mut Fitness, seen: &[(Trials, Chance)]) {
    let [whole, slopes] = found.information;
    let mut moments = [0.0; 4];
    for (one, chance) in seen {
        let (lever, spread) = (one.t - found.centre, chance.pull * chance.push);
        let weight = one.n * spread;
        let lean = chance.pull - chance.push;
        let leverage = 0.5 * weight * (1.0 / whole + lever * lever / slopes);
        let bend = leverage * (1.0 - 6.0 * spread);
        found.gradient[0] += leverage * lean;
        found.gradient[1] += leverage * lean * lever;
        found.bend[0] -= bend;
        found.bend[1] -= bend * lever;
        found.bend[2] -= bend * lever * lever;
        let mut power = weight * lean;
        for moment in &mut moments {
            *moment += power;
            power *= lever;
        }
    }
    // In units in which the information is 1.
    let unit = slopes.sqrt() / whole.sqrt();
    let [m0, m1, m2, m3] = [
        moments[0] / whole,
        moments[1] / (whole * unit),
        moments[2] / slopes,
        moments[3] / (slopes * unit),
    ];
    found.bend[0] += 0.5 * (m0 * m0 + 2.0 * m1 * m1 + m2 * m2);
    found.bend[1] += 0.5 * (m0 * m1 + 2.0 * m1 * m2 + m2 * m3) * unit;
    found.bend[2] += 0.5 * (m1 * m1 + 2.0 * m2 * m2 + m3 * m3) * unit * unit;
    found.value += 0.5 * (whole.ln() + slopes.ln());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn likelihood(link: Link, penalised: bool) -> Likelihood {
        let trials = [(-1.0, 6.0, 1.0), (-0.2, 9.0, 2.0), (0.3, 4.0, 4.0), (1.0, 30.0, 21.0)]
            .map(|(t, n, passed)| Trials { t, n, passed });
        Likelihood { link, penalised, trials: trials.to_vec() }
    }

    #[test]
    fn derivatives_are_those_of_the_value() {
        for (link, penalised) in [(Link::Logit, false), (Link::Logit, true), (Link::Probit, false)]
        {
            let likelihood = likelihood(link, penalised);
            let line = Line { pivot: 0.4, height: 0.7, slope: 1.3 };
            let here = likelihood.at(line);
            let moved = |rise: f64, turn: f64| {
                let height = line.eta(here.centre) + rise;
                likelihood.at(Line { pivot: here.centre, height, slope: line.slope + turn }).value
            };
            // Central differences; a step of 1e-4 leaves errors of 1e-8.
            let step = 1e-4;
            let first = [
                (moved(step, 0.0) - moved(-step, 0.0)) / (2.0 * step),
                (moved(0.0, step) - moved(0.0, -step)) / (2.0 * step),
            ];
            let second = [
                (moved(step, 0.0) + moved(-step, 0.0) - 2.0 * here.value) / (step * step),
                (moved(step, step) + moved(-step, -step) - moved(step, -step) - moved(-step, step))
                    / (4.0 * step * step),
                (moved(0.0, step) + moved(0.0, -step) - 2.0 * here.value) / (step * step),
            ];
            for (found, expected) in here.gradient.into_iter().zip(first) {
                assert!((found - expected).abs() < 1e-6, "{link:?}: {found} {expected}");
            }
            for (found, expected) in here.bend.into_iter().zip(second) {
                assert!((found + expected).abs() < 1e-5, "{link:?}: {found} {expected}");
            }
            assert!((likelihood.value(line) - here.value).abs() < 1e-12);
        }
    }

    #[test]
    fn the_slope_through_a_point_is_found_from_anywhere() {
        for penalised in [false, true] {
            let likelihood = likelihood(Link::Logit, penalised);
            let best = (0..40_000)
                .map(|i| Line { pivot: 0.1, height: 0.5, slope: f64::from(i) * 1e-3 })
                .map(|line| likelihood.at(line).value)
                .fold(f64::NEG_INFINITY, f64::max);
            for start in [1e-9, 1e-3, 1.0, 30.0, 1e9] {
                let mut slope = start;
                let found = likelihood.greatest_through(0.1, 0.5, &mut slope);
                assert!((-1e-12..1e-5).contains(&(found - best)), "{start}: {found} {best}");
            }
        }
    }

    #[test]
    fn level_lines_are_the_limit_of_lines_through_far_places() {
        for (penalised, eta) in [false, true]
            .into_iter()
            .flat_map(|penalised| [-2.0, 0.3, 1.0].map(|eta| (penalised, eta)))
        {
            let likelihood = likelihood(Link::Logit, penalised);
            for (upwards, far) in [(true, 1e7), (false, -1e7)] {
                let limit = likelihood.greatest_level(eta, upwards);
                let near = likelihood.greatest_through(far, eta, &mut 1e-7);
                assert!((limit - near).abs() < 1e-5, "{eta} {far}: {limit} {near}");
            }
        }
    }
}
