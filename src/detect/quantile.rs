//! Running quantiles of many rows of numbers beside each other, in constant memory: the P² algorithm
//! of R. Jain and I. Chlamtac, Commun. ACM 28 (1985) 1076–1085. The five outermost values on the
//! quantile's side are kept beside it, so that it is exact by nearest rank as long as its rank lies
//! among them (up to 100 values for 5 %, 99 for 95 %).

use crate::signal::{as_f64, plan::single, widest};

/// Rows that are moved together.
const LANES: usize = 8;

/// A number for each of the rows that are moved together.
type Lanes = [f32; LANES];

/// The same quantile of each of many rows of finite numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantiles {
    share: f64,
    rows: usize,
    count: u32,
    lanes: Vec<Markers>,
}

/// Markers of a few rows. The first stands at place 1 and the last at the number of values.
#[derive(Debug, Clone, PartialEq)]
struct Markers {
    heights: [Lanes; 5],
    places: [Lanes; 3],
    outer: [Lanes; 5],
}

impl Quantiles {
    /// The quantile at `share`, 0 to 1, of `rows` rows.
    #[must_use]
    pub fn new(share: f64, rows: usize) -> Self {
        // Above and below everything that may come.
        let empty = if share <= 0.5 { f32::INFINITY } else { f32::NEG_INFINITY };
        let markers = Markers {
            heights: [[f32::INFINITY; LANES]; 5],
            places: [[2.0; LANES], [3.0; LANES], [4.0; LANES]],
            outer: [[empty; LANES]; 5],
        };
        Self { share, rows, count: 0, lanes: vec![markers; rows.div_ceil(LANES)] }
    }

    /// The quantile at `share` of rows that are not known any more; further values begin anew.
    #[must_use]
    pub fn at(share: f64, values: &[f32]) -> Self {
        let mut known = Self::new(share, values.len());
        known.add(values);
        known
    }

    /// Takes one value of each row.
    ///
    /// # Panics
    /// When there are not as many values as rows.
    pub fn add(&mut self, values: &[f32]) {
        assert_eq!(values.len(), self.rows, "a value of each row");
        self.count += 1;
        let count = self.count;
        // Where the first, second and third inner marker should stand now.
        let wanted = [self.share / 2.0, self.share, f64::midpoint(1.0, self.share)]
            .map(|share| single(1.0 + f64::from(count - 1) * share));
        let (low, outer) = (self.is_low(), self.rank_from_end() <= 5.5);
        for (markers, values) in self.lanes.iter_mut().zip(values.chunks(LANES)) {
            let mut x = [0.0; LANES];
            x[..values.len()].copy_from_slice(values);
            widest(
                #[inline(always)]
                || {
                    if outer {
                        keep(&mut markers.outer, x, low);
                    }
                    if count <= 5 {
                        keep(&mut markers.heights, x, true);
                    } else {
                        markers.step(x, single(f64::from(count)), wanted);
                    }
                },
            );
        }
    }

    /// Whether the quantile lies in the lower half.
    fn is_low(&self) -> bool {
        self.share <= 0.5
    }

    /// The nearest rank, counted from the quantile's own end.
    fn rank_from_end(&self) -> f64 {
        let n = f64::from(self.count);
        let rank = (self.share * n - 1e-6).ceil().max(1.0);
        if self.is_low() { rank } else { n - rank + 1.0 }
    }

    /// The quantile of each row so far; 0 before the first value.
    pub fn values(&self) -> impl Iterator<Item = f64> {
        let rank = self.rank_from_end();
        let place = (1..=5).find(|&place| (as_f64(place) - rank).abs() < 0.5);
        let of = move |markers: &Markers, lane: usize| match (self.count, place) {
            (0, _) => 0.0,
            (_, Some(place)) => f64::from(markers.outer[place - 1][lane]),
            (_, None) => f64::from(markers.heights[2][lane]),
        };
        (0..self.rows).map(move |row| of(&self.lanes[row / LANES], row % LANES))
    }
}

/// Sorts `x` into the five outermost, outermost first, and drops the innermost.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the widest instructions where it is called")]
fn keep(outer: &mut [Lanes; 5], mut x: Lanes, low: bool) {
    for kept in outer {
        for lane in 0..LANES {
            let (a, b) = (kept[lane], x[lane]);
            let swap = if low { b < a } else { b > a };
            (kept[lane], x[lane]) = if swap { (b, a) } else { (a, b) };
        }
    }
}

