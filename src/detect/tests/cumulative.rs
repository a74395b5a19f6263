//! Many pulses of one exposure together.

use super::*;
use crate::detect::cumulative::words;

const BROADBAND: Quantity = Quantity::Broadband;

/// A weak lasting rise of one quantity, the others as in the baseline.
fn weak(i: u32, quantity: Quantity, rise_db: f64) -> Measured {
    let mut all = [scatter_db(i); 4];
    all[quantity as usize] += rise_db;
    heard(all)
}

fn together(row: &Row) -> String {
    words(&row.established, row.channel)
}

/// Hears pulses until something is established; its pulse and row.
fn until_established(scene: &mut Scene, quantity: Quantity, rise_db: f64) -> Option<(u32, Row)> {
    (0..600).map(|i| (i, scene.one(weak(i, quantity, rise_db)))).find(|(_, row)| {
        assert_eq!(row.verdict, Some(Verdict::NotDetected), "no single pulse shows it");
        !together(row).is_empty()
    })
}

fn established(scene: &Scene) -> Vec<Established> {
    let found = scene.events.iter().filter_map(|event| match event.what {
        What::Established(found) => Some(found),
        _ => None,
    });
    found.collect()
}

#[test]
fn a_rise_that_no_pulse_shows_is_established_by_many() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.inject();
    let (i, row) = until_established(&mut scene, Quantity::Ultraharmonic, 0.7).unwrap();
    let pulse = row.pulse.unwrap();
    assert_eq!(together(&row), format!("ultraharmonic since {pulse}"));
    let [found] = established(&scene).try_into().unwrap();
    assert_eq!((found.quantity, found.pulse), (Quantity::Ultraharmonic, pulse));
    assert_eq!((found.channel, found.drive), (Channel::One(0), Drive::Known(0.4)));
    assert!((found.excess_db - 0.7).abs() < 0.15 && found.within_db > 0.1, "{found:?}");
    // It lasts, with its excess of the moment, and names nobody's verdict.
    let later = scene.one(weak(i + 1, Quantity::Ultraharmonic, 0.7));
    assert_eq!(together(&later), format!("ultraharmonic since {pulse}"));
    says(&later, Verdict::NotDetected, "");
    let [summary] = scene.summaries().try_into().unwrap();
    let kept = summary.established[Quantity::Ultraharmonic].unwrap();
    assert_eq!(kept.pulse, pulse);
    assert_eq!(kept, later.established[Quantity::Ultraharmonic].unwrap());
    assert_eq!(summary.established[BROADBAND], None);
}

#[test]
fn nothing_is_established_without_a_rise() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    assert_eq!(until_established(&mut scene, BROADBAND, 0.0), None);
    assert_eq!(established(&scene), []);
}

#[test]
fn the_evidence_is_the_one_of_the_definition() {
    // Of an exposure that begins marked: E = ½·e_0 + Σ e_s/14 over onsets that have not come.
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.inject();
    let (i, _) = until_established(&mut scene, BROADBAND, 0.7).unwrap();
    let baseline: Vec<f64> = (0..30).map(scatter_db).collect();
    let mean = baseline.iter().sum::<f64>() / 30.0;
    let squares = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / as_f64(values.len());
        values.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>()
    };
    let f =
        crate::stats::SerialCorrection::of_one(crate::stats::autocorrelation(&baseline, 1), 30).f;
    let ln_e = |p: u32| {
        let later: Vec<f64> = (0..p).map(|i| scatter_db(i) + 0.7).collect();
        let count = f64::from(p);
        let rise = later.iter().sum::<f64>() / count - mean;
        let sd = ((squares(&baseline) + squares(&later)) / (28.0 + count)).sqrt();
        let t = rise * (f * 30.0 * count / (30.0 + count)).sqrt() / sd;
        crate::stats::ln_e_value(30, p as usize, f, t, 0.5)
    };
    let evidence = |p: u32| 0.5 * ln_e(p).exp() + 0.5;
    // 2·B·L/q = 2·3·1/0.01.
    assert!(i + 1 < 75, "no onset has come");
    assert!(evidence(i + 1) >= 600.0 && evidence(i) < 600.0, "{} {}", evidence(i), evidence(i + 1));
}

