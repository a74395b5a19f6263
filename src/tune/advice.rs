//! What to know of a tuning and what to record next, in words.

use super::limit::{Ground, OperatingLimit};
use super::onset::{DriveShare, Fit};
use super::set::{QuietSeries, Set};
use super::table::{Kind, Table};
use super::{QuantityTuning, shown};
use crate::detect::Drive;
use crate::signal::{Quantity, as_f64};
use crate::stats::{LEAST_BASELINE_PULSES, Summary};

/// Drives, fewer than which place an onset poorly.
const FEW_DRIVES: usize = 5;

/// Standard errors by which a drive's mean λ lies over that of the lowest drive, when quiet pulses are
/// not quiet.
const LOUD_ERRORS: f64 = 3.0;

/// A count of pulses in words.
fn pulses(count: usize) -> String {
    if count == 1 { "1 pulse".to_owned() } else { format!("{count} pulses") }
}

/// A share in percent, two digits.
fn percent(share: f64) -> String {
    let share = 100.0 * share;
    if share >= 9.95 { format!("{share:.0} %") } else { format!("{share:.2} %") }
}

/// Advice on one quantity of one channel.
pub(super) fn of_quantity(set: &Set, found: &QuantityTuning, alpha: f64) -> Vec<String> {
    let mut advice = Vec::new();
    few_quiet(set, &mut advice);
    not_quiet(set, found.repeatability_db, &mut advice);
    match &found.limit {
        Some(limit) => on_limit(set, limit, found, alpha, &mut advice),
        None => advice.push(format!(
            "no limit: no drive has {LEAST_BASELINE_PULSES} quiet pulses that differ; record at least {LEAST_BASELINE_PULSES}, better 30, at each drive"
        )),
    }
    if found.bubbles == 0 {
        advice.push("no pulse with bubbles was heard: record some at rising drives".to_owned());
    } else if found.limit.is_some() {
        on_onset(found, &mut advice);
    }
    advice
}

fn few_quiet(set: &Set, advice: &mut Vec<String>) {
    let few = |series: &&QuietSeries| series.lambda_db.len() < LEAST_BASELINE_PULSES;
    for series in set.quiet.iter().filter(few) {
        advice.push(format!(
            "{}{} has {} without bubbles and takes no part in the limit: record at least {LEAST_BASELINE_PULSES}, better 30",
            at_target(series),
            series.series.drive,
            pulses(series.lambda_db.len()),
        ));
    }
}

fn at_target(series: &QuietSeries) -> String {
    match &*series.series.target {
        "" => String::new(),
        target => format!("target {target} at "),
    }
}

/// Without bubbles nothing but harmonics may rise with drive.
fn not_quiet(set: &Set, delta_db: f64, advice: &mut Vec<String>) {
    if set.quantity == Quantity::Harmonic {
        return;
    }
    let known = |series: &&QuietSeries| {
        matches!(series.series.drive, Drive::Known(_))
            && series.lambda_db.len() >= LEAST_BASELINE_PULSES
    };
    let mut targets: Vec<&str> = set.quiet.iter().map(|series| &*series.series.target).collect();
    targets.sort_unstable();
    targets.dedup();
    for target in targets {
        let of_target = |series: &&QuietSeries| &*series.series.target == target;
        let mut drives: Vec<&QuietSeries> =
            set.quiet.iter().filter(known).filter(of_target).collect();
        drives.sort_by(|a, b| {
            a.series.drive.mpa().unwrap_or(0.0).total_cmp(&b.series.drive.mpa().unwrap_or(0.0))
        });
        let Some((lowest, higher)) = drives.split_first() else { continue };
        let error = |series: &QuietSeries| {
            Summary::of(&series.lambda_db).map_or(0.0, |s| s.sd / as_f64(s.n).sqrt())
        };
        let loud = higher.iter().find(|series| {
            let rise = series.mean_db - lowest.mean_db;
            rise > LOUD_ERRORS * error(series).hypot(error(lowest)) && rise > delta_db
        });
        if let Some(series) = loud {
            advice.push(format!(
                "pulses without bubbles are not quiet from {}{} on: their {} lies {:.2} dB above that at {}; look for bubbles or echoes of the drive in the bench, degas the water, and record again",
                at_target(series),
                series.series.drive,
                set.quantity.name(),
                series.mean_db - lowest.mean_db,
                lowest.series.drive,
            ));
        }
    }
}

