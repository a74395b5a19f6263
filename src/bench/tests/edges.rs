//! Silence, and what a bench refuses.

use super::*;

#[test]
fn bubbles_are_counted_in_silence_and_nothing_is_heard_of_them() {
    let crowd = PopulationSpec { free_share: 0.0, bubbles_mean: 60.0, ..setup().population };
    let silent = Step { pause_s: 2.0, ..Step::plain(Part::Silence, 0.0, 1) };
    let steps = vec![
        Step::plain(Part::Silence, 0.0, 1),
        Step::plain(Part::Exposure, 0.02, 1).injected(),
        silent,
    ];
    let scene = scene_of(Setup { population: crowd, ..setup() }, steps);
    let (mut scratch, mut counts) = (Scratch::default(), Vec::new());
    let truths = scene.pulses().unwrap().map(|pulse| {
        let truth = scene.record(&pulse.unwrap(), &mut scratch, &mut counts).unwrap();
        (truth, scratch.emissions_v[0].iter().all(|volt| volt.abs() <= 0.0))
    });
    let [(before, _), _, (silence, unheard)] = truths.collect::<Vec<_>>().try_into().unwrap();
    assert_eq!((before.bubbles, before.largest_ratio), (0, None));
    // Four and a half standard errors of a Poisson number.
    check(f64::from(silence.bubbles), [60.0 - 35.0, 60.0 + 35.0]);
    assert_eq!(silence.coated, silence.bubbles);
    assert_eq!((silence.broken, silence.destroyed, silence.inertial_collapses), (0, 0, 0));
    assert_eq!((silence.largest_ratio, unheard), (Some(1.0), true));
}

#[test]
fn a_receiver_is_never_nearer_to_a_bubble_than_sound_is_computed_for() {
    for (channel_radius_m, least_share) in [(1e-6, 0.99), (1.5e-3, 0.3), (30e-3, 0.3)] {
        let population = PopulationSpec { channel_radius_m, least_share, ..setup().population };
        let bench = Setup { population, ..setup() };
        // Closed form: the corner of the channel's piece; half its length where a Gaussian that is one
        // half at the half-width has sunk to the share.
        let half_m = population.focus.lateral_half_m * (-least_share.log2()).sqrt();
        let furthest_m = half_m.hypot(channel_radius_m);
        let nearest_m = bench.nearest_m();
        assert!((population.furthest_m() / furthest_m - 1.0).abs() < 1e-9);
        assert!(nearest_m >= 2.0 * furthest_m && nearest_m - furthest_m >= 1e-3);
        assert!(nearest_m <= (2.0 * furthest_m).max(furthest_m + 1.001e-3));
    }
    let mut bench = setup();
    bench.receivers[0].position_m = [0.0, 0.0, 20e-3];
    assert!(Scene::new(&spec(), bench, Vec::new(), 1).is_ok());
}

#[test]
fn a_wave_behind_its_shock_and_a_record_longer_than_the_period_are_refused() {
    let refused = |setup: Setup, spec: &SceneSpec| {
        let steps = vec![Step::plain(Part::Baseline, 3.0, 1)];
        Scene::new(spec, setup, steps, 1).map(|_| ()).unwrap_err().to_string()
    };
    let mut shocked = setup();
    shocked.amplifier.shock_per_mpa = 0.34;
    let said = refused(shocked, &spec());
    assert!(said.contains("amplifier.shock_per_mpa times the highest drive is 1.02"), "{said}");
    // A record of 6.1 ms, a period of 6.1013 ms that a slow clock makes shorter in samples.
    let mut slow = setup();
    slow.electronics.clock_ppm = -2000.0;
    let said = refused(slow, &SceneSpec { repetition_hz: 163.9, ..spec() });
    assert!(said.contains("the record's length in seconds is 0.0061"), "{said}");
    assert_eq!(SceneSpec { repetition_hz: 163.9, ..spec() }.check(), Ok(()));
}

#[test]
fn what_the_bench_cannot_take_of_a_configuration_is_said_at_its_keys() {
    let found = |change: &dyn Fn(&mut SceneSpec)| {
        let mut spec = spec();
        change(&mut spec);
        let fault = spec.check().unwrap_err();
        (fault.keys[0].clone(), fault.message)
    };
    for (key, said, change) in [
        (
            "receive.sample_format",
            "is \"rf32_le\", must be \"ri16_le\"",
            &(|spec: &mut SceneSpec| spec.signal.receive.sample_format = SampleFormat::Rf32Le)
                as &dyn Fn(&mut SceneSpec),
        ),
        ("drive.frequency_hz", "is 5000, must be from 10000", &|spec| {
            spec.signal.drive_frequency_hz = 5e3;
        }),
        ("receive.gate_end_s", "a record's length, s, is 0.0061", &|spec| {
            spec.repetition_hz = 180.0;
        }),
        ("drive.pulse_s", "must be from 0 to 10", &|spec| {
            (spec.pulse_s, spec.repetition_hz) = (11.0, 0.05);
        }),
        ("receive.sample_rate_hz", "is 20000000, must be from 0 to 15000000", &|spec| {
            spec.signal.drive_frequency_hz = 15e3;
        }),
    ] {
        let (first, message) = found(change);
        assert!(first == key && message.contains(said), "{first}: {message}");
    }
}
