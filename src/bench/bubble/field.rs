//! The field of a focused source: O'Neil 1949, J. Acoust. Soc. Am. 21, 516, on the axis; around the
//! focus a Gaussian ellipsoid.
//!
//! The ellipsoid has the true half-pressure widths: along the axis that of O'Neil's solution, across it
//! that of 2·J1(x)/x, the far field of a disc. Inside them it follows the main lobe within 0.03 of the
//! focal pressure; it has no side lobes, and it lies symmetric about the geometric focus, while O'Neil's
//! maximum lies a little before it.

use std::f64::consts::TAU;

use super::liquid::{BubbleError, Liquid, within};

/// x at which 2·J1(x)/x is one half. COMPUTED with SciPy: brentq on scipy.special.j1.
const HALF_OF_DISC: f64 = 2.215_089_367_724;

/// A spherical bowl that vibrates in phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bowl {
    /// Radius of curvature: where the geometric focus lies, m.
    pub curvature_radius_m: f64,
    /// Radius of the opening, m.
    pub aperture_radius_m: f64,
}

/// Half-widths of the focus at half of its pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Focus {
    /// Across the beam, m.
    pub lateral_half_m: f64,
    /// Along the beam, m.
    pub axial_half_m: f64,
}

impl Bowl {
    /// Checks the shape.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names what does not fit; the opening must be smaller than the curvature.
    pub fn check(&self) -> Result<(), BubbleError> {
        within("curvature_radius_m", self.curvature_radius_m, [1e-3, 1.0])?;
        let most = self.curvature_radius_m;
        within("aperture_radius_m", self.aperture_radius_m, [1e-4, most])?;
        Ok(())
    }

    /// Depth of the bowl, m.
    #[must_use]
    pub fn depth_m(&self) -> f64 {
        let (curvature, aperture) = (self.curvature_radius_m, self.aperture_radius_m);
        curvature - libm::sqrt(curvature * curvature - aperture * aperture)
    }

    /// Pressure amplitude on the axis, `z_m` from the bowl's bottom, over ρ·c·(speed of the face).
    #[must_use]
    pub fn on_axis(&self, liquid: &Liquid, frequency_hz: f64, z_m: f64) -> f64 {
        let k = TAU * frequency_hz / liquid.sound_speed_m_per_s;
        let (depth, aperture) = (self.depth_m(), self.aperture_radius_m);
        let rim = libm::hypot(z_m - depth, aperture);
        let away = 1.0 - z_m / self.curvature_radius_m;
        // Close to the focus both parts of the quotient vanish; its limit is k·depth.
        if away.abs() < 1e-7 {
            return k * depth;
        }
        (2.0 / away * libm::sin(0.5 * k * (rim - z_m))).abs()
    }

    /// The focus as an ellipsoid.
    ///
    /// # Errors
    /// [`BubbleError::Bound`]: the shape, or a frequency at which the bowl does not focus (its depth
    /// below a quarter of the wavelength).
    pub fn focus(&self, liquid: &Liquid, frequency_hz: f64) -> Result<Focus, BubbleError> {
        self.check()?;
        liquid.check()?;
        let k = TAU * frequency_hz / liquid.sound_speed_m_per_s;
        let depth = self.depth_m();
        within("frequency_hz", frequency_hz, [1e3, 1e8])?;
        within("depth of the bowl over the wavelength", k * depth / TAU, [0.25, 1e4])?;
        let focal = self.curvature_radius_m;
        let at = |z_m: f64| self.on_axis(liquid, frequency_hz, z_m);
        let edge = |direction: f64, half: f64| {
            // From the focus outwards in small steps to the first place below half, then bisection.
            let step = direction * focal / 2048.0;
            let (mut near, mut far) = (focal, focal + step);
            while at(far) > half && (far - focal).abs() < focal {
                (near, far) = (far, far + step);
            }
            for _ in 0..60 {
                let middle = 0.5 * (near + far);
                if at(middle) > half { near = middle } else { far = middle }
            }
            0.5 * (near + far)
        };
        // The largest pressure lies a little before the focus: by thirds.
        let (mut low, mut high) = (edge(-1.0, 0.5 * at(focal)), focal);
        for _ in 0..80 {
            let third = (high - low) / 3.0;
            if at(low + third) < at(high - third) { low += third } else { high -= third }
        }
        let half = 0.5 * at(low);
        let axial_half_m = 0.5 * (edge(1.0, half) - edge(-1.0, half));
        let lateral_half_m = HALF_OF_DISC * focal / (k * self.aperture_radius_m);
        Ok(Focus { lateral_half_m, axial_half_m })
    }
}

impl Focus {
    /// Checks the widths.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names what does not fit.
    pub fn check(&self) -> Result<(), BubbleError> {
        within("lateral_half_m", self.lateral_half_m, [1e-5, 1.0])?;
        within("axial_half_m", self.axial_half_m, [1e-5, 1.0])?;
        Ok(())
    }

    /// Pressure at a place over that at the focus, which is the origin; the beam runs along z.
    #[must_use]
    pub fn share(&self, [x, y, z]: [f64; 3]) -> f64 {
        let across = (x * x + y * y) / (self.lateral_half_m * self.lateral_half_m);
        let along = z * z / (self.axial_half_m * self.axial_half_m);
        libm::exp2(-(across + along))
    }

    /// How far across the beam the pressure sinks to a share of the focus's, m.
    #[must_use]
    pub fn lateral_m(&self, share: f64) -> f64 {
        self.lateral_half_m * libm::sqrt(-libm::log2(share.clamp(1e-9, 1.0)))
    }
}
