//! Samples that are lost, and where each is counted.

use super::*;

#[test]
fn a_jump_in_a_pulse_loses_samples_and_voids_what_it_hits() {
    let cut = |number: u64, frame: usize| {
        let mut all = frames(tag(number), &counts(number, 1), 1, 1000);
        all.remove(frame);
        all
    };
    // The gate begins at 3400, the noise gate ends at 3000; 3000 … 3399 are in neither.
    let items = [cut(0, 4), cut(1, 0), cut(2, 9), pulse(3, 1)].concat();
    let (outcome, kept) = run_items(items);
    let account = finished(outcome);
    assert_eq!(
        kept.reasons(),
        [
            (Some(0), "samples lost"),
            (Some(1), "noise gate incomplete"),
            (Some(2), "gate incomplete"),
            (Some(3), "stage noise"),
        ]
    );
    assert_eq!((account.lost_in_holes, account.lost_in_gates), (2000, 1800));
    assert_eq!((account.not_recorded, account.incomplete_pulses), (400, 3));
    assert!(account.closes());
}

#[test]
fn a_record_that_ends_early_has_an_incomplete_gate() {
    let short = counts(0, 1);
    let items = [frames(tag(0), &short[..2 * 5000], 1, 700), pulse(1, 1)].concat();
    let (outcome, kept) = run_items(items);
    let account = finished(outcome);
    assert_eq!(kept.reasons(), [(Some(0), "gate incomplete"), (Some(1), "stage noise")]);
    assert_eq!((account.received, account.not_recorded), (5000 + RECORD, 4400));
    assert!(account.closes());
}

#[test]
fn samples_the_device_lost_void_the_pulse() {
    let lossy = PulseTag { lost_samples: 7, ..tag(0) };
    let (outcome, kept) = run_items(frames(lossy, &counts(0, 1), 1, 4000));
    let account = finished(outcome);
    assert_eq!(kept.reasons(), [(Some(0), "samples lost")]);
    assert_eq!((account.lost_by_device, account.incomplete_pulses), (7, 1));
}

#[test]
fn a_trigger_of_the_recordings_own_moves_the_gates() {
    let late = PulseTag { trigger_offset: Some(3400), ..tag(0) };
    let early = PulseTag { trigger_offset: Some(2990), ..tag(1) };
    let mut items = frames(late, &counts(0, 1), 1, 4000);
    items.extend(frames(early, &counts(1, 1), 1, 4000));
    let (outcome, kept) = run_items(items);
    let account = finished(outcome);
    assert_eq!(kept.reasons(), [(Some(0), "stage noise"), (Some(1), "noise gate incomplete")]);
    // The second pulse's noise gate begins ten samples before its record.
    assert_eq!((account.wanted, account.not_recorded), (2 * WANTED, 10));
    assert!(account.closes());
}

#[test]
fn the_account_adds_up_and_does_not_close_when_samples_came_twice() {
    let (outcome, _) = run_items((0..3).flat_map(|number| pulse(number, 1)).collect());
    let account = finished(outcome);
    assert_eq!((account.pulses, account.frames, account.received), (3, 9, 3 * RECORD));
    assert_eq!((account.wanted, account.used), (3 * WANTED, 3 * WANTED));
    assert_eq!((account.outside_gates, account.not_recorded), (3 * 400, 0));
    assert!(account.closes());
    let mut twice = pulse(0, 1);
    twice.insert(1, twice[0].clone());
    let (outcome, kept) = run_items(twice);
    assert!(!finished(outcome).closes());
    assert_eq!(kept.reasons(), [(Some(0), "stage noise")]);
}
