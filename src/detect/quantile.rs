//! A running quantile in constant memory: the P² algorithm of R. Jain and I. Chlamtac, Commun. ACM
//! 28 (1985) 1076–1085. The five outermost values on the quantile's side are kept beside it, so that it
//! is exact by nearest rank as long as its rank lies among them (up to 100 values for 5 and 95 %).

/// One running quantile of non-negative or any finite values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantile {
    share: f32,
    count: u32,
    heights: [f32; 5],
    places: [u32; 5],
    outer: [f32; 5],
}

impl Quantile {
    /// The quantile at `share`, 0 to 1.
    #[must_use]
    pub const fn new(share: f32) -> Self {
        Self { share, count: 0, heights: [0.0; 5], places: [1, 2, 3, 4, 5], outer: [0.0; 5] }
    }

    /// The quantile at `share` of values that are not known any more; further ones begin anew.
    #[must_use]
    pub fn at(share: f32, value: f32) -> Self {
        let mut known = Self::new(share);
        known.add(value);
        known
    }

    /// Takes one value.
    pub fn add(&mut self, value: f32) {
        self.keep_outer(value);
        if let Some(slot) = self.heights.get_mut(self.count as usize) {
            *slot = value;
            self.count += 1;
            let filled = self.count as usize;
            self.heights[..filled].sort_by(f32::total_cmp);
            return;
        }
        self.count += 1;
        let cell = self.cell(value);
        for place in &mut self.places[cell + 1..] {
            *place += 1;
        }
        for marker in 1..4 {
            self.adjust(marker);
        }
    }

    /// Whether the quantile lies in the lower half.
    fn is_low(&self) -> bool {
        self.share <= 0.5
    }

    /// Keeps the outermost values, outermost first.
    fn keep_outer(&mut self, value: f32) {
        let held = (self.count as usize).min(5);
        let low = self.is_low();
        let inside = |kept: &f32| if low { value < *kept } else { value > *kept };
        let Some(place) = self.outer[..held].iter().position(inside).or((held < 5).then_some(held))
        else {
            return;
        };
        self.outer[place..].rotate_right(1);
        self.outer[place] = value;
    }

    /// The value at the nearest rank, where it is among the outermost.
    fn outer_value(&self) -> Option<f64> {
        let n = f64::from(self.count);
        let rank = (f64::from(self.share) * n - 1e-6).ceil().max(1.0);
        let from_end = if self.is_low() { rank } else { n - rank + 1.0 };
        let places = 1..=self.outer.len().min(self.count as usize);
        let place = places.into_iter().find(|&place| (to_f64(place) - from_end).abs() < 0.5)?;
        Some(f64::from(self.outer[place - 1]))
    }

    /// The marker below the value; the ends stretch to hold it.
    fn cell(&mut self, value: f32) -> usize {
        if value < self.heights[0] {
            self.heights[0] = value;
            return 0;
        }
        if value >= self.heights[4] {
            self.heights[4] = value;
            return 3;
        }
        (1..4).rev().find(|&i| value >= self.heights[i]).unwrap_or(0)
    }

    /// Where a marker should stand after `count` values.
    fn wanted(&self, marker: usize) -> f64 {
        let p = f64::from(self.share);
        let share = [0.0, p / 2.0, p, f64::midpoint(1.0, p), 1.0][marker];
        1.0 + (f64::from(self.count) - 1.0) * share
    }

    fn adjust(&mut self, i: usize) {
        let place = |j: usize| f64::from(self.places[j]);
        let off = self.wanted(i) - place(i);
        let up = off >= 1.0 && place(i + 1) - place(i) > 1.0;
        let down = off <= -1.0 && place(i - 1) - place(i) < -1.0;
        if !up && !down {
            return;
        }
        let step = if up { 1.0 } else { -1.0 };
        let height = |j: usize| f64::from(self.heights[j]);
        let (left, right) = (place(i) - place(i - 1), place(i + 1) - place(i));
        let parabola = height(i)
            + step / (place(i + 1) - place(i - 1))
                * ((left + step) * (height(i + 1) - height(i)) / right
                    + (right - step) * (height(i) - height(i - 1)) / left);
        let inside = height(i - 1) < parabola && parabola < height(i + 1);
        let neighbour = if up { i + 1 } else { i - 1 };
        let new = if inside {
            parabola
        } else {
            height(i) + step * (height(neighbour) - height(i)) / (place(neighbour) - place(i))
        };
        self.heights[i] = single(new);
        self.places[i] = if up { self.places[i] + 1 } else { self.places[i] - 1 };
    }

    /// The quantile so far; 0 before the first value.
    #[must_use]
    pub fn value(&self) -> f64 {
        match self.count {
            0 => 0.0,
            _ => self.outer_value().unwrap_or_else(|| f64::from(self.heights[2])),
        }
    }
}

use crate::signal::{as_f64 as to_f64, plan::single};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jain_and_chlamtacs_worked_example_comes_out() {
        // Jain & Chlamtac 1985, Table I (from memory): 20 observations, median estimate 4.44.
        let values: [f32; 20] = [
            0.02, 0.15, 0.74, 3.39, 0.83, 22.37, 10.15, 15.43, 38.62, 15.92, 34.60, 10.28, 1.47,
            0.40, 0.05, 11.39, 0.27, 0.42, 0.09, 11.37,
        ];
        let mut median = Quantile::new(0.5);
        for value in values {
            median.add(value);
        }
        assert!((median.value() - 4.44).abs() < 0.005, "{}", median.value());
    }

    #[test]
    fn the_ends_of_a_uniform_row_are_found() {
        let (mut low, mut high) = (Quantile::new(0.05), Quantile::new(0.95));
        let mut state = 1_u32;
        for _ in 0..4000 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let value = single(f64::from(state) / 4_294_967_296.0);
            low.add(value);
            high.add(value);
        }
        assert!((low.value() - 0.05).abs() < 0.02, "{}", low.value());
        assert!((high.value() - 0.95).abs() < 0.02, "{}", high.value());
    }

    #[test]
    fn a_usual_baseline_has_its_exact_range() {
        // COMPUTED with NumPy: numpy.quantile(v, p, method="inverted_cdf").
        let (mut low, mut high) = (Quantile::new(0.05), Quantile::new(0.95));
        for i in 0_u16..30 {
            let value = f32::from(i * 7 % 30);
            low.add(value);
            high.add(value);
        }
        assert!((low.value() - 1.0).abs() < 1e-6, "{}", low.value());
        assert!((high.value() - 28.0).abs() < 1e-6, "{}", high.value());
    }

    #[test]
    fn few_values_give_the_nearest_rank() {
        let mut high = Quantile::new(0.95);
        for value in [3.0, 1.0, 2.0] {
            high.add(value);
        }
        assert!((high.value() - 3.0).abs() < 1e-6);
        let mut low = Quantile::new(0.05);
        for value in [5.0, 3.0, 1.0, 2.0, 4.0] {
            low.add(value);
        }
        assert!((low.value() - 1.0).abs() < 1e-6);
    }
}
