//! Samples → band powers. Pure: no files, no threads, no clocks.
//!
//! In reading order: [`spec`] what is asked, [`window`] weights, [`segment`] lengths and degrees of
//! freedom, [`bands`] which bins are what, [`plan`] all of it checked and ready, [`pcm`] bytes to
//! counts, [`ear`] one channel of one pulse as it arrives, [`spectrum`] Welch's average, [`tone`]
//! the drive's own line, [`measure`] the powers and the detection level λ,
//! [`calibration`] pascals and the receive path's loss,
//! [`interference`] tones that stay without drive.

pub mod bands;
pub mod calibration;
mod curve;
pub mod cutting;
mod drive_table;
pub mod ear;
pub mod interference;
pub mod measure;
pub mod pcm;
pub mod plan;
pub mod segment;
pub mod spec;
mod spectrum;
mod tone;
mod watch;
mod wide;
pub mod window;

pub use bands::{Bands, Line};
pub use calibration::{Calibration, ReceiverCurves, Weighting};
pub use curve::{Curve, CurveFault};
pub use cutting::{Axis, Bursts, CutBy, Cutting, Envelope};
pub use drive_table::DriveTable;
pub use ear::Ear;
pub use measure::{Band, ChannelReading, Heard, Measured, Running, Void, decibels};
pub use plan::{Plan, Stretch, transform_path};
pub use spec::{
    BandSpec, PerQuantity, Quantity, ReceiveSpec, SampleFormat, SignalSpec, SpecFault,
    SpectrumSpec, Window,
};
pub(crate) use wide::widest;
pub use window::as_f64;

#[cfg(test)]
mod tests;
