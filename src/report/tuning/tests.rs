use serde_json::{Value, json};

use super::{tuning_figures, tuning_page};

const CAUTION: &str = "Research use only: <bench> & nothing else.";

/// Pulses of a broadband that a straight fit describes.
fn broadband(channel: &Value, auc: f64) -> Value {
    json!({
        "channel": channel, "name": "broadband", "rule": "1 of 1", "repeatability_db": 0.1,
        "n_quiet": 90, "n_bubbles": 75, "auc": 0.812, "auc_lo": 0.744, "auc_hi": 0.881,
        "auc_hanley_mcneil": [0.746, 0.879], "auc_over_baseline": auc,
        "auc_over_baseline_lo": 0.803, "auc_over_baseline_hi": 0.921,
        "roc": [[0.0, 0.0], [0.0, 0.6], [0.1, 0.75], [1.0, 1.0]], "limit_db": 0.734,
        "limit": {"from": "tolerance", "share_per_pulse": 2.78e-5, "k": 4.695, "sd_db": 0.1563,
            "dof": 87.0, "pooled": true, "bartlett_p": 0.57, "normality_p": 0.53,
            "largest_p": 0.27, "over": 0, "of": 90, "share_upper": 0.0327, "extrapolated": true,
            "proposed_rule": null, "drives": [
                {"target": "flow phantom", "drive_mpa": 0.09, "pulses": 30, "mean_db": 0.123,
                    "sd_db": 0.151, "limit_db": 0.731},
                {"target": "flow phantom", "drive_mpa": 0.3, "pulses": 30, "mean_db": 0.217,
                    "sd_db": 0.163, "limit_db": 0.734}]},
        "onset": {"fit": "maximum likelihood", "why": "", "intercept": 12.485_184,
            "slope": 8.0, "covariance": [9.81, 5.62, 3.33], "deviance": 2.47, "pearson": 2.31,
            "dof": 3.0, "scale": 1.0, "separated": false, "bracket_mpa": null, "drives": [
                {"drive_mpa": 0.09, "pulses": 15, "over": 0, "share": 0.0, "lo": 0.0, "hi": 0.218},
                {"drive_mpa": 0.16, "pulses": 15, "over": 2, "share": 0.133, "lo": 0.0166,
                    "hi": 0.405},
                {"drive_mpa": 0.3, "pulses": 15, "over": 14, "share": 0.933, "lo": 0.681,
                    "hi": 0.998}]},
        "drive50_mpa": 0.21, "drive50_lo": 0.189, "drive50_hi": 0.232,
        "drive50_delta": [0.191, 0.231], "drive90_mpa": 0.276, "drive90_lo": 0.246,
        "drive90_hi": null, "drive90_delta": [0.238, 0.321],
        "advice": ["a share of 2.8e-5 of single pulses is extrapolated by the normal tail"]
    })
}

/// Pulses that separate, by a limit that is the largest quiet pulse.
fn ultraharmonic(channel: &Value) -> Value {
    let mut entry = broadband(channel, 0.835);
    for (key, value) in [
        ("name", json!("ultraharmonic")),
        ("rule", json!("2 of 3")),
        ("repeatability_db", json!(0.0)),
        ("limit_db", json!(1.18)),
        ("drive50_mpa", json!(0.12)),
        ("drive50_lo", json!(0.103)),
        ("drive50_hi", json!(0.141)),
        ("drive90_mpa", json!(0.144)),
        ("drive90_lo", json!(0.117)),
        ("drive90_hi", json!(0.176)),
        ("advice", json!(["the pulses separate: record levels between 0.090 and 0.160 MPa"])),
    ] {
        entry[key] = value;
    }
    for (key, value) in [
        ("from", json!("largest quiet pulse")),
        ("pooled", json!(false)),
        ("bartlett_p", json!(0.0102)),
        ("normality_p", json!(0.0021)),
        ("proposed_rule", json!("4 of 7")),
    ] {
        entry["limit"][key] = value;
    }
    for (key, value) in [
        ("fit", json!("firth")),
        ("why", json!("the pulses separate: none is over the limit below 0.090 MPa")),
        ("intercept", json!(25.287)),
        ("slope", json!(11.927)),
        ("separated", json!(true)),
        ("bracket_mpa", json!([0.09, 0.16])),
    ] {
        entry["onset"][key] = value;
    }
    entry
}

