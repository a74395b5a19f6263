//! Closed forms of a bubble and of its liquid, SI units in and out.
//!
//! Minnaert 1933; resonance with surface tension and damping as in Leighton, The Acoustic Bubble,
//! 1994; coated resonance from Marmottant et al. 2005 at an elastic rest; Rayleigh 1917; Blake 1949;
//! threshold of period doubling: Eller and Flynn 1969 and Prosperetti 1974 carried on to surface
//! tension; inertial onset: Apfel and Holland 1991, constants from memory; absorption: Pinkerton 1949,
//! from memory; thermal noise: Mellen 1952, from memory.

use std::f64::consts::{PI, TAU};

use super::liquid::{Liquid, Shell};

/// Boltzmann's constant, J/K; exact in the SI.
const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;
/// Absorption of water at 20 °C over the frequency squared, Np·s²/m.
const ABSORPTION_NP_S2_PER_M: f64 = 25.3e-15;

/// Minnaert's frequency: no surface tension, no viscosity.
#[must_use]
pub fn minnaert_hz(liquid: &Liquid, polytropic_exponent: f64, radius_m: f64) -> f64 {
    let stiffness = 3.0 * polytropic_exponent * liquid.static_pressure_pa;
    libm::sqrt(stiffness / liquid.density_kg_per_m3) / (TAU * radius_m)
}

/// Natural frequency of a free bubble with surface tension, undamped.
#[must_use]
pub fn resonance_hz(liquid: &Liquid, polytropic_exponent: f64, radius_m: f64) -> f64 {
    let tension = 2.0 * liquid.surface_tension_n_per_m / radius_m;
    let gas = liquid.static_pressure_pa - liquid.vapour_pressure_pa + tension;
    let stiffness = 3.0 * polytropic_exponent * gas - tension;
    libm::sqrt(stiffness / liquid.density_kg_per_m3) / (TAU * radius_m)
}

/// Natural frequency of a coated bubble whose shell is elastic at rest and has no tension there.
#[must_use]
pub fn coated_resonance_hz(
    liquid: &Liquid,
    shell: &Shell,
    polytropic_exponent: f64,
    radius_m: f64,
) -> f64 {
    let stiffness = 3.0 * polytropic_exponent * liquid.static_pressure_pa
        + 4.0 * shell.elasticity_n_per_m / radius_m;
    libm::sqrt(stiffness / liquid.density_kg_per_m3) / (TAU * radius_m)
}

/// Damping at the natural frequency `resonance_hz`, dimensionless: of viscosity and of radiation.
#[must_use]
pub fn damping(liquid: &Liquid, resonance_hz: f64, radius_m: f64) -> [f64; 2] {
    let omega = TAU * resonance_hz;
    let viscous =
        4.0 * liquid.viscosity_pa_s / (liquid.density_kg_per_m3 * omega * radius_m * radius_m);
    [viscous, omega * radius_m / liquid.sound_speed_m_per_s]
}

/// Time in which an empty cavity of the radius collapses under a pressure.
#[must_use]
pub fn collapse_s(liquid: &Liquid, radius_m: f64, pressure_pa: f64) -> f64 {
    let coefficient = libm::sqrt(PI / 6.0) * libm::tgamma(5.0 / 6.0) / libm::tgamma(4.0 / 3.0);
    coefficient * radius_m * libm::sqrt(liquid.density_kg_per_m3 / pressure_pa)
}

/// Blake's threshold of a slow rarefaction, Pa, and the radius from which a bubble then grows, m.
#[must_use]
pub fn blake(liquid: &Liquid, radius_m: f64) -> [f64; 2] {
    let rest = liquid.static_pressure_pa - liquid.vapour_pressure_pa;
    let tension = 2.0 * liquid.surface_tension_n_per_m;
    let gas = (rest + tension / radius_m) * radius_m * radius_m * radius_m;
    let critical = libm::sqrt(3.0 * gas / tension);
    [rest + 2.0 * tension / (3.0 * critical), critical]
}

/// Drive at twice the natural frequency from which a free bubble doubles its period, Pa, to the lowest
/// order of the expansion.
#[must_use]
pub fn period_doubling_pa(liquid: &Liquid, polytropic_exponent: f64, radius_m: f64) -> f64 {
    let resonance = resonance_hz(liquid, polytropic_exponent, radius_m);
    let [viscous, radiated] = damping(liquid, resonance, radius_m);
    let tension = 2.0 * liquid.surface_tension_n_per_m / radius_m;
    let gas = liquid.static_pressure_pa + tension;
    let kappa = polytropic_exponent;
    let stiffness = 3.0 * kappa * gas - tension;
    3.0 * stiffness * stiffness * (viscous + radiated) / (4.5 * kappa * kappa * gas - 0.5 * tension)
}

/// Peak rarefaction from which a bubble of the best radius collapses inertially in water, Pa; a fit.
#[must_use]
pub fn apfel_holland_pa(frequency_hz: f64) -> f64 {
    1e6 * libm::pow(0.06 * frequency_hz * 1e-6, 1.0 / 2.10)
}

/// Peak rarefaction in MPa over the root of the frequency in MHz.
#[must_use]
pub fn mechanical_index(rarefaction_pa: f64, frequency_hz: f64) -> f64 {
    rarefaction_pa * 1e-6 / libm::sqrt(frequency_hz * 1e-6)
}

/// Absorption of water at 20 °C in amplitude, Np/m.
#[must_use]
pub fn water_absorption_np_per_m(frequency_hz: f64) -> f64 {
    ABSORPTION_NP_S2_PER_M * frequency_hz * frequency_hz
}

/// One-sided density of the liquid's thermal pressure noise at a small receiver, Pa²/Hz: 4πkTρf²/c.
#[must_use]
pub fn thermal_noise_pa2_per_hz(liquid: &Liquid, kelvin: f64, frequency_hz: f64) -> f64 {
    4.0 * PI * BOLTZMANN_J_PER_K * kelvin * liquid.density_kg_per_m3 * frequency_hz * frequency_hz
        / liquid.sound_speed_m_per_s
}
