//! Runs that end early, and say why.

use super::*;

#[track_caller]
fn check_cut(source: Vec<Input>, expected: &str, pulses: &[u64]) {
    let source: Vec<_> = source.into_iter().map(Ok).collect();
    let (outcome, kept) = run_source(plan(1, &[]), 2, source.into_iter(), Kept::default());
    match outcome {
        Err(RunError::Cut(error)) => assert_eq!(error.to_string(), expected),
        Err(other) => panic!("{other:?}"),
        Ok(_) => panic!("the stream was cut"),
    }
    assert_eq!(kept.pulses, pulses);
}

#[test]
fn pulse_numbers_that_do_not_rise_are_refused() {
    let begin = || vec![Input::Begin(stream(1))];
    let falls = "synthetic: pulse 4 after pulse 5: pulse numbers must rise";
    check_cut([begin(), pulse(3, 1), pulse(5, 1), pulse(4, 1)].concat(), falls, &[3, 5]);
    let again = "synthetic: pulse 5 after pulse 5: pulse numbers must rise";
    check_cut([begin(), pulse(5, 1), begin(), pulse(5, 1)].concat(), again, &[5]);
}

#[test]
fn a_stream_of_other_channels_or_rate_is_refused() {
    let channels = "synthetic: channels is 2, the configuration has 1";
    check_cut(vec![Input::Begin(stream(2))], channels, &[]);
    let rate = Stream { sample_rate_hz: 2.5e6, ..stream(1) };
    let words = "synthetic: sample_rate_hz is 2500000, the configuration has 2000000";
    check_cut(vec![Input::Begin(rate)], words, &[]);
}

#[test]
fn a_source_that_fails_is_heard_after_its_earlier_pulses() {
    let mut source = vec![Ok(Input::Begin(stream(1)))];
    source.extend((0..3).flat_map(|number| pulse(number, 1)).map(Ok));
    source.push(Ok(pulse(3, 1).remove(0)));
    source.push(Err("torn"));
    let (outcome, kept) = run_source(plan(1, &[]), 2, source.into_iter(), Kept::default());
    assert!(matches!(outcome, Err(RunError::Source("torn"))));
    assert_eq!((kept.pulses.as_slice(), kept.ends), (&[0, 1, 2, 3][..], 1));
    assert_eq!(kept.reasons()[3], (Some(3), "gate incomplete"));
}

/// Pulses of a stream that never ends.
fn endless() -> impl Iterator<Item = Result<Input, &'static str>> + Send {
    let bytes = counts(0, 1);
    let pulses = (0..).flat_map(move |number| frames(tag(number), &bytes, 1, 4000));
    std::iter::once(Input::Begin(stream(1))).chain(pulses).map(Ok)
}

#[test]
fn a_sink_that_fails_ends_the_run_of_a_source_that_never_does() {
    for workers in [1, 3] {
        let sink = Kept { fails_at: Some(5), ..Kept::default() };
        let (outcome, kept) = run_source(plan(1, &[]), workers, endless(), sink);
        assert!(matches!(outcome, Err(RunError::Sink(5))));
        assert_eq!((kept.pulses.as_slice(), kept.ends), (&[0, 1, 2, 3, 4][..], 0));
    }
}

#[test]
fn an_end_within_the_stream_ends_it() {
    let source = endless().take(7).chain(std::iter::once(Ok(Input::End))).chain(endless());
    let (outcome, kept) = run_source(plan(1, &[]), 2, source, Kept::default());
    assert_eq!(finished(outcome).pulses, 2);
    assert_eq!((kept.pulses.as_slice(), kept.ends), (&[0, 1][..], 1));
}

#[test]
fn a_source_that_panics_ends_the_run() {
    let source = endless().take(7).chain(std::iter::from_fn(|| panic!("meant by the test")));
    let (outcome, kept) = run_source(plan(1, &[]), 2, source, Kept::default());
    assert!(matches!(outcome, Err(RunError::Panicked)));
    assert_eq!(kept.pulses, [0, 1]);
}

#[test]
fn workers_that_panic_end_the_run() {
    let channels = 48;
    let mut faulty = plan(channels, &[]);
    // Every worker looks up its channels' volts when a pulse ends.
    faulty.spec.receive.volts_per_count.clear();
    let bytes = counts(0, channels);
    let pulses = (0..).flat_map(move |number| frames(tag(number), &bytes, channels, 9600));
    let source = std::iter::once(Input::Begin(stream(channels))).chain(pulses).map(Ok);
    let (outcome, kept) = run_source(faulty, 3, source, Kept::default());
    assert!(matches!(outcome, Err(RunError::Panicked)));
    assert!(kept.pulses.is_empty());
}
