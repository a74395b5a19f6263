//! What tuning leaves: `tuning.json` with every number, `limits.toml` that a monitor takes.

use serde_json::{Map, Value, json};

use crate::detect::spec::Rule;
use crate::detect::{AlarmLimit, AlarmSpec, DetectSpec, Trigger};
use crate::signal::Quantity;
use crate::stats::{Interval, Roc, binomial_tail};
use crate::tune::forecast::{DriveForecast, Found, QuantityForecast};
use crate::tune::limit::{CONFIDENCE, OperatingLimit};
use crate::tune::onset::{Estimate, Onset};
use crate::tune::table::Table;
use crate::tune::{QuantityTuning, Tuned};

/// Points of a ROC curve that are written.
pub const ROC_POINTS: usize = 401;

/// What an alarm that uses a limit goes off below, dB under it at most; half of a limit that is low.
pub const OFF_BELOW_DB: f64 = 0.5;

/// One file a tuning was made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin {
    /// What it was given as.
    pub label: &'static str,
    /// Its name.
    pub name: String,
    /// Its SHA-256.
    pub sha256: String,
}

/// What stands around the numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct About {
    /// The configuration's name and SHA-256.
    pub configuration: (String, String),
    /// Everything it was made of.
    pub origins: Vec<Origin>,
    /// What a drive means.
    pub drive_means: String,
    /// α of one test.
    pub alpha: f64,
    /// Names of the quiet baselines.
    pub baselines: Vec<String>,
    /// The forecast, made or not.
    pub forecast: Value,
    /// Variants that were tried.
    pub tried: Value,
}

/// A number; null where it is not finite.
#[must_use]
pub fn number(value: f64) -> Value {
    if value.is_finite() { json!(value) } else { Value::Null }
}

fn optional(value: Option<f64>) -> Value {
    value.map_or(Value::Null, number)
}

/// A rule as the configuration writes it.
#[must_use]
pub fn rule_text(rule: Rule) -> String {
    format!("{} of {}", rule.needed, rule.of)
}

/// `tuning.json`.
#[must_use]
pub fn tuning_json(tuned: &Tuned, table: &Table, spec: &DetectSpec, about: &About) -> Value {
    let origins: Vec<Value> = about
        .origins
        .iter()
        .map(|from| json!({"label": from.label, "name": from.name, "sha256": from.sha256}))
        .collect();
    let left_out: Vec<Value> = table
        .left_out()
        .into_iter()
        .map(|(kind, channel, reason, rows)| {
            json!({
                "label": kind.name(), "channel": channel_json(channel), "reason": reason,
                "pulses": rows,
            })
        })
        .collect();
    let quantities: Vec<Value> = tuned.quantities.iter().map(quantity_json).collect();
    json!({
        "simmer": env!("CARGO_PKG_VERSION"), "kind": "tuning", "caution": crate::CAUTION,
        "configuration": {"name": about.configuration.0, "sha256": about.configuration.1},
        "sources": origins, "drive_means": about.drive_means, "alpha": about.alpha,
        "false_alarms_per_exposure": spec.false_alarms_per_exposure,
        "expected_pulses": spec.expected_pulses, "confidence": CONFIDENCE, "left_out": left_out,
        "quantities": quantities, "forecast": about.forecast, "tried": about.tried,
        "advice": tuned.advice,
    })
}

/// A channel: its number, or `"all"`.
#[must_use]
pub fn channel_json(channel: crate::detect::Channel) -> Value {
    match channel {
        crate::detect::Channel::One(channel) => json!(channel),
        crate::detect::Channel::All => json!("all"),
    }
}

