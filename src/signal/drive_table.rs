//! The drive's calibration: what the amplifier is set to → MPa.
//!
//! Straight between points, never extrapolated.

use super::CurveFault;

/// Points a table has at most.
const MOST_POINTS: usize = 1 << 16;

/// Highest drive, MPa.
const MOST_MPA: f64 = 100.0;

/// A table of settings, rising, and what they drive, MPa.
#[derive(Debug, Clone, PartialEq)]
pub struct DriveTable {
    points: Vec<[f64; 2]>,
}

impl DriveTable {
    /// From points of setting and MPa.
    ///
    /// # Errors
    /// Names the first point that does not fit: fewer than two, not finite, settings that do not
    /// rise, below 0 or above 100 MPa.
    pub fn new(points: Vec<[f64; 2]>) -> Result<Self, CurveFault> {
        let fault = |point, why| Err(CurveFault { point, why });
        if points.len() < 2 || points.len() > MOST_POINTS {
            let why = format!("{} points, must be 2 to {MOST_POINTS}", points.len());
            return fault(points.len(), why);
        }
        for (place, &[setting, mpa]) in points.iter().enumerate() {
            if !setting.is_finite() {
                return fault(place, format!("setting is {setting}, must be finite"));
            }
            if !(0.0..=MOST_MPA).contains(&mpa) {
                return fault(place, format!("drive is {mpa} MPa, must be 0 to {MOST_MPA}"));
            }
            if place > 0 && setting <= points[place - 1][0] {
                let before = points[place - 1][0];
                return fault(place, format!("setting is {setting} after {before}, must rise"));
            }
        }
        Ok(Self { points })
    }

    /// First and last setting.
    #[must_use]
    pub fn range(&self) -> [f64; 2] {
        [self.points[0][0], self.points[self.points.len() - 1][0]]
    }

    /// The drive of a setting, MPa; nothing beyond the points.
    #[must_use]
    pub fn mpa(&self, setting: f64) -> Option<f64> {
        let [first, last] = self.range();
        if !(first..=last).contains(&setting) {
            return None;
        }
        let above = self.points.partition_point(|point| point[0] < setting);
        let [high, high_mpa] = self.points[above];
        if above == 0 {
            return Some(high_mpa);
        }
        let [low, low_mpa] = self.points[above - 1];
        let u = (setting - low) / (high - low);
        Some((1.0 - u) * low_mpa + u * high_mpa)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_points_it_is_straight_and_beyond_unknown() {
        let table = DriveTable::new(vec![[0.0, 0.0], [100.0, 0.1], [200.0, 0.3]]).unwrap();
        for (setting, mpa) in [(0.0, 0.0), (50.0, 0.05), (100.0, 0.1), (150.0, 0.2), (200.0, 0.3)] {
            assert!((table.mpa(setting).unwrap() - mpa).abs() < 1e-15, "{setting}");
        }
        assert_eq!([table.mpa(-1.0), table.mpa(200.1), table.mpa(f64::NAN)], [None; 3]);
    }

    #[test]
    fn points_that_do_not_fit_are_named() {
        let fault = |points: &[[f64; 2]]| {
            let fault = DriveTable::new(points.to_vec()).unwrap_err();
            (fault.point, fault.why)
        };
        assert_eq!(fault(&[[1.0, 0.1]]).0, 1);
        assert_eq!(fault(&[[1.0, 0.1], [1.0, 0.2]]), (1, "setting is 1 after 1, must rise".into()));
        assert_eq!(fault(&[[1.0, -0.1], [2.0, 0.2]]).0, 0);
        assert_eq!(fault(&[[1.0, 0.1], [2.0, f64::NAN]]).0, 1);
        assert_eq!(fault(&[[f64::NAN, 0.1], [2.0, 0.1]]).0, 0);
    }
}
