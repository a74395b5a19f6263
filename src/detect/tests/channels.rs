//! Several channels and their mean.

use super::*;

/// Two channels with thirty baseline pulses at 0.4 MPa behind them.
fn ready(needed: usize) -> Scene {
    let spec = DetectSpec { channels_needed: needed, ..detect_spec() };
    let mut scene = Scene::new(&TWO_CHANNELS, &spec, &[]);
    scene.baseline(30);
    scene
}

#[test]
fn channels_come_ascending_and_their_mean_last() {
    let mut scene = ready(1);
    let rows = scene.many(vec![heard([0.5; 4]), heard([-0.25; 4])]);
    let order: Vec<Channel> = rows.iter().map(|row| row.channel).collect();
    assert_eq!(order, [Channel::One(0), Channel::One(1), Channel::All]);
    let all = &rows[2];
    says(all, Verdict::NotDetected, "");
    for quantity in Quantity::ALL {
        near(all.lambda_db[quantity].unwrap(), 0.125, 1e-14);
        near(all.detect_db[quantity].unwrap(), 0.145, 1e-12);
        near(all.level_db[quantity].unwrap(), 0.145, 1e-9);
        // Both channels scatter alike, so their mean scatters as each of them.
        near(all.limit_db[quantity].unwrap(), rows[0].limit_db[quantity].unwrap(), 1e-12);
        near(all.hear_db[quantity].unwrap(), rows[1].hear_db[quantity].unwrap(), 1e-12);
        assert_eq!(all.power_v2[quantity], None);
    }
    assert_eq!((all.fundamental_v2, all.broadband_v2_per_hz), (None, None));
    near(all.noise_db.unwrap() + 1.0, 1.0, 1e-12);
}

#[test]
fn a_mean_that_scatters_less_has_a_lower_limit_than_its_channels() {
    let mut scene = Scene::new(&TWO_CHANNELS, &detect_spec(), &[]);
    scene.next.stage = Stage::Baseline;
    for i in 0..30 {
        scene.many(vec![heard([scatter_db(i); 4]), heard([-0.5 * scatter_db(i); 4])]);
    }
    scene.next.stage = Stage::Exposure;
    let rows = scene.many(vec![heard([0.0; 4]), heard([0.0; 4])]);
    let limit = |row: usize| rows[row].limit_db[Quantity::Subharmonic].unwrap();
    // The mean of x and −x/2 scatters by a quarter of x and is correlated as x is.
    near(limit(2), 0.25 * limit(0), 1e-9);
    near(limit(1), 0.5 * limit(0), 1e-9);
}

#[test]
fn any_channel_makes_the_mean_positive() {
    let mut scene = ready(1);
    let rows = scene.many(vec![heard([0.0; 4]), raised(Quantity::Subharmonic, 3.5)]);
    says(&rows[0], Verdict::NotDetected, "");
    assert_eq!(rows[1].verdict, Some(Verdict::Stable));
    let words = format!("channel 1 {}", rows[1].reason);
    says(&rows[2], Verdict::Stable, &words);
    let rows = scene.many(vec![raised(Quantity::Broadband, 9.0), heard([0.0; 4])]);
    let words = rows[2].reason.split("; ").collect::<Vec<_>>();
    assert_eq!(rows[2].verdict, Some(Verdict::Inertial));
    assert!(
        words[0].starts_with("broadband pulse +")
            && words[1].starts_with("channel 0 broadband pulse +")
    );
    assert_eq!(scene.summaries()[0].verdicts, [0, 1, 1, 0]);
}

#[test]
fn a_weak_emission_on_every_channel_shows_in_the_mean_alone() {
    let mut scene = Scene::new(&TWO_CHANNELS, &detect_spec(), &[]);
    scene.next.stage = Stage::Baseline;
    for i in 0..30 {
        scene.many(vec![heard([scatter_db(i); 4]), heard([-0.5 * scatter_db(i); 4])]);
    }
    scene.next.stage = Stage::Exposure;
    let rows = scene.many(vec![raised(Quantity::Broadband, 1.0), raised(Quantity::Broadband, 1.0)]);
    says(&rows[0], Verdict::NotDetected, "");
    says(&rows[1], Verdict::NotDetected, "");
    assert_eq!(rows[2].verdict, Some(Verdict::Inertial));
}

#[test]
fn a_deaf_channel_is_left_out_of_the_mean() {
    let mut scene = ready(1);
    let dead = Measured { dead: true, ..heard([-8.0; 4]) };
    let rows = scene.many(vec![dead, heard([0.5; 4])]);
    says(&rows[0], Verdict::Indeterminate, "dead channel");
    says(&rows[2], Verdict::NotDetected, "");
    near(rows[2].lambda_db[Quantity::Harmonic].unwrap(), 0.5, 0.0);
    let rows =
        scene.hear(&[ChannelReading::from_measured(heard([0.5; 4])), void(Void::SamplesLost)]);
    says(&rows[1], Verdict::Indeterminate, "samples lost");
    says(&rows[2], Verdict::NotDetected, "");
}

#[test]
fn too_few_healthy_channels_forbid_not_detected_and_nothing_else() {
    let mut scene = ready(2);
    let dead = Measured { dead: true, ..heard([0.0; 4]) };
    let rows = scene.many(vec![dead.clone(), heard([0.0; 4])]);
    says(&rows[1], Verdict::NotDetected, "");
    says(&rows[2], Verdict::Indeterminate, "dead channel; too few channels");
    assert_eq!((rows[2].lambda_db, rows[2].limit_db), Default::default());
    let rows = scene.many(vec![dead, raised(Quantity::Broadband, 9.0)]);
    assert_eq!(rows[2].verdict, Some(Verdict::Inertial));
    let words = format!("channel 1 {}; dead channel; too few channels", rows[1].reason);
    assert_eq!(rows[2].reason, words);
}

#[test]
fn rows_of_other_stages_say_what_their_mean_is_made_of() {
    let mut scene = ready(2);
    scene.next.stage = Stage::Noise;
    let rows = scene.many(vec![heard([1.0; 4]), heard([2.0; 4])]);
    assert_eq!(rows[2].reason, "stage noise");
    near(rows[2].lambda_db[Quantity::Broadband].unwrap(), 1.5, 1e-14);
    let clipped = Measured { clipped: true, ..heard([1.0; 4]) };
    let rows = scene.many(vec![clipped, heard([2.0; 4])]);
    let reasons: Vec<&str> = rows.iter().map(|row| row.reason.as_str()).collect();
    assert_eq!(reasons, ["clipped", "stage noise", "too few channels"]);
    assert!(rows.iter().all(|row| row.verdict.is_none()));
}

#[test]
fn doses_of_the_mean_are_the_mean_of_the_doses() {
    let mut scene = ready(1);
    let rows = scene.many(vec![heard([3.0; 4]), heard([-1.0; 4])]);
    for quantity in Quantity::ALL {
        let [a, b, all] = [0, 1, 2].map(|row: usize| rows[row].excess_dose_v2s[quantity].unwrap());
        near(all, 0.5 * (a + b), 1e-14);
        assert!(a > 0.0 && b < 0.0);
    }
}
