//! simmer: passive cavitation detection that says what it could have heard.
//!
//! A focused-ultrasound pulse is driven into a target that holds microbubbles; receivers listen.
//! From each pulse simmer computes the power at harmonics, ultraharmonics and the subharmonic of the
//! drive and of the broadband floor between them, compares them with the same drive without bubbles,
//! and gives a verdict with its detection limit.
//!
//! Units: hertz, seconds, volts, V²/Hz, decibels, megapascals of drive; the unit ends each name.
//!
//! Map, in reading order: [`signal`] samples → band powers; [`stats`] numbers → numbers; [`detect`]
//! powers → verdicts; [`engine`] threads and queues; [`ingest`] recordings; [`session`] what is left
//! behind; [`report`] a session as one page; [`serve`] page and interface; [`bench`] simulated scenes; [`config`] settings with diagnostics; [`commands`] wiring, one file a command; [`cli`].
//! `signal`, `stats`, `detect` and `bench` are pure: no files, sockets, threads or clocks.

pub mod bench;
pub mod cli;
pub mod commands;
pub mod config;
pub mod detect;
pub mod engine;
pub mod ingest;
pub mod report;
pub mod serve;
pub mod session;
pub mod signal;
pub mod stats;
pub mod tune;

/// What everyone who sees numbers of this tool must see beside them.
pub const CAUTION: &str = "Research use only: not a medical device, no treatment planning, no \
safety interlock. Exposure limits, animal protocols and human use are decided by licensed people \
under local rules. An index limit such as MI 1.9 assumes that no bubbles were injected and is no \
comfort here.";
