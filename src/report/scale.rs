//! The scale of levels in dB: asinh of the level over a knee, about linear around 0 and ever denser
//! beyond the knee, on both sides.

/// Height of a panel of levels.
pub const PANEL: f64 = 76.0;

/// Ticks closer than this would touch.
const APART: f64 = 12.5;

/// No tick stands nearer to the top.
const TOP_FREE: f64 = 4.0;

/// A scale of a panel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    low: f64,
    /// The greatest level that is shown, dB.
    pub high: f64,
    knee: f64,
    top: f64,
}

impl Scale {
    /// From `low` to `high` dB with room above for the strip of pulses over their limit.
    ///
    /// # Panics
    /// When `low` is not below `high` or the knee is not above 0.
    #[must_use]
    pub fn new(low_db: f64, high_db: f64, knee_db: f64, top: f64) -> Self {
        assert!(low_db < high_db && knee_db > 0.0, "a scale needs a range and a knee");
        let (a, b) = ((low_db / knee_db).asinh(), (high_db / knee_db).asinh());
        let pad = 0.05 * (b - a);
        let level = |bent: f64| bent.sinh() * knee_db;
        Self { low: level(a - pad), high: level(b + 2.0 * pad), knee: knee_db, top }
    }

    /// The height of a level; one outside stands at the edge.
    #[must_use]
    pub fn y(&self, db: f64) -> f64 {
        let bent = |db: f64| (db / self.knee).asinh();
        let share = (bent(self.high) - bent(db)) / (bent(self.high) - bent(self.low));
        self.top + PANEL * share.clamp(0.0, 1.0)
    }

    /// Round levels, from 0 outward, as many as have room.
    #[must_use]
    pub fn ticks(&self) -> Vec<f64> {
        let mut all = vec![0.0];
        for sign in [1.0, -1.0] {
            let mut last = self.y(0.0);
            let mut side = Vec::new();
            for decade in [100.0, 10.0, 1.0, 0.1] {
                for n in [5.0, 2.0, 1.0] {
                    side.push(sign * n * decade);
                }
            }
            // One at the very top would touch the lowest of the panel above.
            let inside = |db: &f64| {
                (self.low..=self.high).contains(db) && self.y(*db) - self.top >= TOP_FREE
            };
            for db in side.into_iter().filter(inside).rev() {
                let y = self.y(db);
                if (y - last).abs() >= APART {
                    all.push(db);
                    last = y;
                }
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(low: f64, high: f64, knee: f64, expected: &[f64]) {
        assert_eq!(Scale::new(low, high, knee, 0.0).ticks(), expected);
    }

    #[test]
    fn ticks_have_room_on_a_quiet_and_on_a_loud_scale() {
        check(-0.3, 0.8, 0.6, &[0.0, 0.2, 0.5, -0.2]);
        // asinh(20 / 3) + asinh(17 / 3) is 5.0 with its room 5.8, so 13 units each: 5 stands 17 from 0,
        // 10 and 2 too near to it, 20 another 17 on.
        check(-17.0, 20.0, 3.0, &[0.0, 5.0, 20.0, -5.0, -20.0]);
    }

    #[test]
    fn louder_stands_higher_and_nothing_leaves_the_panel() {
        let scale = Scale::new(-1.0, 20.0, 0.5, 100.0);
        let heights: Vec<f64> =
            [-50.0, -1.0, 0.0, 0.5, 1.0, 20.0, 90.0].map(|db| scale.y(db)).into();
        assert!(heights.windows(2).all(|pair| pair[0] > pair[1]), "{heights:?}");
        assert!(heights[0] <= 100.0 + PANEL && heights[6] >= 100.0);
    }
}