/// Pulses too few for a limit, and so for an onset.
fn harmonic(channel: &Value) -> Value {
    json!({
        "channel": channel, "name": "harmonic", "rule": "1 of 1", "repeatability_db": 1.5,
        "n_quiet": 6, "n_bubbles": 0, "auc": null, "auc_lo": null, "auc_hi": null,
        "auc_hanley_mcneil": null, "auc_over_baseline": null, "roc": null, "limit_db": null,
        "limit": null, "onset": {"fit": "none", "why": "no limit", "intercept": null,
            "slope": null, "covariance": null, "drives": []},
        "drive50_mpa": null, "drive90_mpa": null,
        "advice": ["no limit: no drive has 10 quiet pulses that differ; record at least 10"]
    })
}

fn forecast() -> Value {
    let entry = |channel: Value, name: &str, half: Value| {
        json!({
            "channel": channel, "name": name, "parts_hz": [1_050_000.0, 1_750_000.0],
            "counted": [2, 5], "limit_db": 1.31, "hear_db": 1.97, "hear_together_db": 0.46,
            "drives": [
                {"drive_mpa": 0.063, "set_mpa": 0.09, "pulses": 15, "rise_db": 0.02,
                    "one_pulse": 0.0003, "together": null},
                {"drive_mpa": 0.21, "set_mpa": 0.3, "pulses": 15, "rise_db": 2.44,
                    "one_pulse": 0.513, "together": 11}],
            "half": half, "nine_tenths": {"above_mpa": 0.21}, "together": {"below_mpa": 0.063}
        })
    };
    json!({
        "loss": {"name": "bone plate 6 mm", "from_hz": 300_000.0, "to_hz": 3_500_000.0},
        "transmit_loss_db": 3.0980, "site_noise": true, "baseline_pulses": 31,
        "expected_pulses": 601,
        "quantities": [
            entry(json!("all"), "ultraharmonic", json!({"at_mpa": 0.21})),
            entry(json!(1), "ultraharmonic", json!({"at_mpa": 0.19})),
            entry(json!("all"), "broadband", Value::Null)]
    })
}

fn tried() -> Value {
    let half = |score: f64, auc: f64| json!({"score": score, "quantities": [{"name": "broadband", "auc": auc, "hear_db": 0.91}]});
    json!([
        {"what": "gate.start_s = 9", "rank": null, "baseline": false, "fault": "the gate is empty"},
        {"what": "as it is", "rank": 2, "baseline": true, "fault": null,
            "chosen_on": half(0.861, 0.862), "held_out": half(0.853, 0.854)},
        {"what": "line_half_width_hz = 7500", "rank": 1, "baseline": false, "fault": null,
            "changes": {"bands.line_half_width_hz": 7500},
            "chosen_on": half(0.881, 0.882), "held_out": half(0.873, 0.874)}
    ])
}

fn sample() -> Value {
    let channels = [json!(0), json!(1), json!("all")];
    let mut quantities: Vec<Value> = Vec::new();
    for (channel, auc) in channels.into_iter().zip([0.871, 0.899, 0.862]) {
        quantities.push(harmonic(&channel));
        quantities.push(ultraharmonic(&channel));
        quantities.push(broadband(&channel, auc));
    }
    json!({
        "simmer": "0.1.0", "kind": "tuning", "caution": CAUTION,
        "configuration": {"name": "flow <phantom>.toml", "sha256": "54c15dd4"},
        "sources": [{"label": "quiet", "name": "quiet.sigmf-meta", "sha256": "80e269c7"},
            {"label": "bubbles", "name": "bubbles.sigmf-meta", "sha256": "1206ded7"}],
        "drive_means": "peak negative pressure, free field", "alpha": 2.784e-5,
        "false_alarms_per_exposure": 0.0123, "expected_pulses": 602, "confidence": 0.95,
        "left_out": [{"label": "quiet", "channel": 1, "reason": "clipped", "pulses": 17}],
        "quantities": quantities, "forecast": forecast(), "tried": tried(),
        "advice": ["record five more drives"]
    })
}

/// That a page is whole, needs nothing from outside and shows no hole of the file behind it.
#[track_caller]
fn check_sound(html: &str) {
    let mut open: Vec<&str> = Vec::new();
    for part in html.split('<').skip(1) {
        let (tag, _) = part.split_once('>').expect("a tag ends");
        let name = tag.split_whitespace().next().unwrap_or_default();
        match name.strip_prefix('/') {
            Some(closed) => assert_eq!(open.pop(), Some(closed), "near <{part}"),
            None if tag.ends_with('/') || ["meta", "!DOCTYPE", "br"].contains(&name) => {}
            None => open.push(name),
        }
    }
    assert!(open.is_empty(), "{open:?}");
    for wrong in ["<script", "http:", "https:", "NaN", "null", "inf\"", " inf", "undefined"] {
        assert!(!html.contains(wrong), "{wrong}");
    }
}

