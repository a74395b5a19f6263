//! The page, the HTTP interface and the live feed.
//!
//! In reading order: `facts` what does not change in a run; [`Hub`] and `state` everything the faces
//! know of the run, written by the analysis, read by all; `rings` what of it is kept; `alarms` and
//! `course` what the events tell of alarms, exposures, injections, baselines; `snapshot`, `words`,
//! `status` one moment, in plain words, in JSON; `rows` rows and exposures as JSON; [`Desk`] acts of
//! people on their way to the analysis; [`Guard`] who may ask; `tuning` what other limits would have meant; `routes`, `requests`, `follow`, `live`,
//! `metrics`, `web` the faces; `door` connections; `problem` errors (RFC 9457).
//!
//! Nothing here can hold up the analysis: it writes into bounded rings and goes on. A reader has a
//! place in them; one that is too slow finds its place gone and is told what it missed.

mod alarms;
mod course;
mod desk;
mod door;
mod facts;
mod follow;
mod guard;
mod hub;
mod live;
mod metrics;
mod problem;
mod requests;
mod rings;
mod routes;
mod rows;
mod snapshot;
mod state;
mod status;
mod together;
mod tuning;
mod web;
mod words;

pub use desk::{Busy, Desk};
pub use door::serve;
pub use facts::Facts;
pub use guard::Guard;
pub use hub::{Hub, StreamCounts, StreamState};
pub use routes::router;
pub use web::Web;

#[cfg(test)]
mod tests;