impl Markers {
    /// Moves the markers for one more value, `count` with it.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the widest instructions of its caller")]
    fn step(&mut self, x: Lanes, count: f32, wanted: [f32; 3]) {
        for lane in 0..LANES {
            let mut h: [f32; 5] = std::array::from_fn(|i| self.heights[i][lane]);
            let [a, b, c] = [0, 1, 2].map(|i| self.places[i][lane]);
            let x = x[lane];
            let below = |height: f32| if x < height { 1.0 } else { 0.0 };
            let mut n = [1.0, a + below(h[1]), b + below(h[2]), c + below(h[3]), count];
            h[0] = if x < h[0] { x } else { h[0] };
            h[4] = if x > h[4] { x } else { h[4] };
            for i in 1..4 {
                (h[i], n[i]) =
                    moved([h[i - 1], h[i], h[i + 1]], [n[i - 1], n[i], n[i + 1]], wanted[i - 1]);
            }
            for (heights, height) in self.heights.iter_mut().zip(h) {
                heights[lane] = height;
            }
            for (places, place) in self.places.iter_mut().zip(&n[1..]) {
                places[lane] = *place;
            }
        }
    }
}

/// Height and place of the middle of three markers after it has moved to where it is wanted, by one
/// place at most.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the widest instructions where it is called")]
fn moved(
    [low, height, high]: [f32; 3],
    [before, place, after]: [f32; 3],
    wanted: f32,
) -> (f32, f32) {
    let off = wanted - place;
    let (left, right) = (place - before, after - place);
    let up = (off >= 1.0) & (right > 1.0);
    let down = (off <= -1.0) & (left > 1.0);
    let step = if up { 1.0 } else { -1.0 };
    let (rise_left, rise_right) = ((height - low) / left, (high - height) / right);
    let parabola = height
        + step / (after - before) * ((left + step) * rise_right + (right - step) * rise_left);
    let line = height + step * if up { rise_right } else { rise_left };
    let inside = (low < parabola) & (parabola < high);
    let new = if inside { parabola } else { line };
    let goes = up | down;
    (if goes { new } else { height }, if goes { place + step } else { place })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(share: f64, values: impl IntoIterator<Item = f32>) -> f64 {
        let mut quantile = Quantiles::new(share, 1);
        for value in values {
            quantile.add(&[value]);
        }
        quantile.values().next().unwrap()
    }

    /// Invented numbers, as many between 0 and 1 as are asked for.
    fn uniform(count: usize) -> impl Iterator<Item = f32> {
        let mut state = 1_u32;
        std::iter::repeat_with(move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            single(f64::from(state) / 4_294_967_296.0)
        })
        .take(count)
    }

    #[test]
    fn jain_and_chlamtacs_worked_example_comes_out() {
        // Jain & Chlamtac 1985, Table I (from memory): 20 observations, median estimate 4.44.
        let values: [f32; 20] = [
            0.02, 0.15, 0.74, 3.39, 0.83, 22.37, 10.15, 15.43, 38.62, 15.92, 34.60, 10.28, 1.47,
            0.40, 0.05, 11.39, 0.27, 0.42, 0.09, 11.37,
        ];
        let median = one(0.5, values);
        assert!((median - 4.44).abs() < 0.005, "{median}");
    }

    #[test]
    fn the_ends_of_a_uniform_row_are_found() {
        let (low, high) = (one(0.05, uniform(4000)), one(0.95, uniform(4000)));
        assert!((low - 0.05).abs() < 0.02, "{low}");
        assert!((high - 0.95).abs() < 0.02, "{high}");
    }

    #[test]
    fn a_usual_baseline_has_its_exact_range() {
        // COMPUTED with NumPy: numpy.quantile(v, p, method="inverted_cdf").
        let values = || (0_u16..30).map(|i| f32::from(i * 7 % 30));
        assert!((one(0.05, values()) - 1.0).abs() < 1e-6);
        assert!((one(0.95, values()) - 28.0).abs() < 1e-6);
    }

    #[test]
    fn few_values_give_the_nearest_rank() {
        assert!((one(0.95, [3.0, 1.0, 2.0]) - 3.0).abs() < 1e-6);
        assert!((one(0.05, [5.0, 3.0, 1.0, 2.0, 4.0]) - 1.0).abs() < 1e-6);
        assert!(one(0.05, []).abs() < 1e-6);
    }

    #[test]
    fn rows_know_nothing_of_each_other() {
        let rows = 19;
        let mut together = Quantiles::new(0.05, rows);
        let of = |row: usize| {
            uniform(300).enumerate().map(move |(i, x)| x * single(as_f64(row * i % 7)))
        };
        let mut all: Vec<_> = (0..rows).map(of).collect();
        while let Some(values) = all.iter_mut().map(Iterator::next).collect::<Option<Vec<f32>>>() {
            together.add(&values);
        }
        for (row, value) in together.values().enumerate() {
            assert!((value - one(0.05, of(row))).abs() < 1e-12, "row {row}");
        }
    }
}
