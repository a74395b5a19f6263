//! What a bubble is, what it lies in, what drives it; and what can be wrong with them.
//!
//! A coated bubble's tension over its radius R is that of Marmottant et al., J. Acoust. Soc. Am. 118,
//! 3499 (2005): 0 below the buckling radius Rb, χ(R²/Rb² − 1) above it, and that of the bare liquid
//! where the shell is open. [`Breaking`] says where it opens and whether it closes again.

/// Most and least radius of a bubble, m.
const RADII_M: [f64; 2] = [1e-8, 1e-3];
/// Most and least drive frequency, Hz.
const FREQUENCIES_HZ: [f64; 2] = [1e3, 5e7];
/// Strongest drive, Pa. Far above it a polytropic gas without a core says nothing true any more.
pub(super) const MOST_DRIVE_PA: f64 = 5e6;
/// Longest drive that ends, s.
const MOST_DRIVE_S: f64 = 10.0;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BubbleError {
    /// A number out of its bounds.
    #[error("{name} is {value}, must be {bound}")]
    Bound {
        /// What, with its unit last.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What it must be.
        bound: String,
    },
    /// Times were asked for backwards.
    #[error("time {time_s} s lies before {reached_s} s, where the motion already is")]
    Backwards {
        /// The time asked for, s.
        time_s: f64,
        /// Where the motion is, s.
        reached_s: f64,
    },
    /// The wall went where the model ends: the step became too small to go on.
    #[error(
        "bubble of {radius_m} m at {pressure_pa} Pa: the model ends at {time_s} s, radius {share} \
         of its rest, step below {step_s} s"
    )]
    Underflow {
        /// Radius at rest, m.
        radius_m: f64,
        /// Amplitude of the drive, Pa.
        pressure_pa: f64,
        /// When, s.
        time_s: f64,
        /// Radius then over that at rest.
        share: f64,
        /// The smallest step, s.
        step_s: f64,
    },
    /// More steps than allowed.
    #[error("bubble of {radius_m} m at {pressure_pa} Pa: more than {steps} steps up to {time_s} s")]
    Steps {
        /// Radius at rest, m.
        radius_m: f64,
        /// Amplitude of the drive, Pa.
        pressure_pa: f64,
        /// Where it was given up, s.
        time_s: f64,
        /// The bound.
        steps: u64,
    },
}

/// Fails unless `value` lies from `low` to `high`.
pub(super) fn within(
    name: &'static str,
    value: f64,
    [low, high]: [f64; 2],
) -> Result<f64, BubbleError> {
    if value >= low && value <= high {
        return Ok(value);
    }
    Err(BubbleError::Bound { name, value, bound: format!("from {low} to {high}") })
}

/// A liquid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Liquid {
    /// Density, kg/m³.
    pub density_kg_per_m3: f64,
    /// Speed of sound, m/s.
    pub sound_speed_m_per_s: f64,
    /// Shear viscosity, Pa·s.
    pub viscosity_pa_s: f64,
    /// Surface tension against the gas, N/m.
    pub surface_tension_n_per_m: f64,
    /// Pressure at rest, Pa.
    pub static_pressure_pa: f64,
    /// Vapour pressure, Pa.
    pub vapour_pressure_pa: f64,
}

impl Liquid {
    /// Water at 20 °C; vapour left out. Handbook values.
    pub const WATER_20C: Self = Self {
        density_kg_per_m3: 998.0,
        sound_speed_m_per_s: 1481.0,
        viscosity_pa_s: 1.002e-3,
        surface_tension_n_per_m: 0.0725,
        static_pressure_pa: 101_325.0,
        vapour_pressure_pa: 0.0,
    };
    /// Water at 37 °C; vapour left out. Handbook values.
    pub const WATER_37C: Self = Self {
        density_kg_per_m3: 993.3,
        sound_speed_m_per_s: 1523.6,
        viscosity_pa_s: 6.9e-4,
        surface_tension_n_per_m: 0.07,
        ..Self::WATER_20C
    };
    /// A liquid as dense, stiff and viscous as blood, without its cells.
    pub const BLOOD_LIKE: Self = Self {
        density_kg_per_m3: 1050.0,
        sound_speed_m_per_s: 1570.0,
        viscosity_pa_s: 4e-3,
        surface_tension_n_per_m: 0.056,
        ..Self::WATER_20C
    };

    /// Checks every number.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names the first that does not fit.
    pub fn check(&self) -> Result<(), BubbleError> {
        within("density_kg_per_m3", self.density_kg_per_m3, [100.0, 2e4])?;
        within("sound_speed_m_per_s", self.sound_speed_m_per_s, [100.0, 1e4])?;
        within("viscosity_pa_s", self.viscosity_pa_s, [0.0, 10.0])?;
        within("surface_tension_n_per_m", self.surface_tension_n_per_m, [0.0, 1.0])?;
        within("static_pressure_pa", self.static_pressure_pa, [1e3, 1e8])?;
        let most = self.static_pressure_pa;
        within("vapour_pressure_pa", self.vapour_pressure_pa, [0.0, most])?;
        Ok(())
    }
}

