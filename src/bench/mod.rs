//! The simulated bench: scenes with known truth. Pure: no files, no threads, no clocks.
//!
//! In reading order: [`bubble`] the sound of bubbles; [`noise`] random numbers that are the same on
//! every machine; [`setup`] what a bench is made of; `drive` the drive's own lines; [`path`] from a
//! cloud to a receiver's volts; [`layout`] which pulses come in which order; [`spec`] what the
//! configuration says, checked; [`course`] the pulses in their order; [`scene`] the converter's counts
//! of each; [`truth`] what the bubbles alone would have given.
//!
//! Units: pascals at the receiver, volts at the converter, MPa of drive, seconds, hertz, V²/Hz. What
//! leaves the room are counts of the converter. The same seed gives the same counts in any order and by
//! any number of threads. Bubbles, noise and drive use IEEE arithmetic, square roots and the functions
//! of the `libm` crate alone; only the path's transform may round its last bit (1e-16) differently on
//! processors with other vector units, which rounding to counts hides but for one sample in some 1e11.

pub mod bubble;
pub mod course;
mod drive;
pub mod layout;
pub mod noise;
pub mod path;
pub mod scene;
pub mod setup;
pub mod spec;
#[cfg(test)]
mod tests;
pub mod truth;

pub use course::{Course, ScenePulse};
pub use layout::{Part, Step};
pub use path::{Absorption, Reverberation};
pub use scene::{Scene, Scratch};
pub use setup::Setup;
pub use spec::{SceneError, SceneSpec};
pub use truth::{Emitted, Witness};
