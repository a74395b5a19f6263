//! Threads and queues around the pure rooms: one road for every way in.
//!
//! [`input`] what comes in, in one order; `cutter` frames → slices; `worker` slices → readings;
//! `judge` readings → judgements; [`run`] the threads and the bounded lines between them;
//! [`scene`] a simulated scene as the same stream; [`account`] what came in, was used and was lost.

pub mod account;
mod cutter;
pub mod input;
mod judge;
pub mod run;
pub mod scene;
mod worker;

pub use account::Account;
pub use cutter::CutError;
pub use input::{
    Act, DeviceNanos, Frame, Input, PulseTag, SampleIndex, Stage, Stream, device_time,
};
pub use judge::Judged;
pub use run::{Buffers, Finished, RunError, Sink, run};

#[cfg(test)]
mod tests;
