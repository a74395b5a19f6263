//! A number in dB over frequency, known at some points.
//!
//! Between points it is straight over the logarithm of frequency; beyond them it is unknown, never
//! extrapolated.

/// Points a curve has at most.
const MOST_POINTS: usize = 1 << 20;

/// Largest size of a value, dB.
const MOST_DB: f64 = 300.0;

/// A point that does not fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{why}")]
pub struct CurveFault {
    /// Which point, from 0.
    pub point: usize,
    /// What is wrong with it, with value and bound.
    pub why: String,
}

/// A curve: frequency, Hz, rising, and value, dB.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    points: Vec<[f64; 2]>,
}

impl Curve {
    /// From points of frequency, Hz, and value, dB.
    ///
    /// # Errors
    /// Names the first point that does not fit: fewer than two, not finite, not above 0 Hz, not
    /// rising, beyond ±300 dB.
    pub fn new(points: Vec<[f64; 2]>) -> Result<Self, CurveFault> {
        let fault = |point, why| Err(CurveFault { point, why });
        if points.len() < 2 || points.len() > MOST_POINTS {
            let why = format!("{} points, must be 2 to {MOST_POINTS}", points.len());
            return fault(points.len(), why);
        }
        for (place, &[frequency_hz, db]) in points.iter().enumerate() {
            if !(frequency_hz.is_finite() && frequency_hz > 0.0) {
                let why = format!("frequency is {frequency_hz} Hz, must be finite and above 0");
                return fault(place, why);
            }
            if !(-MOST_DB..=MOST_DB).contains(&db) {
                return fault(place, format!("value is {db} dB, must be within ±{MOST_DB}"));
            }
            if place > 0 && frequency_hz <= points[place - 1][0] {
                let before = points[place - 1][0];
                let why = format!("frequency is {frequency_hz} Hz after {before}, must rise");
                return fault(place, why);
            }
        }
        Ok(Self { points })
    }

    /// First and last frequency, Hz.
    #[must_use]
    pub fn range_hz(&self) -> [f64; 2] {
        [self.points[0][0], self.points[self.points.len() - 1][0]]
    }

    /// The value at a frequency, dB; nothing beyond the points.
    #[must_use]
    pub fn at(&self, frequency_hz: f64) -> Option<f64> {
        let [first, last] = self.range_hz();
        if !(first..=last).contains(&frequency_hz) {
            return None;
        }
        let above = self.points.partition_point(|point| point[0] < frequency_hz);
        let [high_hz, high_db] = self.points[above];
        if above == 0 {
            return Some(high_db);
        }
        let [low_hz, low_db] = self.points[above - 1];
        let u = libm::log(frequency_hz / low_hz) / libm::log(high_hz / low_hz);
        Some((1.0 - u) * low_db + u * high_db)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_points_it_is_straight_over_the_logarithm_and_beyond_unknown() {
        let curve = Curve::new(vec![[1e6, 10.0], [2e6, 20.0], [4e6, 26.0]]).unwrap();
        assert_eq!(curve.at(1e6), Some(10.0));
        assert_eq!(curve.at(4e6), Some(26.0));
        // Closed form: √2 is half of an octave.
        assert!((curve.at(2f64.sqrt() * 1e6).unwrap() - 15.0).abs() < 1e-12);
        assert!((curve.at(8f64.sqrt() * 1e6).unwrap() - 23.0).abs() < 1e-12);
        assert_eq!(curve.at(0.999e6), None);
        assert_eq!(curve.at(4.001e6), None);
        assert_eq!(curve.at(f64::NAN), None);
    }

    #[test]
    fn points_that_do_not_fit_are_named() {
        let fault = |points: &[[f64; 2]]| {
            let fault = Curve::new(points.to_vec()).unwrap_err();
            (fault.point, fault.why)
        };
        assert_eq!(fault(&[[1e6, 1.0]]).0, 1);
        assert_eq!(
            fault(&[[1e6, 1.0], [1e6, 2.0]]),
            (1, "frequency is 1000000 Hz after 1000000, must rise".to_owned())
        );
        assert_eq!(fault(&[[0.0, 1.0], [1e6, 2.0]]).0, 0);
        assert_eq!(fault(&[[1e6, 1.0], [2e6, f64::NAN]]).0, 1);
        assert_eq!(fault(&[[1e6, 1.0], [2e6, 301.0]]).0, 1);
    }
}
