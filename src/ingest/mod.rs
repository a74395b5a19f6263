//! Where samples come from: recordings as a source of the one ordered input stream.
//!
//! [`Recording::open`] checks a file against what the configuration says of it and finds its pulses;
//! [`Source`] reads the samples of the pulses, and nothing between them, as [`crate::engine::Input`].
//! [`SigmfWriter`] and [`WavWriter`] write what these read. Formats: SigMF pairs, WAV,
//! arrays of NumPy, headerless raw; pulses come from SigMF annotations, from a cue list, from an
//! array's rows, or are cut out by repetition or by the drive's envelope.
//!
//! A *sample set* is one sample of every channel; all indices count sample sets. The *file index*
//! counts what the file stores, the *device index* also what was never stored (SigMF's
//! `core:global_index`).

mod array;
mod bytes;
mod cues;
mod curve;
mod error;
mod facts;
pub mod foreign;
mod layout;
mod npy;
mod npz;
pub mod play;
mod pulses;
mod recording;
mod sigmf;
mod sigmf_entries;
mod sigmf_journal;
mod sigmf_json;
mod sigmf_writer;
pub mod socket;
mod source;
#[cfg(test)]
mod specimen;
mod spots;
mod stored;
mod wav;
mod wav_fmt;
mod wav_writer;
pub mod wire;

pub use bytes::{file_sha256, verify_sha512};
pub use cues::{Kept, names_pulses};
pub use curve::{Table, read_loss};
pub use error::RecordingError;
pub use pulses::Pulse;
pub use recording::{Arrangement, Container, Expect, Look, Recording};
pub use sigmf_journal::{Mended, mend};
pub use sigmf_writer::SigmfWriter;
pub use source::{DEFAULT_BLOCK_BYTES, Source};
pub use spots::Hints;
pub use wav_writer::WavWriter;
