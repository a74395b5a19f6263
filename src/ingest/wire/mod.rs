//! The pulse stream, version 1: what a digitiser and the monitor say to each other, without a socket.
//!
//! Sender to monitor: one JSON line ([`Hello`]), then binary frames ([`Header`] and payload). Monitor
//! to sender: JSON lines only ([`Reply`], then [`Message`]s). `PROTOCOL.md` beside this file is the
//! page for people who write a sender; a test derives its worked example again.
//!
//! Everything here is pure: bytes come in as slices cut anywhere ([`Decoder`]), time comes in as a
//! [`std::time::Duration`] on any clock that does not run back, and what is to be done goes out as
//! [`Step`]s. [`Link`] is the monitor's side and lives as long as the daemon, over reconnects;
//! [`Sender`] is the other side. Sockets, clocks and queues are the caller's.
//!
//! Checksums are CRC-32 as in IEEE 802.3 and RFC 1952. A *sample set* is one sample of every
//! channel; all counts of samples are per channel.

mod decoder;
mod expectation;
mod flags;
mod header;
mod hello;
mod json;
mod link;
mod pulses;
mod reply;
mod sender;
mod step;
mod terms;
#[cfg(test)]
mod tests;

pub use decoder::{Arrived, Decoder, DecoderEvent};
pub use expectation::Expectation;
pub use flags::{Flags, MAX_TARGET_BYTES, Target};
pub use header::{Decoded, FIXED_BYTES, Header, Layout};
pub use hello::{Hello, MAX_HELLO_BYTES, StageFrom, StreamId};
pub use link::{Accepted, ConnectionId, Link};
pub use reply::{ErrorCode, Message, Refusal, Reply, Totals, Welcome};
pub use sender::{Heard, SendError, Sender};
pub use step::{Counts, Hole, Notice, Step, Unfinished};
pub use terms::{HELLO_WITHIN, Peer, Terms, UNREAD_LIMIT_BYTES, hello_overdue};

/// The version of the protocol that this module speaks.
pub const VERSION: u64 = 1;

/// First integer that JSON readers with binary64 numbers cannot tell from its neighbour: every
/// number that both sides write as JSON stays below it (RFC 8259 §6).
pub const JSON_INTEGER_END: u64 = 1 << 53;