fn quantity_json(tuning: &QuantityTuning) -> Value {
    let mut object = Map::new();
    let mut put = |key: &str, value: Value| {
        object.insert(key.into(), value);
    };
    put("channel", channel_json(tuning.channel));
    put("name", json!(tuning.quantity.name()));
    put("rule", json!(rule_text(tuning.rule)));
    put("repeatability_db", json!(tuning.repeatability_db));
    put("n_quiet", json!(tuning.quiet));
    put("n_bubbles", json!(tuning.bubbles));
    for (name, roc) in [("auc", &tuning.roc_lambda), ("auc_over_baseline", &tuning.roc)] {
        let interval = roc.as_ref().map(Roc::delong_interval);
        put(name, optional(roc.as_ref().map(|roc| roc.auc())));
        put(&format!("{name}_lo"), optional(interval.map(|i: Interval| i.low)));
        put(&format!("{name}_hi"), optional(interval.map(|i: Interval| i.high)));
        if name == "auc" {
            let other = roc.as_ref().map(Roc::hanley_mcneil_interval);
            let ends = other.map(|i| json!([number(i.low), number(i.high)]));
            put("auc_hanley_mcneil", ends.unwrap_or(Value::Null));
        }
    }
    put("roc", tuning.roc.as_ref().map_or(Value::Null, |roc| json!(roc.points(ROC_POINTS))));
    put("limit_db", optional(tuning.limit.as_ref().map(|limit| limit.limit_db)));
    put("limit", tuning.limit.as_ref().map_or(Value::Null, limit_json));
    put("onset", onset_json(&tuning.onset));
    for (name, estimate) in
        [("drive50", &tuning.onset.half), ("drive90", &tuning.onset.nine_tenths)]
    {
        for (key, value) in estimate_fields(name, estimate.as_ref()) {
            put(&key, value);
        }
    }
    put("advice", json!(tuning.advice));
    Value::Object(object)
}

/// `drive50_mpa`, `drive50_lo`, `drive50_hi`, `drive50_delta`.
pub fn estimate_fields(
    name: &str,
    estimate: Option<&Estimate>,
) -> impl Iterator<Item = (String, Value)> {
    let ends = estimate.map(|at| at.profile).unwrap_or_default();
    let delta = estimate.map_or(Value::Null, |at| json!(at.delta.map(number)));
    [
        ("mpa", optional(estimate.map(|at| at.mpa))),
        ("lo", optional(ends[0])),
        ("hi", optional(ends[1])),
        ("delta", delta),
    ]
    .into_iter()
    .map(move |(key, value)| (format!("{name}_{key}"), value))
}

fn limit_json(limit: &OperatingLimit) -> Value {
    let drives: Vec<Value> = limit
        .drives
        .iter()
        .map(|drive| {
            json!({
                "target": &*drive.series.target, "drive_mpa": drive.series.drive.mpa(),
                "pulses": drive.lambda.n, "mean_db": drive.lambda.mean,
                "sd_db": drive.lambda.sd, "limit_db": drive.limit_db,
            })
        })
        .collect();
    json!({
        "from": limit.ground.name(), "share_per_pulse": limit.share_per_pulse, "k": limit.k,
        "sd_db": limit.sd_db, "dof": limit.dof, "pooled": limit.pooled,
        "bartlett_p": limit.bartlett_p, "normality_p": limit.normality_p,
        "largest_p": limit.largest_p, "over": limit.over, "of": limit.of,
        "share_upper": limit.share_upper, "extrapolated": limit.is_extrapolated(),
        "proposed_rule": limit.proposed_rule.map(rule_text), "drives": drives,
    })
}

fn onset_json(onset: &Onset) -> Value {
    let drives: Vec<Value> = onset
        .drives
        .iter()
        .map(|drive| {
            json!({
                "drive_mpa": drive.drive_mpa, "pulses": drive.pulses, "over": drive.over,
                "share": share(drive.over, drive.pulses), "lo": drive.share.low,
                "hi": drive.share.high,
            })
        })
        .collect();
    let curve = onset.curve.as_ref();
    json!({
        "fit": onset.fit.name(), "why": onset.why,
        "intercept": curve.map(|curve| curve.intercept), "slope": curve.map(|curve| curve.slope),
        "covariance": curve.map(|curve| curve.covariance),
        "deviance": curve.map(|curve| curve.deviance), "pearson": curve.map(|curve| curve.pearson),
        "dof": curve.map(|curve| curve.dof), "scale": curve.map(|curve| curve.scale),
        "separated": onset.bracket_mpa.is_some(), "bracket_mpa": onset.bracket_mpa,
        "drives": drives,
    })
}

/// A share of pulses; null of none.
#[must_use]
pub fn share(over: usize, of: usize) -> Value {
    use crate::signal::as_f64;
    number(as_f64(over) / as_f64(of))
}

