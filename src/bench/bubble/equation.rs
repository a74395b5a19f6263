//! The equations of motion, without dimension: x = R/R0, time in T = R0·√(ρ/p0), pressure in p0.
//!
//! Free bubble, Keller and Miksis, J. Acoust. Soc. Am. 68, 628 (1980):
//! (1 − Ṙ/c)·R·R̈ + 3/2·Ṙ²·(1 − Ṙ/3c) = (1 + Ṙ/c)·(pL − p∞)/ρ + R/(ρc)·d(pL − p∞)/dt,
//! pL = G·(R0/R)^3κ + pv − 2σ/R − 4μṘ/R, p∞ = p0 + p_ac; G = p0 − pv + 2σ/R0 at rest. With 1/c = 0
//! it is that of Rayleigh and Plesset.
//!
//! Coated bubble, Marmottant et al., J. Acoust. Soc. Am. 118, 3499 (2005):
//! ρ·(R·R̈ + 3/2·Ṙ²) = G·(R0/R)^3κ·(1 − 3κṘ/c) − p0 − 2σ(R)/R − 4μṘ/R − 4κsṘ/R² − p_ac.
//!
//! A coated bubble whose shell breaks goes on by the first equation, with the gas pressure it then has.

use std::f64::consts::{LOG2_E, PI, TAU};

use super::liquid::{Breaking, Bubble, BubbleError, Drive, Liquid, Shell};
use super::motion::Model;
use super::step::Pair;

/// Largest |ln x| that the equations are asked about: a millionth or a million of the rest.
const MOST_LOGARITHM: f64 = 13.8;

/// A bubble in its liquid, ready to move.
#[derive(Debug, Clone, Copy)]
pub(super) struct Equation {
    /// Gas pressure at x = 1, and 3κ.
    gas: f64,
    exponent: f64,
    /// Vapour pressure; 2σ/R0; 4μ/T; inverse of the sound speed.
    vapour: f64,
    tension: f64,
    viscosity: f64,
    slowness: f64,
    shell: Option<Skin>,
    drive: Forcing,
}

/// A shell without dimension. Its tension has kinks; between them it is one of three smooth functions,
/// and each step of the integrator is made with one of them.
#[derive(Debug, Clone, Copy)]
struct Skin {
    /// 2χ/R0, 4κs/(T·R0), Rb/R0.
    elasticity: f64,
    viscosity: f64,
    buckling: f64,
    /// Tension where the shell is open, 2σ/R0.
    open: f64,
    regime: Regime,
    /// ln x where it stops buckling, where it opens, where it breaks for good.
    edges: [f64; 3],
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Regime {
    Buckled,
    Elastic,
    Open,
}

/// A drive without dimension.
#[derive(Debug, Clone, Copy)]
enum Forcing {
    Constant { pressure: f64 },
    Burst { cycles: f64, pressure: f64, ramp: f64, duration: f64 },
}

/// Times in which a bubble is measured: T = R0·√(ρ/p0), s.
pub(super) fn unit_s(liquid: &Liquid, radius_m: f64) -> f64 {
    radius_m * libm::sqrt(liquid.density_kg_per_m3 / liquid.static_pressure_pa)
}

impl Equation {
    /// Of a checked bubble.
    pub(super) fn new(
        liquid: &Liquid,
        bubble: &Bubble,
        drive: &Drive,
        model: Model,
    ) -> Result<Self, BubbleError> {
        liquid.check()?;
        bubble.check()?;
        drive.check()?;
        let (p0, radius) = (liquid.static_pressure_pa, bubble.radius_m);
        let unit = unit_s(liquid, radius);
        let tension = 2.0 * liquid.surface_tension_n_per_m / (radius * p0);
        let vapour = liquid.vapour_pressure_pa / p0;
        let shell = bubble.shell.map(|shell| Skin::new(&shell, (radius, p0, unit), tension));
        let gas = shell.map_or(1.0 - vapour + tension, |skin| 1.0 + skin.tension(1.0));
        let slowness = match model {
            Model::KellerMiksis => radius / (unit * liquid.sound_speed_m_per_s),
            Model::RayleighPlesset => 0.0,
        };
        let drive = Forcing::new(drive, p0, unit);
        let exponent = 3.0 * bubble.polytropic_exponent;
        let viscosity = 4.0 * liquid.viscosity_pa_s / (unit * p0);
        Ok(Self { gas, exponent, vapour, tension, viscosity, slowness, shell, drive })
    }