/// When a shell opens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Breaking {
    /// Never: it is elastic at any radius.
    Never,
    /// It stays elastic up to a tension and is broken for good beyond: Marmottant 2005.
    Tension {
        /// The tension, N/m.
        n_per_m: f64,
    },
    /// It opens where its tension reaches that of the liquid and closes again, and is broken for good
    /// beyond a radius.
    Radius {
        /// The radius over the buckling radius.
        over_buckling: f64,
    },
}

/// A shell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shell {
    /// Elastic modulus of the surface, χ, N/m.
    pub elasticity_n_per_m: f64,
    /// Viscosity of the surface, κs, kg/s.
    pub surface_viscosity_kg_per_s: f64,
    /// Buckling radius over that at rest, Rb/R0.
    pub buckling_share: f64,
    /// When it opens.
    pub breaking: Breaking,
}

impl Shell {
    /// A lipid shell: χ = 0.53 N/m (published ± 0.10), κs = 1.2e-8 kg/s (± 0.4e-8), no tension at
    /// rest, broken beyond 1.5 of the buckling radius. Paul et al. 2013, table of models for one
    /// lipid agent (PMC4470369, Table 1).
    pub const LIPID: Self = Self {
        elasticity_n_per_m: 0.53,
        surface_viscosity_kg_per_s: 1.2e-8,
        buckling_share: 1.0,
        breaking: Breaking::Radius { over_buckling: 1.5 },
    };

    /// Checks every number.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names the first that does not fit.
    pub fn check(&self) -> Result<(), BubbleError> {
        within("elasticity_n_per_m", self.elasticity_n_per_m, [0.0, 10.0])?;
        within("surface_viscosity_kg_per_s", self.surface_viscosity_kg_per_s, [0.0, 1e-6])?;
        within("buckling_share", self.buckling_share, [0.5, 1.5])?;
        match self.breaking {
            Breaking::Never => {}
            Breaking::Tension { n_per_m } => {
                within("breaking.n_per_m", n_per_m, [0.0, 10.0])?;
            }
            Breaking::Radius { over_buckling } => {
                within("breaking.over_buckling", over_buckling, [1.0, 10.0])?;
            }
        }
        Ok(())
    }
}

/// A bubble at rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bubble {
    /// Radius at rest, m.
    pub radius_m: f64,
    /// Polytropic exponent of the gas, κ.
    pub polytropic_exponent: f64,
    /// Its shell, where it has one.
    pub shell: Option<Shell>,
}

impl Bubble {
    /// A bare bubble of air, κ = 1.4.
    #[must_use]
    pub const fn free(radius_m: f64) -> Self {
        Self { radius_m, polytropic_exponent: 1.4, shell: None }
    }

    /// Checks every number.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names the first that does not fit.
    pub fn check(&self) -> Result<(), BubbleError> {
        within("radius_m", self.radius_m, RADII_M)?;
        within("polytropic_exponent", self.polytropic_exponent, [1.0, 2.0])?;
        self.shell.map_or(Ok(()), |shell| shell.check())
    }
}

/// Pressure added to that at rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// The same at all times from 0 on.
    Constant {
        /// Pressure, Pa; negative draws.
        pressure_pa: f64,
    },
    /// −pA·sin 2πft from 0 on, rarefaction first, under raised-cosine ramps that lie inside.
    Burst {
        /// Frequency, Hz.
        frequency_hz: f64,
        /// Amplitude pA, Pa.
        pressure_pa: f64,
        /// Length of each ramp, s.
        ramp_s: f64,
        /// Length with both ramps, s; infinite: no end.
        duration_s: f64,
    },
}

impl Drive {
    /// A tone from 0 on, without ramps and end.
    #[must_use]
    pub const fn tone(frequency_hz: f64, pressure_pa: f64) -> Self {
        Self::Burst { frequency_hz, pressure_pa, ramp_s: 0.0, duration_s: f64::INFINITY }
    }

    /// Amplitude, Pa.
    #[must_use]
    pub const fn pressure_pa(&self) -> f64 {
        match self {
            Self::Constant { pressure_pa } | Self::Burst { pressure_pa, .. } => *pressure_pa,
        }
    }

    /// Checks every number.
    ///
    /// # Errors
    /// [`BubbleError::Bound`] names the first that does not fit.
    pub fn check(&self) -> Result<(), BubbleError> {
        match *self {
            Self::Constant { pressure_pa } => {
                within("pressure_pa", pressure_pa, [-MOST_DRIVE_PA, MOST_DRIVE_PA])?;
            }
            Self::Burst { frequency_hz, pressure_pa, ramp_s, duration_s } => {
                within("frequency_hz", frequency_hz, FREQUENCIES_HZ)?;
                within("pressure_pa", pressure_pa, [0.0, MOST_DRIVE_PA])?;
                if !(duration_s > 0.0 && (duration_s <= MOST_DRIVE_S || duration_s.is_infinite())) {
                    let bound = format!("above 0 and up to {MOST_DRIVE_S}, or infinite");
                    let (name, value) = ("duration_s", duration_s);
                    return Err(BubbleError::Bound { name, value, bound });
                }
                within("ramp_s", ramp_s, [0.0, (0.5 * duration_s).min(MOST_DRIVE_S)])?;
            }
        }
        Ok(())
    }
}