/// A forecast as `tuning.json` holds it, without what stands around it.
#[must_use]
pub fn forecast_json(forecast: &QuantityForecast) -> Value {
    let found = |found: Found| match found {
        Found::At { mpa, between, jump } => {
            json!({"at_mpa": mpa, "between_mpa": between, "jump": jump})
        }
        Found::Below(mpa) => json!({"below_mpa": mpa}),
        Found::Above(mpa) => json!({"above_mpa": mpa}),
    };
    let drive = |drive: &DriveForecast| {
        json!({
            "drive_mpa": drive.drive_mpa, "set_mpa": drive.set_mpa, "pulses": drive.pulses,
            "rise_db": drive.rise_db, "one_pulse": drive.one_pulse, "together": drive.together,
        })
    };
    json!({
        "channel": channel_json(forecast.channel), "name": forecast.quantity.name(),
        "parts_hz": forecast.parts_hz, "counted": forecast.counted,
        "limit_db": forecast.limit_db, "hear_db": forecast.hear_db,
        "hear_together_db": forecast.hear_together_db,
        "drives": forecast.drives.iter().map(drive).collect::<Vec<Value>>(),
        "half": found(forecast.half), "nine_tenths": found(forecast.nine_tenths),
        "together": forecast.together.map(found),
    })
}

/// The limit and rule of each quantity that an alarm gets, which watches every channel: the largest
/// limit of all channels, `repeatability_db` added, since an alarm compares D alone, rounded up to
/// 0.001 dB; and of their rules the one that chance meets least.
#[must_use]
pub fn alarm_limits(tuned: &Tuned) -> Vec<(Quantity, f64, Rule)> {
    let mut found = Vec::new();
    for quantity in Quantity::ALL {
        let limits = || {
            let of_quantity = tuned.quantities.iter().filter(|tuning| tuning.quantity == quantity);
            of_quantity.filter_map(|tuning| Some((tuning, tuning.limit.as_ref()?)))
        };
        let largest = limits().max_by(|a, b| a.1.limit_db.total_cmp(&b.1.limit_db));
        // Of pulses that pass one time in thirty.
        let met = |rule: &Rule| binomial_tail(rule.needed.into(), rule.of.into(), 1.0 / 30.0);
        let rule = limits()
            .map(|(tuning, limit)| limit.rule(tuning.rule))
            .min_by(|a, b| met(a).total_cmp(&met(b)));
        if let (Some((tuning, limit)), Some(rule)) = (largest, rule) {
            let db = ((limit.limit_db + tuning.repeatability_db) * 1e3).ceil() / 1e3;
            found.push((quantity, db, rule));
        }
    }
    found
}

/// `limits.toml`: the alarms of a configuration that watch a quantity, with the limits found; nothing
/// when no alarm watches a quantity with a limit.
#[must_use]
pub fn limits_toml(
    tuned: &Tuned,
    alarms: &[AlarmSpec],
    spec: &DetectSpec,
    about: &About,
) -> Option<String> {
    use std::fmt::Write as _;
    let limits = alarm_limits(tuned);
    let mut text = String::from(
        "# Limits found by `simmer tune`. `simmer monitor --limits` and `simmer replay --limits` take this\n\
         # file as it is. A limit in dB stands over the baseline's mean detection level at the pulse's own\n\
         # drive, the repeatability margin included; it is outside the promise of the false-alarm budget.\n",
    );
    // Writing into a string cannot fail.
    for line in crate::CAUTION.split(". ") {
        writeln!(text, "# {}.", line.trim_end_matches('.')).ok();
    }
    let mut written = 0;
    for alarm in alarms {
        let Trigger::Over { quantity, limit } = alarm.trigger else { continue };
        let Some((_, db, rule)) = limits.iter().find(|(of, ..)| *of == quantity) else { continue };
        let gap_db = match limit {
            AlarmLimit::AboveBaselineDb { on_db, off_db, .. } => on_db - off_db,
            _ => OFF_BELOW_DB.min(0.5 * db.abs()),
        };
        let name = toml::Value::from(alarm.name.as_str());
        let (on, off) =
            (toml::Value::from(*db), toml::Value::from(((db - gap_db) * 1e3).round() / 1e3));
        write!(
            text,
            "\n[[alarm]]\nname = {name}\nquantity = \"{}\"\nlimit = {{ db = {on} }}\noff_db = {off}\nm_of_n = \"{}\"\n",
            quantity.name(),
            rule_text(*rule)
        )
        .ok();
        written += 1;
    }
    if written == 0 {
        return None;
    }
    made_of(&mut text, tuned, spec, about);
    Some(text)
}

