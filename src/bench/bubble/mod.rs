//! Bubbles that obey published equations, and the sound they make. Pure: no files, no threads, no clocks.
//!
//! In reading order: [`liquid`] what a bubble is, what it lies in, what drives it; `equation` the equations
//! of Keller and Miksis, of Rayleigh and Plesset, of Marmottant; `step` and `tableau` the integrator;
//! [`motion`] one bubble over time; [`closed`] closed forms; [`field`] the focus; `filter` from volume to
//! band-limited sound; [`cell`] one bubble at one pressure, simulated once; [`library`] all of them;
//! [`population`] which bubbles a pulse meets; [`sound`] what they make together at receivers; [`curves`] one
//! bubble for a picture.
//!
//! Left out, and to be said where results are shown: the gas is polytropic and has no core, its heat and
//! vapour do not flow (by Prosperetti 1977 that would damp a free bubble of 1.25 µm at 0.7 MHz by 0.4 of
//! what the water's viscosity does, see the tests of [`closed`]); bubbles stay spheres, do not hear or touch each other, do not move or fragment within
//! a burst; the drive at a bubble is a plane wave without harmonics of its own.
//!
//! Units: SI throughout. Every transcendental function is of the `libm` crate: the same bytes on every
//! machine.

pub mod cell;
pub mod closed;
pub mod curves;
mod equation;
pub mod field;
mod filter;
pub mod library;
pub mod limits;
pub mod liquid;
pub mod motion;
pub mod population;
pub mod sound;
mod step;
mod tableau;
#[cfg(test)]
mod tests;

pub use cell::Cell;
pub use curves::{Curves, curves};
pub use field::{Bowl, Focus};
pub use library::{Grid, Library, LibrarySpec};
pub use liquid::{Breaking, Bubble, BubbleError, Drive, Liquid, Shell};
pub use motion::{Course, INERTIAL_RATIO, Model, Motion, Turn, Wall};
pub use population::{Population, PopulationSpec, Present};
pub use sound::Truth;