#[test]
fn an_injection_during_the_exposure_is_where_a_change_may_have_begun() {
    let pulses = |mark: bool| {
        let mut scene = Scene::ready(&detect_spec(), &[]);
        for i in 0..65 {
            scene.one(weak(i, BROADBAND, 0.0));
        }
        if mark {
            scene.inject();
        }
        until_established(&mut scene, BROADBAND, 0.7).map(|(i, _)| i)
    };
    let (marked, unmarked) = (pulses(true).unwrap(), pulses(false).unwrap());
    assert!(marked < unmarked, "{marked} {unmarked}");
}

#[test]
fn an_injection_that_is_known_makes_the_first_pulse_the_likeliest_onset() {
    let pulses = |mark: bool| {
        let mut scene = Scene::ready(&detect_spec(), &[]);
        if mark {
            scene.inject();
        }
        let first = scene.one(weak(0, BROADBAND, 0.0));
        let hearing = first.hearing[BROADBAND].unwrap();
        // ln A = ln(2·B·L/(q·w₀)), w₀ one half or one quarter.
        near(hearing.ln_threshold.exp(), if mark { 1200.0 } else { 2400.0 }, 1e-12);
        until_established(&mut scene, BROADBAND, 0.7).map(|(i, _)| i)
    };
    assert!(pulses(true).unwrap() <= pulses(false).unwrap());
}

#[test]
fn a_wandering_level_without_a_reference_has_no_other_onsets() {
    let plan = plan_without_noise_gate();
    let first = |mark: bool| {
        let mut scene = Scene::new(&plan, &detect_spec(), &[]);
        scene.baseline(30);
        if mark {
            scene.inject();
        }
        scene.one(weak(0, BROADBAND, 0.0)).hearing
    };
    // w₀ is 1 or ½ for the broadband, as ever for the lines.
    near(first(true)[BROADBAND].unwrap().ln_threshold.exp(), 600.0, 1e-12);
    near(first(false)[BROADBAND].unwrap().ln_threshold.exp(), 1200.0, 1e-12);
    near(first(true)[Quantity::Subharmonic].unwrap().ln_threshold.exp(), 1200.0, 1e-12);
}

#[test]
fn each_exposure_begins_anew() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.exposure(1);
    assert!(until_established(&mut scene, BROADBAND, 0.7).is_some());
    scene.exposure(2);
    let row = scene.one(weak(0, BROADBAND, 0.7));
    assert_eq!(together(&row), "");
    assert_eq!(row.hearing[BROADBAND].unwrap().taken, 1);
    let [first, second] = scene.summaries().try_into().unwrap();
    assert!(first.established[BROADBAND].is_some() && second.established[BROADBAND].is_none());
}

#[test]
fn pulses_that_mean_nothing_or_lie_between_drives_take_no_part() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(30);
    scene.next.drive_mpa = Some(0.48);
    scene.baseline(30);
    let taken = |row: &Row| row.hearing[BROADBAND].map(|hearing| hearing.taken);
    assert_eq!(taken(&scene.one(weak(0, BROADBAND, 0.0))), Some(1));
    let uncoupled = Measured { fundamental_v2: 1e-4, ..weak(1, BROADBAND, 0.0) };
    let row = scene.one(uncoupled);
    says(&row, Verdict::Indeterminate, "fundamental low");
    assert_eq!((taken(&row), row.hear_cumulative_db[BROADBAND]), (None, None));
    assert_eq!(taken(&scene.one(weak(2, BROADBAND, 0.0))), Some(2));
    // Within 5 % of 0.48 MPa, between it and 0.40 MPa, and there again.
    scene.next.drive_mpa = Some(0.46);
    assert_eq!(taken(&scene.one(weak(3, BROADBAND, 0.0))), Some(3));
    scene.next.drive_mpa = Some(0.44);
    assert_eq!(taken(&scene.one(weak(4, BROADBAND, 0.0))), None);
    scene.next.drive_mpa = Some(0.48);
    assert_eq!(taken(&scene.one(weak(5, BROADBAND, 0.0))), Some(4));
    scene.next.drive_mpa = Some(0.4);
    assert_eq!(taken(&scene.one(weak(6, BROADBAND, 0.0))), Some(1));
}

#[test]
fn twenty_nine_baseline_pulses_allow_no_cumulative_detection() {
    let mut scene = Scene::new(&ONE_CHANNEL, &detect_spec(), &[]);
    scene.baseline(29);
    let row = scene.one(weak(0, BROADBAND, 3.0));
    assert_eq!(row.hearing[BROADBAND], None);
    assert!(row.limit_db[BROADBAND].is_some());
}

