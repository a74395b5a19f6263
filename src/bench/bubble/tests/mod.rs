//! The room held against outside values.

mod bounds;
mod closed;
mod counts;
mod crowd;
mod many;
mod ramp;
mod single;
mod steady;

/// Fails unless `value` lies within this share of `expected`.
#[track_caller]
fn check(value: f64, expected: f64, share: f64) {
    let error = (value - expected).abs() / expected.abs();
    assert!(error <= share, "{value} is not {expected}, off by {error:e}");
}
