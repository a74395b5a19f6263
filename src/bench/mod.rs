//! The simulated bench: scenes with known truth. Pure: no files, no threads, no clocks.
//!
//! [`bubble`] the sound of bubbles, not used by scenes yet. In reading order: [`law`] what sounds how loud at which drive, every constant with its unit;
//! [`noise`] random numbers that are the same on every machine; `sound` the volts of one pulse;
//! [`layout`] which pulses come in which order; [`spec`] what the bench is asked, checked;
//! [`scene`] the converter's counts of each pulse.
//!
//! Units: volts at the converter, MPa of drive, seconds, hertz, V²/Hz. What leaves the room are
//! counts of the converter. The same seed gives the same bytes on every machine: only IEEE
//! arithmetic, square roots and the functions of the `libm` crate are used, never the system's.

pub mod bubble;
pub mod law;
pub mod layout;
pub mod noise;
mod path;
pub mod scene;
mod sound;
pub mod spec;

pub use law::Law;
pub use layout::{Part, Step};
pub use scene::{Scene, ScenePulse, Scratch};
pub use spec::{SceneError, SceneSpec};