#[test]
fn the_margin_is_taken_off_every_pulse() {
    let mut spec = detect_spec();
    spec.repeatability_db[BROADBAND] = 0.7;
    let mut scene = Scene::ready(&spec, &[]);
    assert_eq!(until_established(&mut scene, BROADBAND, 0.7), None);
    let row = scene.one(weak(0, BROADBAND, 0.7));
    assert!(row.hear_cumulative_db[BROADBAND].unwrap() > 0.7);
}

#[test]
fn all_names_the_channel_that_was_first() {
    let mut scene = Scene::new(&TWO_CHANNELS, &detect_spec(), &[]);
    scene.baseline(30);
    scene.inject();
    let first = (0..600).find_map(|i| {
        let rows = scene.many(vec![weak(i, BROADBAND, 0.0), weak(i, BROADBAND, 0.9)]);
        (!together(&rows[2]).is_empty()).then_some(rows)
    });
    let [quiet, loud, all] = first.unwrap().try_into().unwrap();
    let pulse = all.pulse.unwrap();
    assert_eq!(together(&quiet), "");
    assert_eq!(together(&loud), format!("broadband since {pulse}"));
    assert_eq!(together(&all), format!("broadband since {pulse} on channel 1"));
    let [found] = established(&scene).try_into().unwrap();
    assert_eq!(found.channel, Channel::One(1));
}

#[test]
fn all_stays_with_the_channels_it_began_with() {
    let mut scene = Scene::new(&TWO_CHANNELS, &detect_spec(), &[]);
    scene.baseline(30);
    let taken = |rows: &[Row]| rows[2].hearing[BROADBAND].map(|hearing| hearing.taken);
    let both = |i| vec![weak(i, BROADBAND, 0.0), weak(i, BROADBAND, 0.0)];
    assert_eq!(taken(&scene.many(both(0))), Some(1));
    let mut one = both(1);
    one[1].fundamental_v2 = 1e-4;
    let rows = scene.many(one);
    assert_eq!(taken(&rows), None);
    assert_eq!(rows[0].hearing[BROADBAND].unwrap().taken, 2);
    assert_eq!(rows[2].verdict, Some(Verdict::NotDetected), "{}", rows[2].reason);
    assert_eq!(taken(&scene.many(both(2))), Some(2));
}

#[test]
fn what_could_be_heard_is_given_as_power_too() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    let row = scene.one(weak(0, BROADBAND, 0.0));
    // P̄ of ten-to-the-λ: closed form over the thirty baseline pulses.
    let mean = (0..30).map(|i| 1e-9 * libm::pow(10.0, scatter_db(i) / 10.0)).sum::<f64>() / 30.0;
    let added = mean * (libm::pow(10.0, row.hear_db[BROADBAND].unwrap() / 10.0) - 1.0);
    near(row.hear_v2()[BROADBAND].unwrap(), added, 1e-12);
    assert_eq!(row.hear_cumulative_v2()[BROADBAND], None, "one pulse establishes nothing");
    let row = (1..200).map(|i| scene.one(weak(i, BROADBAND, 0.0))).last().unwrap();
    let limit = row.hear_cumulative_db[BROADBAND].unwrap();
    assert!(limit < row.hear_db[BROADBAND].unwrap());
    let added = mean * (libm::pow(10.0, limit / 10.0) - 1.0);
    near(row.hear_cumulative_v2()[BROADBAND].unwrap(), added, 1e-12);
}

#[test]
fn a_pulse_that_never_came_and_a_sham_keep_what_was_established() {
    let mut scene = Scene::ready(&detect_spec(), &[]);
    scene.inject();
    let (_, row) = until_established(&mut scene, BROADBAND, 0.7).unwrap();
    let words = together(&row);
    scene.wait(10.0);
    let rows = scene.many(vec![weak(0, BROADBAND, 0.0)]);
    assert_eq!(rows[0].reason, "pulse missing");
    assert_eq!((together(&rows[0]), together(&rows[1])), (words.clone(), words.clone()));
    scene.next.sham = true;
    assert_eq!(together(&scene.one(weak(0, BROADBAND, 0.0))), words);
}
