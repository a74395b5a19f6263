//! The simulated bench: scenes with known truth. Pure: no files, no threads, no clocks.
//!
//! In reading order: [`law`] what sounds how loud at which drive, every constant with its unit;
//! [`noise`] random numbers that are the same on every machine; `sound` the volts of one pulse;
//! [`scene`] which pulses come in which order, and their counts.
//!
//! Units: volts at the converter, MPa of drive, seconds, hertz, V²/Hz. What leaves the room are
//! counts of the converter. The same seed gives the same bytes on every machine: only IEEE
//! arithmetic, square roots and the functions of the `libm` crate are used, never the system's.

pub mod law;
pub mod noise;
pub mod scene;
mod sound;

pub use law::Law;
pub use scene::{Part, Scene, SceneError, ScenePulse, SceneSpec, Scratch, Step};