fn made_of(text: &mut String, tuned: &Tuned, spec: &DetectSpec, about: &About) {
    use std::fmt::Write as _;
    let quoted = |text: &str| toml::Value::from(text).to_string();
    // Writing into a string cannot fail.
    write!(
        text,
        "\n[made_of]\nsimmer = \"{}\"\nconfiguration = {}\nconfiguration_sha256 = \"{}\"\nalpha = {:e}\n\
         false_alarms_per_exposure = {}\nexpected_pulses = {}\nconfidence = {CONFIDENCE}\nbaselines = {}\n",
        env!("CARGO_PKG_VERSION"),
        quoted(&about.configuration.0),
        about.configuration.1,
        about.alpha,
        spec.false_alarms_per_exposure,
        spec.expected_pulses,
        toml::Value::from(about.baselines.clone()),
    )
    .ok();
    for tuning in &tuned.quantities {
        let Some(limit) = &tuning.limit else { continue };
        write!(
            text,
            "\n[[made_of.limit]]\nchannel = {}\nquantity = \"{}\"\nlimit_db = {}\nmargin_db = {}\nm_of_n = \"{}\"\nfrom = \"{}\"\nquiet_pulses = {}\nover = {}\nshare_upper = {}\n",
            match tuning.channel {
                crate::detect::Channel::One(channel) => channel.to_string(),
                crate::detect::Channel::All => "\"all\"".to_owned(),
            },
            tuning.quantity.name(),
            toml::Value::from(limit.limit_db),
            toml::Value::from(tuning.repeatability_db),
            rule_text(limit.rule(tuning.rule)),
            limit.ground.name(),
            limit.of,
            limit.over,
            toml::Value::from(limit.share_upper),
        )
        .ok();
    }
    for from in &about.origins {
        write!(
            text,
            "\n[[made_of.source]]\nlabel = \"{}\"\nname = {}\nsha256 = \"{}\"\n",
            from.label,
            quoted(&from.name),
            from.sha256
        )
        .ok();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Channel, alpha};
    use crate::signal::{PerQuantity, as_f64};
    use crate::stats::normal_quantile;
    use crate::tune::table::{Kind, Seen};
    use crate::tune::tune;

    /// Two channels: one as normal as can be, one narrower with a pulse far out.
    fn two_channels() -> Table {
        let mut table = Table::new(0.05);
        for i in 0..60 {
            let score = normal_quantile((as_f64(i) + 0.5) / 60.0);
            let levels = [0.1 * score, if i == 30 { 0.3 } else { 0.02 * score }];
            let levels = levels.map(|level| PerQuantity([None, None, None, Some(level)]));
            let rows = [0, 1].map(|channel| Seen {
                channel: Channel::One(channel),
                target: "",
                exposure: None,
                drive_mpa: Some(0.2),
                lambda_db: &levels[channel],
                reason: "stage baseline",
            });
            table.take(Kind::Quiet, rows);
        }
        table
    }

    #[test]
    fn an_alarm_that_watches_all_channels_has_the_largest_limit_and_the_strictest_rule() {
        let text = include_str!("../../config/bench-phantom.toml");
        let settings = crate::config::parse("bench-phantom.toml", text).unwrap().settings;
        let tuned = tune(&two_channels(), &settings.detect, 2);
        let of = |channel| {
            let found = tuned.quantities.iter().find(|found| found.channel == channel).unwrap();
            found.limit.clone().unwrap()
        };
        let (normal, far) = (of(Channel::One(0)), of(Channel::One(1)));
        assert!(normal.limit_db > far.limit_db && far.proposed_rule.is_some());
        let limits = alarm_limits(&tuned);
        let (_, db, rule) = limits.iter().find(|(q, ..)| *q == Quantity::Broadband).unwrap();
        assert!((0.0..=1e-3).contains(&(db - normal.limit_db - 0.1)), "{db}");
        assert_eq!(Some(*rule), far.proposed_rule);
        let about = About {
            configuration: ("bench.toml".to_owned(), "0".repeat(64)),
            origins: Vec::new(),
            drive_means: String::new(),
            alpha: alpha(&settings.detect, 2),
            baselines: vec!["1234".to_owned()],
            forecast: Value::Null,
            tried: Value::Null,
        };
        let text = limits_toml(&tuned, &settings.alarms, &settings.detect, &about).unwrap();
        let parsed: toml::Table = text.parse().unwrap();
        let alarm = &parsed["alarm"][0];
        // It ends above what is usual without bubbles: half of a limit below 1 dB.
        let (on, off) =
            (alarm["limit"]["db"].as_float().unwrap(), alarm["off_db"].as_float().unwrap());
        assert!((on - db).abs() < 1e-12 && (off - 0.5 * on).abs() <= 1e-3, "{on} {off}");
        assert_eq!(parsed["made_of"]["baselines"][0].as_str(), Some("1234"));
    }
}