fn on_limit(
    set: &Set,
    limit: &OperatingLimit,
    found: &QuantityTuning,
    alpha: f64,
    advice: &mut Vec<String>,
) {
    if limit.bartlett_p.is_some() && !limit.pooled {
        advice.push(format!(
            "the spread differs between drives (Bartlett p = {:.1e}): each drive stands for itself and the widest decides",
            limit.bartlett_p.unwrap_or(f64::NAN)
        ));
    }
    let (lag1, pulses_of) = (set.lag1(), as_f64(limit.of));
    if lag1 > 2.0 / pulses_of.sqrt() {
        advice.push(format!(
            "quiet pulses go with the one before (lag-1 correlation {lag1:.2}): the limit is made for independent pulses and passes more often; let the bench settle, or record over a longer time"
        ));
    }
    if limit.is_extrapolated() {
        advice.push(format!(
            "a share of {:.1e} of single pulses is extrapolated by the normal tail: {} of {} over the limit show only that at most {} pass",
            limit.share_per_pulse,
            limit.over,
            pulses(limit.of),
            percent(limit.share_upper),
        ));
    }
    if limit.ground == Ground::LargestQuiet {
        let why = match limit.normality_p {
            Some(p) if p < 0.01 => format!("Anderson–Darling p = {p:.1e}"),
            _ => format!("largest of {} p = {:.1e}", limit.of, limit.largest_p.unwrap_or(f64::NAN)),
        };
        let then = match limit.proposed_rule {
            Some(rule) => format!(
                "{} of {} pulses over it keep {alpha:.1e} even at {} a pulse",
                rule.needed,
                rule.of,
                percent(limit.share_upper)
            ),
            None => format!(
                "no rule of up to 16 pulses keeps {alpha:.1e} with {}: record more pulses without bubbles",
                pulses(limit.of)
            ),
        };
        advice.push(format!(
            "the tail is not normal ({why}): the largest pulse without bubbles is the limit, and {then}"
        ));
    }
    if let Some(roc) = &found.roc
        && roc.delong_interval().low <= 0.5
    {
        advice.push(format!(
            "over all drives together pulses with bubbles are not shown to differ from quiet ones in {} (AUC over baseline {:.3}); single drives may, see the onset",
            found.quantity.name(),
            roc.auc()
        ));
    }
}

fn on_onset(found: &QuantityTuning, advice: &mut Vec<String>) {
    let onset = &found.onset;
    if !onset.why.is_empty() {
        advice.push(onset.why.clone());
    }
    let falls = |pair: &&[DriveShare]| pair[1].share.high < pair[0].share.low;
    if let Some([low, high]) = onset.drives.windows(2).find(falls) {
        advice.push(format!(
            "found less often at {} ({} of {}) than at {} ({} of {}): bubbles may have been destroyed or washed out; record with fresh bubbles, drives in random order",
            shown(high.drive_mpa), high.over, high.pulses, shown(low.drive_mpa), low.over, low.pulses
        ));
    }
    if onset.fit == Fit::MaximumLikelihood && onset.drives.len() < FEW_DRIVES {
        advice.push(format!(
            "the onset rests on {} drives: 5 or more, some of them where half of the pulses are found, place it better",
            onset.drives.len()
        ));
    }
    if let (Some(first), Some(last)) = (onset.drives.first(), onset.drives.last()) {
        let range = first.drive_mpa..=last.drive_mpa;
        for (estimate, what) in [(&onset.half, "half"), (&onset.nine_tenths, "nine in ten")] {
            if let Some(at) = estimate.filter(|at| !range.contains(&at.mpa)) {
                advice.push(format!(
                    "the drive at which {what} are found, {}, lies beyond the drives recorded ({} to {}): it is the curve carried on",
                    shown(at.mpa),
                    shown(first.drive_mpa),
                    shown(last.drive_mpa)
                ));
            }
        }
    }
    if let Some(curve) = onset.curve.filter(|curve| curve.scale > 2.0) {
        advice.push(format!(
            "shares scatter {:.1} times as much as pulses that are independent would: intervals are widened by its root",
            curve.scale
        ));
    }
}

/// Advice on the table as a whole.
pub(super) fn of_table(table: &Table) -> Vec<String> {
    let mut advice = Vec::new();
    let alone = table.drives_alone();
    if !alone.is_empty() {
        let drives: Vec<String> = alone.iter().map(ToString::to_string).collect();
        advice.push(format!(
            "pulses with bubbles at {} have too few without at their drive to stand over: record at least {LEAST_BASELINE_PULSES} without bubbles there",
            drives.join(", ")
        ));
    }
    let left_out = table.left_out();
    for (kind, what) in [(Kind::Quiet, "without bubbles"), (Kind::Bubbles, "with bubbles")] {
        let of_kind = left_out.iter().filter(|(of, ..)| *of == kind);
        let left: u64 = of_kind.map(|(.., rows)| rows).sum();
        let kept: usize = table.channels().iter().map(|channel| table.rows(kind, *channel)).sum();
        if as_f64(usize::try_from(left).unwrap_or(usize::MAX)) > 0.1 * as_f64(kept) {
            advice.push(format!(
                "{left} rows of pulses {what} could not be used and are left out, {kept} count: see left_out"
            ));
        }
    }
    advice
}