    /// Between which y = ln x this equation holds.
    pub(super) fn bounds(&self) -> [f64; 2] {
        let Some(Skin { regime, edges: [buckling, opening, breaking], .. }) = self.shell else {
            return [f64::NEG_INFINITY, f64::INFINITY];
        };
        let upper = match regime {
            Regime::Buckled => buckling,
            Regime::Elastic => opening,
            Regime::Open => breaking,
        };
        let lower = match regime {
            Regime::Buckled => f64::NEG_INFINITY,
            Regime::Elastic => buckling,
            Regime::Open => opening,
        };
        [lower, upper.min(breaking)]
    }

    /// Passes the upper bound, or the lower one. Gives whether the shell broke for good: then the gas
    /// goes on in a free bubble.
    pub(super) fn pass(&mut self, upwards: bool) -> bool {
        let [_, upper] = self.bounds();
        let Some(shell) = &mut self.shell else { return false };
        if upwards && upper >= shell.edges[2] {
            self.shell = None;
            return true;
        }
        shell.regime = match (shell.regime, upwards) {
            (Regime::Buckled, true) | (Regime::Open, false) => Regime::Elastic,
            (Regime::Elastic | Regime::Open, true) => Regime::Open,
            (Regime::Elastic | Regime::Buckled, false) => Regime::Buckled,
        };
        false
    }

    /// Lets the drive end at a time.
    pub(super) const fn end_drive(&mut self, time: f64) {
        if let Forcing::Burst { duration, .. } = &mut self.drive {
            *duration = time;
        }
    }

    /// Where the bubble rests without shell: x at which gas, vapour and tension hold the pressure at
    /// rest.
    pub(super) fn rest_share(&self) -> f64 {
        let excess = |y: f64| {
            let inverse = libm::exp2(-LOG2_E * y);
            self.gas * libm::exp2(-self.exponent * LOG2_E * y) + self.vapour
                - self.tension * inverse
                - 1.0
        };
        let (mut low, mut high) = (-3.0, 3.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if excess(middle) > 0.0 { low = middle } else { high = middle }
        }
        libm::exp2(LOG2_E * 0.5 * (low + high))
    }

    /// Slopes of y = ln x and of its speed v.
    #[inline]
    pub(super) fn slope(&self, time: f64, [y, v]: Pair) -> Pair {
        if y.is_nan() || y.abs() > MOST_LOGARITHM {
            return [v, f64::NAN];
        }
        let inverse = libm::exp2(-LOG2_E * y);
        let gas = self.gas * libm::exp2(-self.exponent * LOG2_E * y);
        let (sound, rise) = self.drive.at(time);
        let x = 1.0 / inverse;
        let s = self.slowness;
        let u = x * v;
        // In the end x·a = x²·(dv/dt + v²).
        if let Some(shell) = &self.shell {
            let tension = shell.tension(x);
            let friction = (self.viscosity + shell.viscosity * inverse) * v;
            let pressure =
                gas * (1.0 - self.exponent * u * s) - 1.0 - tension * inverse - friction - sound;
            return [v, pressure * inverse * inverse - 2.5 * v * v];
        }
        let mach = u * s;
        let pressure =
            gas + self.vapour - self.tension * inverse - self.viscosity * v - 1.0 - sound;
        // d(pL − p∞)/dt without the part that holds R̈, which stands on the left.
        let change =
            (self.tension * inverse - self.exponent * gas) * v + self.viscosity * v * v - rise;
        let right =
            (1.0 + mach) * pressure + s * x * change - 1.5 * u * u * (1.0 - mach * (1.0 / 3.0));
        let acceleration = right / ((1.0 - mach) * x + s * self.viscosity);
        [v, acceleration * inverse - v * v]
    }

    /// The next time after `time` at which the drive has a kink; infinite: none.
    pub(super) fn next_kink(&self, time: f64) -> f64 {
        let Forcing::Burst { ramp, duration, .. } = self.drive else { return f64::INFINITY };
        [ramp, duration - ramp, duration]
            .into_iter()
            .filter(|kink| *kink > time)
            .fold(f64::INFINITY, f64::min)
    }