/// The words of a page, without tags, with plain spaces.
fn words(html: &str) -> String {
    let body = html.split_once("<body>").expect("a body").1;
    let text: String = body.split('<').skip(1).fold(String::new(), |text, part| {
        text + part.split_once('>').map_or("", |(_, after)| after) + " "
    });
    text.replace(['\u{a0}', '\n'], " ").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn every_number_and_sentence_is_on_the_page() {
    let html = tuning_page(&sample());
    check_sound(&html);
    let words = words(&html);
    for expected in [
        "Research use only: &lt;bench&gt; &amp; nothing else.",
        "flow &lt;phantom&gt;.toml",
        "Broadband (all channels together, rule 1 of 1): the limit is 0.734 dB over the baseline’s mean, and 0.1 dB more for how far it moves between two series without bubbles, together 0.834 dB.",
        "at most 3.27 % of quiet pulses pass it (0 of 90 did)",
        "Half of the pulses with bubbles are over it from 0.21 (0.189 to 0.232) MPa, nine in ten from 0.276 (0.246 to –) MPa.",
        "nine in ten from 0.144 (0.117 to 0.176) MPa (Firth’s penalised fit",
        "To record next: the pulses separate: record levels between 0.090 and 0.160 MPa.",
        "No further recording is advised by these rules.",
        "Harmonic, all channels together: no limit: no drive has 10 quiet pulses that differ; record at least 10; no ROC: no pulse with bubbles was heard; no onset: no limit.",
        "drive90: these pulses do not close an end of its interval",
        "0.812 (0.744 to 0.881)",
        "0.862 (0.803 to 0.921)",
        "0.871 (0.803 to 0.921)",
        "0.746 to 0.879",
        "0.191 to 0.231",
        "0.238 to 0.321",
        "9.81; 5.62; 3.33",
        "2.470; 2.310",
        "12.49; 8.000",
        "25.29; 11.93",
        "0.0900 to 0.160",
        "14 0.933 0.681 to 0.998",
        "A tolerance limit, k·s = 0.734 dB: k = 4.695 at 87.00 degrees of freedom, s = 0.156 dB, for a share of 2.8×10⁻⁵ of single quiet pulses.",
        "pooled over the drives (Bartlett p = 0.57)",
        "The largest quiet pulse, 1.18 dB, because the tail is not normal",
        "not pooled: each drive has its own, the widest limit counts (Bartlett p = 0.010)",
        "Anderson–Darling p = 0.0021, the largest of all p = 0.27",
        "extrapolated by the normal tail: 0 of 90",
        "Proposed rule: 4 of 7 pulses.",
        "target “flow phantom” 0.3 30 0.2170 0.163 0.734",
        "Behind this path one pulse in two shows ultraharmonic from 0.21 MPa in situ (0.3 MPa set) on, nine in ten show it not even at the highest drive, 0.21 MPa in situ (0.3 MPa set) and many pulses together establish it already at the lowest drive, 0.063 MPa in situ (0.09 MPa set).",
        "bone plate 6 mm, known from 0.3 to 3.5 MHz",
        "a baseline of 31 pulses, an exposure of 601 pulses",
        "0.21 0.3 15 2.44 51.3 % 11",
        "0.0200 0.03 % – (not within the exposure)",
        "2 of 5 parts lie where the loss is known (1.05, 1.75 MHz)",
        "1 line_half_width_hz = 7500 0.873 broadband AUC 0.874, from 0.910 dB 0.881 broadband AUC 0.882, from 0.910 dB 2 as it is",
        "0.854, from 0.910 dB 0.861 broadband AUC 0.862",
        "– gate.start_s = 9; cannot be used: the gate is empty",
        "bubbles bubbles.sigmf-meta 1206ded7",
        "17 quiet channel 1 clipped",
        "Record five more drives.",
        "Behind this path one pulse in two shows broadband at no known drive (–), nine in ten show it",
        "Harmonic (all channels together, rule 1 of 1): no limit could be set. No onset: no limit. To record next: no limit: no drive has",
        "– + 1.5 1 of 1",
        "0.0123",
        "2.78×10⁻⁵",
    ] {
        assert!(words.contains(expected), "{expected}\nin {words}");
    }
    assert!(words.find("Broadband").unwrap() < words.find("Ultraharmonic").unwrap());
}

#[test]
fn an_empty_file_says_that_there_is_nothing() {
    for nothing in [json!({}), json!([]), json!("text"), json!({"quantities": [3, "x"]})] {
        let html = tuning_page(&nothing);
        check_sound(&html);
        assert!(html.contains("There is nothing: this tuning holds no quantity"));
        assert!(html.contains("Research use only"));
        assert!(tuning_figures(&nothing).is_empty());
    }
}

/// Every value in turn is replaced by what it should not be.
#[test]
fn a_wrong_type_anywhere_is_a_dash_and_no_fault() {
    let sample = sample();
    let mut places = Vec::new();
    gather(&sample, String::new(), &mut places);
    assert!(places.len() > 300);
    let wrongs =
        [Value::Null, json!(-1e300), json!(0), json!("<b"), json!([[]]), json!({"a": [1]})];
    for (at, place) in places.iter().enumerate() {
        let mut broken = sample.clone();
        *broken.pointer_mut(place).unwrap() = wrongs[at % wrongs.len()].clone();
        check_sound(&tuning_page(&broken));
        tuning_figures(&broken).iter().for_each(|(_, svg, _)| assert!(!svg.contains("NaN")));
    }
}

fn gather(value: &Value, path: String, places: &mut Vec<String>) {
    let parts: Vec<(String, &Value)> = match value {
        Value::Object(map) => map.iter().map(|(key, value)| (key.clone(), value)).collect(),
        Value::Array(list) => list.iter().enumerate().map(|(i, v)| (i.to_string(), v)).collect(),
        _ => Vec::new(),
    };
    for (key, value) in parts {
        gather(value, format!("{path}/{key}"), places);
    }
    if !path.is_empty() {
        places.push(path);
    }
}

#[test]
fn figures_come_with_their_data() {
    let figures = tuning_figures(&sample());
    let names: Vec<&str> = figures.iter().map(|(name, ..)| name.as_str()).collect();
    // Broadband and ultraharmonic on three channels, three each; two of the forecast.
    assert_eq!(figures.len(), 20, "{names:?}");
    let of = |wanted: &str| figures.iter().find(|(name, ..)| name == wanted).unwrap();
    let (_, svg, csv) = of("broadband-all-channels-together-onset");
    assert!(svg.contains("xmlns") && svg.contains("50 %: 0.21 MPa (0.189 to 0.232)"));
    assert!(csv.contains("measured,3e-1,15,14,9.33e-1,6.81e-1,9.98e-1\n"), "{csv}");
    assert!(csv.contains("drive90,2.76e-1,,,9e-1,2.46e-1,\n"), "{csv}");
    // The curve crosses one half at drive50: neighbours of the crossing, a step of 1 % of drive or so.
    let curve: Vec<(f64, f64)> = csv
        .lines()
        .filter_map(|line| line.strip_prefix("curve,"))
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            (cells[0].parse().unwrap(), cells[3].parse().unwrap())
        })
        .collect();
    let crossing = curve.windows(2).find(|two| two[0].1 < 0.5 && two[1].1 >= 0.5).unwrap();
    assert!(crossing[0].0 < 0.21001 && crossing[1].0 > 0.20999, "{crossing:?}");
    let (.., csv) = of("ultraharmonic-all-channels-together-quiet");
    assert!(csv.contains("flow phantom,9e-2,30,1.23e-1,1.51e-1,7.31e-1\n"), "{csv}");
    let (.., csv) = of("forecast-chances");
    assert!(csv.contains("all,ultraharmonic,2.1e-1,3e-1,15,2.44e0,5.13e-1,11\n"), "{csv}");
}

#[test]
fn names_cannot_leave_their_folder_or_meet() {
    let mut sample = sample();
    for at in [1, 2] {
        sample["quantities"][at]["name"] = json!(["../Up,\"x\"", "../up;'x'"][at - 1]);
        sample["quantities"][at]["limit"]["drives"][0]["target"] = json!("a,\"b\"");
    }
    let figures = tuning_figures(&sample);
    assert!(figures.iter().any(|(name, ..)| name == "---up--x--channel-0-roc"), "{figures:?}");
    assert!(figures.iter().any(|(name, ..)| name == "---up--x--channel-0-roc-2"));
    assert!(figures.iter().any(|(.., csv)| csv.contains("\n\"a,\"\"b\"\"\",")));
}
