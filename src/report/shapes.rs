//! The sign that stands beside every verdict, the same as on the live page, so that colour is never the
//! only one. Each is a path in a box of 24 by 24, filled by the even-odd rule.

use std::fmt::Write as _;

use crate::detect::Verdict;

fn path(verdict: Verdict) -> String {
    match verdict {
        Verdict::NotDetected => "M12 2a10 10 0 1 0 0 20a10 10 0 1 0 0-20zM12 5.4a6.6 6.6 0 1 1 0 13.2a6.6 6.6 0 1 1 0-13.2z".to_owned(),
        Verdict::Stable => "M2 22V12h4v10zM10 22V2h4v20zM18 22V8h4v14z".to_owned(),
        Verdict::Inertial => burst(),
        Verdict::Indeterminate => "M2 2h20v20H2zM5 7.1V19h11.9zM7.1 5H19v11.9z".to_owned(),
    }
}

fn burst() -> String {
    let mut path = String::new();
    for corner in 0..20_u8 {
        let radius = if corner % 2 == 0 { 11.6 } else { 6.2 };
        let angle = f64::from(corner) / 20.0 * std::f64::consts::TAU - std::f64::consts::FRAC_PI_2;
        let (x, y) = (12.0 + radius * angle.cos(), 12.0 + radius * angle.sin());
        // Writing into a string cannot fail.
        write!(path, "{}{x:.2} {y:.2}", if corner == 0 { "M" } else { "L" }).ok();
    }
    path.push('z');
    path
}

/// The sign of a verdict as a small picture.
#[must_use]
pub fn sign(verdict: Verdict) -> String {
    format!(
        "<svg class=\"sign {}\" viewBox=\"0 0 24 24\" aria-hidden=\"true\"><path fill-rule=\"evenodd\" d=\"{}\"/></svg>",
        verdict.name(),
        path(verdict)
    )
}