    /// The longest step that cannot miss a cycle of the drive.
    pub(super) const fn longest_step(&self) -> f64 {
        match self.drive {
            Forcing::Constant { .. } => f64::INFINITY,
            Forcing::Burst { cycles, .. } => 0.25 / cycles,
        }
    }
}

impl Skin {
    fn new(shell: &Shell, (radius, p0, unit): (f64, f64, f64), water: f64) -> Self {
        let elasticity = 2.0 * shell.elasticity_n_per_m / (radius * p0);
        let viscosity = 4.0 * shell.surface_viscosity_kg_per_s / (unit * radius * p0);
        let buckling = shell.buckling_share;
        let at_tension = |tension: f64| buckling * libm::sqrt(1.0 + tension / elasticity);
        let (opens_at, breaks_at) = match shell.breaking {
            Breaking::Never => (f64::INFINITY, f64::INFINITY),
            Breaking::Radius { over_buckling } => (at_tension(water), buckling * over_buckling),
            Breaking::Tension { n_per_m } => {
                (f64::INFINITY, at_tension(2.0 * n_per_m / (radius * p0)))
            }
        };
        let edges = [buckling, opens_at, breaks_at].map(libm::log);
        // At rest on its buckling radius a shell is elastic: the drive draws first.
        let regime = if edges[0] > 0.0 {
            Regime::Buckled
        } else if edges[1] >= 0.0 {
            Regime::Elastic
        } else {
            Regime::Open
        };
        Self { elasticity, viscosity, buckling, open: water, regime, edges }
    }

    /// 2σ/R0 at x.
    #[inline]
    fn tension(&self, x: f64) -> f64 {
        let over = x / self.buckling;
        match self.regime {
            Regime::Buckled => 0.0,
            Regime::Elastic => self.elasticity * (over * over - 1.0),
            Regime::Open => self.open,
        }
    }
}

impl Forcing {
    fn new(drive: &Drive, p0: f64, unit: f64) -> Self {
        match *drive {
            Drive::Constant { pressure_pa } => Self::Constant { pressure: pressure_pa / p0 },
            Drive::Burst { frequency_hz, pressure_pa, ramp_s, duration_s } => Self::Burst {
                cycles: frequency_hz * unit,
                pressure: pressure_pa / p0,
                ramp: ramp_s / unit,
                duration: duration_s / unit,
            },
        }
    }

    /// Pressure and its slope at a time.
    #[inline]
    fn at(&self, time: f64) -> (f64, f64) {
        match *self {
            Self::Constant { pressure } => (pressure, 0.0),
            Self::Burst { cycles, pressure, ramp, duration } => {
                let inside = time.min(duration - time);
                if inside < 0.0 {
                    return (0.0, 0.0);
                }
                let turns = cycles * time;
                let (sin, cos) = libm::sincos(TAU * (turns - whole(turns)));
                let (wave, rise) = (-pressure * sin, -pressure * TAU * cycles * cos);
                if inside >= ramp {
                    return (wave, rise);
                }
                let (sin, cos) = libm::sincos(PI * inside / ramp);
                let (share, growth) = (0.5 - 0.5 * cos, 0.5 * PI / ramp * sin);
                let growth = if time + time <= duration { growth } else { -growth };
                (share * wave, share * rise + growth * wave)
            }
        }
    }
}

/// The whole turns of a number of turns that is not negative. A cast, since the floor of the library
/// is a call in the innermost loop.
#[inline]
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "turns stay far below 2^53: 100 s of 50 MHz"
)]
const fn whole(turns: f64) -> f64 {
    turns as i64 as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_drive_s_slope_is_that_of_its_pressure() {
        let drive =
            Drive::Burst { frequency_hz: 1e6, pressure_pa: 1e5, ramp_s: 3e-6, duration_s: 10e-6 };
        let forcing = Forcing::new(&drive, 1e5, 1e-6);
        let step = 1e-5;
        // Closed form: the central difference of a smooth function, to second order.
        for time in [0.13, 1.7, 2.9, 4.4, 7.3, 9.6] {
            let slope = (forcing.at(time + step).0 - forcing.at(time - step).0) / (2.0 * step);
            assert!((slope - forcing.at(time).1).abs() < 1e-7, "{time}: {slope}");
        }
        assert!(forcing.at(0.25).0 < 0.0, "rarefaction comes first");
        assert!(forcing.at(10.1).0.abs() < 1e-300);
    }
}
