//! The nine rules of the protocol, by number, and what its tables say of single flags.

use super::*;

const NONE: Flags = Flags::NONE;
const WHOLE: Flags = Flags::FIRST.with(Flags::LAST);

#[track_caller]
fn check_refused(bytes: &[u8], code: ErrorCode, detail: &str) {
    let (events, fault) = decode(&mut started(), bytes);
    assert_eq!(events, []);
    let fault = fault.unwrap();
    assert_eq!((fault.error, fault.detail.as_str()), (code, detail));
}

/// The header with some bytes changed and its CRC made right again.
fn forged(header: &Header, at: usize, with: &[u8]) -> Vec<u8> {
    let mut bytes = encoded(header);
    bytes[at..][..with.len()].copy_from_slice(with);
    let target = usize::from(bytes[77]).min(bytes.len() - 96);
    let crc = bytes::crc32(&[&bytes[..92], &bytes[96..96 + target]].concat());
    bytes[92..96].copy_from_slice(&crc.to_le_bytes());
    bytes
}

#[test]
fn rule_1_a_bad_magic_or_header_crc_ends_the_connection_and_no_magic_is_searched() {
    let good = encoded(&header(0, 1, 0, 2, WHOLE));
    let detail = "magic is \"GET \", must be \"smr1\"";
    check_refused(&[b"GET / HTTP/1.1\r\n".as_slice(), &good].concat(), ErrorCode::Header, detail);
    for bit in 0..8 * 102 {
        let mut bad = good.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let mut decoder = started();
        let (events, fault) = decode(&mut decoder, &bad);
        assert_eq!(events, [], "bit {bit}");
        assert_eq!(fault.clone().unwrap().error, ErrorCode::Header, "bit {bit}");
        // What follows is not looked at.
        assert_eq!(decode(&mut decoder, &good), (Vec::new(), fault));
    }
    let mut monitor = Monitor::new();
    let refusal = Refusal::new(ErrorCode::Header, "magic is \"GET \"");
    monitor.link.fault(monitor.connection, monitor.at, refusal, &mut monitor.out);
    monitor.check_error(ErrorCode::Header, "magic is \"GET \"", 0);
    assert_eq!(monitor.resume(0).unwrap().welcome.next, 0);
}

#[test]
fn rule_2_a_bad_payload_loses_its_samples_and_the_connection_goes_on() {
    let first = header(0, 1, 0, 2, Flags::FIRST);
    let (second, third) = (header(1, 1, 2, 3, NONE), header(2, 1, 5, 1, Flags::LAST));
    let mut bytes = [encoded(&first), encoded(&second), encoded(&third)].concat();
    let damaged = encoded(&first).len() + 102;
    bytes[damaged] ^= 1;
    let (events, fault) = decode(&mut started(), &bytes);
    assert_eq!(fault, None);
    let mut monitor = Monitor::new();
    for event in events {
        let DecoderEvent::Frame(arrived) = event else { panic!("{event:?}") };
        assert_eq!(arrived.payload_ok, arrived.header.sequence != 1);
        monitor.take(arrived);
    }
    monitor.check_frames(&[(1, 0, 2, false), (1, 5, 1, true)]);
    assert_eq!(monitor.notices()[0], &Notice::Hole { pulse: 1, samples: 3, why: Hole::Crc });
    assert_eq!(monitor.notices().len(), 1);
    assert_eq!((monitor.link.counts().crc, monitor.link.counts().samples_crc), (1, 3));
    assert!(monitor.said().is_empty());
}

#[test]
fn rule_2_a_pulse_of_which_only_damaged_samples_came_is_still_a_pulse() {
    let mut monitor = Monitor::new();
    monitor.take(Arrived { payload_ok: false, ..arrived(header(0, 1, 0, 5, WHOLE)) });
    monitor.check_frames(&[(1, 5, 0, true)]);
    assert_eq!(monitor.link.counts().pulses, 1);
}

#[test]
fn rule_3_a_wrong_payload_size_is_refused_before_room_is_made() {
    let good = header(0, 1, 0, 2, WHOLE);
    let detail = "payload_bytes is 4294967295, must be 2 samples of 4 bytes";
    check_refused(&forged(&good, 72, &[0xff; 4]), ErrorCode::Length, detail);
    let large = [2000_u32.to_le_bytes(), 8000_u32.to_le_bytes()].concat();
    let detail = "payload_bytes is 8000, must be at most 4096";
    check_refused(&forged(&good, 68, &large), ErrorCode::Length, detail);
    // 4294967295 × 4 does not fit 32 bits: 4294967292 is what is left of it there.
    let wrapped = [u32::MAX.to_le_bytes(), (u32::MAX - 3).to_le_bytes()].concat();
    let detail = "payload_bytes is 4294967292, must be 4294967295 samples of 4 bytes";
    check_refused(&forged(&good, 68, &wrapped), ErrorCode::Length, detail);
    let mut decoder = started();
    let mut asked = 0;
    let bytes = forged(&good, 68, &large);
    decoder
        .step(&mut bytes.as_slice(), &mut || {
            asked += 1;
            Vec::new()
        })
        .unwrap_err();
    assert_eq!(asked, 0);
}

#[test]
fn rule_4_a_frame_below_the_one_due_is_a_duplicate_and_dropped() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(1, 1, 2, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 2, true)]);
    assert_eq!(monitor.notices(), [&Notice::Duplicate { sequence: 0 }]);
    assert_eq!(monitor.link.counts().duplicates, 1);
}

#[test]
fn rule_4_a_jump_is_frames_lost_and_first_sample_tells_how_many_samples() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(3, 1, 9, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 9, 2, true)]);
    let lost = Notice::FramesLost { sequence: 1, frames: 2, samples: Some(7) };
    let hole = Notice::Hole { pulse: 1, samples: 7, why: Hole::Frames };
    assert_eq!(monitor.notices(), [&lost, &hole]);
    assert_eq!(monitor.link.counts().frames_lost, 2);
}

#[test]
fn rule_4_a_first_sample_that_runs_back_ends_the_connection_and_changes_nothing() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 4, Flags::FIRST);
    monitor.frame(1, 1, 3, 4, NONE);
    let detail = "first_sample is 1003, must be at least 1004";
    monitor.check_error(ErrorCode::Backwards, detail, 1);
    monitor.resume(1).unwrap();
    monitor.frame(1, 1, 4, 4, Flags::LAST);
    monitor.check_frames(&[(1, 0, 4, false), (1, 4, 4, true)]);
}

#[test]
fn rule_5_a_pulse_closes_when_its_gates_are_in_and_its_tail_is_not_late() {
    let mut monitor = Monitor::with(Terms { gate_end_samples: Some(4), ..terms() });
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(1, 1, 2, 3, NONE);
    monitor.frame(2, 1, 5, 3, Flags::LAST);
    monitor.frame(3, 2, 0, 8, WHOLE);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 3, true), (2, 0, 8, true)]);
    assert!(monitor.notices().is_empty());
    assert_eq!(monitor.link.counts().samples_after_gate, 3);
    assert_eq!(monitor.link.counts().samples, 13);
}

#[test]
fn rule_5_the_last_gate_sample_closes_and_a_pulse_before_its_gates_end_is_late_afterwards() {
    let mut monitor = Monitor::with(Terms { gate_end_samples: Some(4), ..terms() });
    monitor.frame(0, 1, 0, 4, Flags::FIRST);
    monitor.frame(1, 2, 0, 3, Flags::FIRST);
    monitor.later(Duration::from_secs(1));
    monitor.frame(2, 2, 3, 3, Flags::LAST);
    monitor.check_frames(&[(1, 0, 4, true), (2, 0, 3, false), (2, 3, 0, true)]);
    assert_eq!(monitor.notices().last(), Some(&&Notice::Late { pulse: 2, samples: 3 }));
}

#[test]
fn rule_5_a_pulse_waits_for_its_next_frame_only_while_the_link_is_up() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.cut();
    monitor.later(Duration::from_secs(20));
    monitor.resume(1).unwrap();
    monitor.later(Duration::from_millis(999));
    monitor.check_frames(&[(1, 0, 2, false)]);
    monitor.later(Duration::from_millis(1));
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true)]);
}

#[test]
fn rule_5_a_pulse_closes_at_another_pulse_number_and_its_frames_are_late() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(1, 2, 0, 2, Flags::FIRST);
    let late = Header { first_sample: 2002, ..header(2, 1, 0, 3, Flags::LAST) };
    monitor.take(arrived(late));
    monitor.frame(3, 2, 5, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true), (2, 0, 2, false), (2, 5, 2, true)]);
    let unfinished = Notice::Unfinished { pulse: 1, why: Unfinished::Overtaken };
    assert_eq!(monitor.notices()[..2], [&unfinished, &Notice::Late { pulse: 1, samples: 3 }]);
    assert_eq!((monitor.link.counts().late, monitor.link.counts().samples_late), (1, 3));
}

#[test]
fn rule_5_a_pulse_closes_at_a_time_out_and_at_end_of_stream() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.later(Duration::from_millis(999));
    monitor.check_frames(&[(1, 0, 2, false)]);
    monitor.later(Duration::from_millis(1));
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true)]);
    monitor.frame(1, 1, 2, 2, Flags::LAST);
    monitor.frame(2, 2, 0, 2, Flags::FIRST);
    monitor.frame(3, 0, 0, 0, Flags::END);
    let why = |pulse, why| Notice::Unfinished { pulse, why };
    let totals = Totals { received: 3, lost: 0, pulses: 2 };
    assert_eq!(
        monitor.notices(),
        [
            &why(1, Unfinished::Overdue),
            &Notice::Late { pulse: 1, samples: 2 },
            &why(2, Unfinished::Ended),
            &Notice::Ended(totals),
        ]
    );
    assert_eq!(monitor.said().last(), Some(&&Message::End(totals)));
}

#[test]
fn rule_6_an_open_pulse_is_kept_over_a_cut_and_a_half_read_frame_is_sent_again() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    let half = encoded(&header(1, 1, 2, 2, Flags::LAST));
    assert_eq!(decode(&mut started(), &half[..half.len() - 1]), (Vec::new(), None));
    monitor.cut();
    monitor.later(Duration::from_millis(29_999));
    assert_eq!(monitor.resume(0).unwrap().welcome.next, 1);
    monitor.frame(1, 1, 2, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 2, true)]);
    let resumed = Notice::Resumed { next: 1, oldest: 0 };
    assert_eq!(monitor.notices(), [&Notice::Cut { silent: false }, &resumed]);
    assert_eq!(monitor.frames()[0].tag, monitor.frames()[1].tag);
}

#[test]
fn rule_6_a_sender_that_forgot_frames_goes_on_from_its_oldest_and_the_hole_is_accounted() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.cut();
    assert_eq!(monitor.resume(4).unwrap().welcome.next, 1);
    monitor.frame(4, 1, 8, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 8, 2, true)]);
    monitor.frame(5, 0, 0, 0, Flags::END);
    let totals = Totals { received: 2, lost: 3, pulses: 1 };
    assert_eq!(monitor.said(), [&Message::End(totals)]);
}

#[test]
fn rule_6_a_resume_replaces_a_link_that_looks_alive() {
    let mut monitor = Monitor::new();
    let old = monitor.connection;
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.resume(0).unwrap();
    assert!(monitor.out.contains(&Step::Close(old)));
    let stale = arrived(header(1, 1, 2, 2, Flags::LAST));
    monitor.link.frame(old, monitor.at, stale, &mut monitor.out);
    monitor.link.cut(old, monitor.at, &mut monitor.out);
    monitor.check_frames(&[(1, 0, 2, false)]);
    monitor.frame(1, 1, 2, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 2, true)]);
}

#[test]
fn rule_6_another_stream_is_busy_until_this_one_ended_or_expired() {
    let other = Hello { stream: StreamId(8), ..hello() };
    let mut monitor = Monitor::new();
    let say = |monitor: &mut Monitor, hello: &Hello| {
        monitor.link.hello(monitor.at, hello.clone(), &peer(), &mut monitor.out)
    };
    let refusal = say(&mut monitor, &other).unwrap_err();
    assert_eq!((refusal.error, refusal.retry), (ErrorCode::Busy, true));
    monitor.frame(0, 1, 0, 2, WHOLE);
    let again = say(&mut monitor, &hello()).unwrap_err();
    assert_eq!(again.error, ErrorCode::Busy);
    assert!(again.detail.ends_with("is running, resume must be true"));
    monitor.cut();
    assert_eq!(say(&mut monitor, &other).unwrap_err().error, ErrorCode::Busy);
    monitor.resume(1).unwrap();
    monitor.frame(1, 0, 0, 0, Flags::END);
    assert_eq!(say(&mut monitor, &other).unwrap().welcome.next, 0);
    assert_eq!(monitor.link.counts().streams, 2);
    assert_eq!(monitor.resume(1).unwrap_err().error, ErrorCode::Busy);
}

#[test]
fn rule_6_after_resume_s_the_pulse_closes_as_lost_and_the_reply_is_expired() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.cut();
    monitor.later(Duration::from_secs(30));
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true)]);
    let unfinished = Notice::Unfinished { pulse: 1, why: Unfinished::Expired };
    assert_eq!(monitor.notices()[1..], [&unfinished, &Notice::Expired]);
    let refusal = monitor.resume(1).unwrap_err();
    assert_eq!((refusal.error, refusal.retry), (ErrorCode::Expired, true));
    let fresh = Hello { stream: StreamId(8), ..hello() };
    assert!(monitor.link.hello(monitor.at, fresh, &peer(), &mut monitor.out).is_ok());
}

#[test]
fn rule_6_a_hello_after_resume_s_finds_the_stream_expired_without_a_tick_between() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.cut();
    monitor.at = Duration::from_secs(30);
    assert_eq!(monitor.resume(1).unwrap_err().error, ErrorCode::Expired);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true)]);
}

#[test]
fn rule_6_a_sender_that_was_cut_before_the_totals_hears_them_after_a_resume() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, WHOLE);
    monitor.frame(1, 0, 0, 0, Flags::END);
    monitor.cut();
    monitor.out.clear();
    assert_eq!(monitor.resume(1).unwrap().welcome.next, 1);
    monitor.frame(1, 0, 0, 0, Flags::END);
    let totals = Totals { received: 1, lost: 0, pulses: 1 };
    assert_eq!(monitor.said(), [&Message::End(totals)]);
    monitor.out.clear();
    monitor.frame(1, 2, 0, 2, WHOLE);
    monitor.check_error(ErrorCode::Header, "sequence is 1, the stream ended at 1", 1);
}

#[test]
fn rule_7_hello_comes_within_5_s() {
    let connected = Duration::from_secs(3);
    assert_eq!(hello_overdue(connected, Duration::from_millis(7999)), None);
    let refusal = hello_overdue(connected, Duration::from_secs(8)).unwrap();
    assert_eq!(refusal.error, ErrorCode::Syntax);
}

#[test]
fn rule_7_after_five_keepalives_of_silence_the_link_counts_as_cut() {
    let mut monitor = Monitor::new();
    monitor.later(Duration::from_secs(9));
    monitor.frame(0, 0, 0, 0, Flags::KEEPALIVE);
    monitor.later(Duration::from_secs(9));
    monitor.link.heard(monitor.connection, monitor.at);
    monitor.later(Duration::from_millis(9999));
    assert!(monitor.notices().is_empty());
    assert_eq!(monitor.link.next_tick(), Some(monitor.at + Duration::from_millis(1)));
    monitor.later(Duration::from_millis(1));
    assert_eq!(monitor.notices(), [&Notice::Cut { silent: true }]);
    assert!(monitor.out.contains(&Step::Close(monitor.connection)));
    assert_eq!(monitor.link.next_tick(), Some(monitor.at + Duration::from_secs(30)));
    assert_eq!(monitor.resume(0).unwrap().welcome.next, 0);
}

#[test]
fn rule_8_payloads_go_without_crc_on_loopback_and_unix_sockets_only() {
    let mut link = Link::new(terms(), expectation());
    let plain = Hello { payload_crc: false, ..hello() };
    let mut out = Vec::new();
    let refusal = link.hello(Duration::ZERO, plain.clone(), &peer(), &mut out).unwrap_err();
    assert_eq!(refusal.error, ErrorCode::Format);
    let local = Peer { local: true, ..peer() };
    let accepted = link.hello(Duration::ZERO, plain.clone(), &local, &mut out).unwrap();
    assert!(!accepted.layout.payload_crc());
    assert_eq!(link.stream().map(|hello| hello.payload_crc), Some(false));
    // A damaged payload then passes, a CRC is a fault.
    let header = header(0, 1, 0, 2, WHOLE);
    let mut bytes = Vec::new();
    header.encode(&accepted.layout, &arrived(header).payload, &mut bytes);
    bytes[102] ^= 1;
    let mut decoder = Decoder::new();
    decode(&mut decoder, plain.to_line().as_bytes());
    let (events, fault) = decode(&mut decoder, &bytes);
    assert!(matches!(&events[..], [DecoderEvent::Frame(Arrived { payload_ok: true, .. })]));
    assert_eq!(fault, None);
    let refusal = decode(&mut decoder, &encoded(&header)).1.unwrap();
    assert!(refusal.detail.ends_with("must be 0 as payload_crc is false"));
}

#[test]
fn rule_9_the_tag_has_the_senders_time_and_not_index_by_rate() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 3, 0, 2, WHOLE);
    let tag = &monitor.frames()[0].tag;
    assert_eq!(tag.time.map(|time| time.0), Some(600_000_000));
    assert_eq!((tag.first.0, tag.drive_mpa, &*tag.target), (3000, Some(0.16), "vessel"));
    assert_eq!((tag.stage, tag.exposure), (Stage::Exposure, NonZeroU32::new(1)));
    assert_eq!((tag.sham, tag.lost_samples, tag.trigger_offset), (false, 0, None));
}

#[test]
fn rule_9_index_and_time_are_the_same_in_all_frames_of_a_pulse() {
    for (name, at) in [("pulse_first_sample", 32), ("pulse_time_ns", 40)] {
        let mut monitor = Monitor::new();
        monitor.frame(0, 1, 0, 2, Flags::FIRST);
        let bytes = forged(&header(1, 1, 2, 2, NONE), at, &999_u64.to_le_bytes());
        let (events, _) = decode(&mut started(), &bytes);
        let Some(DecoderEvent::Frame(arrived)) = events.into_iter().next() else { panic!() };
        monitor.take(arrived);
        let before = if at == 32 { 1000 } else { 200_000_000 };
        let detail = format!("{name} is 999, the frames before of pulse 1 have {before}");
        monitor.check_error(ErrorCode::Header, &detail, 1);
    }
}

#[test]
fn acks_are_said_every_half_second_and_every_8_mib() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, WHOLE);
    monitor.later(Duration::from_millis(499));
    assert!(monitor.said().is_empty());
    monitor.later(Duration::from_millis(1));
    assert_eq!(monitor.said(), [&Message::Ack(1)]);
    monitor.out.clear();
    let mut monitor = Monitor::with(Terms { max_payload_bytes: 4 << 20, ..terms() });
    let big = header(0, 1, 0, 1 << 20, WHOLE);
    monitor.take(arrived(big));
    assert!(monitor.said().is_empty());
    monitor.take(arrived(Header { first_sample: 1 << 22, ..header(1, 2, 0, 1 << 20, WHOLE) }));
    assert_eq!(monitor.said(), [&Message::Ack(2)]);
    monitor.frame(2, 9000, 0, 1, WHOLE);
    assert_eq!(monitor.said(), [&Message::Ack(2)]);
}

#[test]
fn keepalive_and_end_use_no_sequence_up_and_tell_of_frames_that_never_come() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 0, 0, 0, Flags::KEEPALIVE);
    monitor.frame(0, 1, 0, 2, WHOLE);
    monitor.frame(3, 0, 0, 0, Flags::KEEPALIVE);
    let lost = Notice::FramesLost { sequence: 1, frames: 2, samples: None };
    assert_eq!(monitor.notices(), [&lost]);
    monitor.frame(4, 0, 0, 0, Flags::END);
    let totals = Totals { received: 1, lost: 3, pulses: 1 };
    assert_eq!(monitor.said(), [&Message::End(totals)]);
}

#[test]
fn pause_go_on_exposure_ended_and_abort_become_acts_in_their_place() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, WHOLE.with(Flags::PAUSE));
    monitor.frame(1, 2, 0, 2, WHOLE.with(Flags::GO_ON).with(Flags::EXPOSURE_ENDED));
    monitor.frame(2, 0, 3000, 0, Flags::OUTSIDE.with(Flags::ABORT));
    let kinds = [MarkKind::Pause, MarkKind::Resume, MarkKind::ExposureEnded, MarkKind::Abort];
    assert_eq!(monitor.acts(), kinds.map(Act::sender).each_ref());
    let place = |kind| {
        let act = Step::Input(Input::Act(Act::sender(kind)));
        monitor.out.iter().position(|step| *step == act)
    };
    let frame = |number| {
        monitor
            .out
            .iter()
            .position(|step| matches!(step, Step::Input(Input::Frame(f)) if f.tag.number == number))
    };
    assert!(frame(1) < place(MarkKind::Pause) && place(MarkKind::Resume) < frame(2));
    assert!(frame(2) < place(MarkKind::ExposureEnded));
    // No pulse is due after the end of a stream.
    monitor.frame(3, 0, 0, 0, Flags::END);
    assert_eq!(monitor.acts().last(), Some(&&Act::sender(MarkKind::Pause)));
}

#[test]
fn samples_that_the_device_lost_are_a_hole_or_make_the_pulse_incomplete() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(1, 1, 7, 2, Flags::DEVICE_LOST.with(Flags::LAST));
    monitor.check_frames(&[(1, 0, 2, false), (1, 7, 2, true)]);
    assert_eq!(monitor.notices(), [&Notice::Hole { pulse: 1, samples: 5, why: Hole::Device }]);
    // Without a jump nobody knows where the samples behind it belong.
    monitor.frame(2, 2, 0, 2, Flags::FIRST);
    monitor.frame(3, 2, 2, 2, Flags::DEVICE_LOST);
    monitor.frame(4, 2, 4, 2, Flags::LAST);
    monitor.check_frames(&[(1, 0, 2, false), (1, 7, 2, true), (2, 0, 2, false), (2, 6, 0, true)]);
    assert_eq!(monitor.link.counts().samples_misplaced, 4);
    monitor.frame(5, 3, 0, 2, WHOLE.with(Flags::DEVICE_LOST));
    assert_eq!(monitor.frames().last().unwrap().tag.lost_samples, 1);
}

#[test]
fn samples_outside_any_pulse_are_counted_and_end_the_open_pulse() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.frame(1, 0, 1100, 5, Flags::OUTSIDE);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true)]);
    assert_eq!(monitor.link.counts().samples_outside, 5);
}

#[test]
fn senders_on_other_machines_must_know_the_token() {
    #[track_caller]
    fn check(token: Option<&str>, local: bool, taken: bool) {
        let wanted = Some("a-token-of-the-bench".to_owned());
        let mut link = Link::new(terms(), expectation()).with_token(wanted);
        let said = Hello { token: token.map(str::to_owned), ..hello() };
        let (said, unknown) = Hello::parse(said.to_line().as_bytes()).unwrap();
        assert!(unknown.is_empty());
        let peer = Peer { local, ..peer() };
        let outcome = link.hello(Duration::ZERO, said, &peer, &mut Vec::new());
        assert_eq!(
            outcome.as_ref().err().map(|refusal| refusal.error),
            (!taken).then_some(ErrorCode::Format)
        );
        assert_eq!(link.stream().and_then(|hello| hello.token.as_ref()), None, "it is not kept");
    }
    check(Some("a-token-of-the-bench"), false, true);
    check(Some("a-token-of-the-bencH"), false, false);
    check(Some("a-token-of-the-bench2"), false, false);
    check(Some(""), false, false);
    check(None, false, false);
    check(None, true, true);
}

#[test]
fn a_stage_of_0_is_the_operators_and_only_where_hello_said_so() {
    let hello = Hello { stage_from: StageFrom::Operator, ..hello() };
    let mut link = Link::new(terms(), expectation());
    let mut out = Vec::new();
    let accepted = link.hello(Duration::ZERO, hello, &peer(), &mut out).unwrap();
    let operated = Header { stage: None, ..header(0, 1, 0, 2, WHOLE) };
    link.frame(accepted.connection, Duration::ZERO, arrived(operated), &mut out);
    let Some(Step::Input(Input::Frame(frame))) = out.last() else { panic!("{out:?}") };
    assert_eq!(frame.tag.stage, Stage::Noise);
    let (bytes, code) = (encoded(&header(0, 1, 0, 2, WHOLE)), ErrorCode::Header);
    check_refused(
        &forged(&header(0, 1, 0, 2, WHOLE), 76, &[0]),
        code,
        "stage is 0, must be 1 to 3 as stage_from is sender",
    );
    let refusal = Header::decode(&bytes[..102], &accepted.layout).unwrap_err();
    assert_eq!(refusal.detail, "stage is 3, must be 0 as stage_from is operator");
}

#[test]
fn what_a_header_must_not_hold_is_refused_with_value_and_bound() {
    let good = header(0, 1, 0, 2, WHOLE);
    let check = |at, with: &[u8], detail| {
        check_refused(&forged(&good, at, with), ErrorCode::Header, detail);
    };
    check(4, &[95, 0], "header_bytes is 95, must be at least 102");
    check(6, &[0, 0x20], "flags is 0x2000, must not have bits outside 0x1fff");
    check(6, &[4, 0x06], "flags is 0x0600, which holds two that exclude each other");
    check(6, &[0x45, 0], "flags is 0x0041, first or last of a pulse outside any");
    check(8, &[0xff; 8], "sequence is 18446744073709551615, must be below 2^53");
    check(16, &[1, 0, 0], "first_sample is 1, must be at least pulse_first_sample, 1000");
    check(40, &[0xff; 8], "pulse_time_ns is 18446744073709551615, must be below 2^63");
    check(48, &f64::NAN.to_le_bytes(), "drive_mpa is NaN, must be finite");
    check(56, &2.5_f64.to_le_bytes(), "drive_setting is 2.5, must be 0 without its flag");
    check(76, &[4], "stage is 4, must be 0 to 3");
    check(77, &[33], "target_bytes is 33, must be at most 32");
    check(78, &[1], "bytes 78 to 79 and 84 to 91 must be 0");
    check(91, &[1], "bytes 78 to 79 and 84 to 91 must be 0");
    check(96, &[0xff], "target is \"\\xffessel\", must be utf-8 without control characters");
    let keepalive = header(0, 0, 0, 0, Flags::KEEPALIVE);
    let detail = "samples is 1, payload_bytes 0, must be 0 in a keepalive or end of stream";
    check_refused(&forged(&keepalive, 68, &[1]), ErrorCode::Length, detail);
}

#[test]
fn a_reader_skips_header_bytes_that_it_does_not_know() {
    let good = header(0, 1, 0, 2, WHOLE);
    let mut longer = forged(&good, 4, &1102_u16.to_le_bytes());
    longer.splice(102..102, [0x5a; 1000]);
    let bytes = [longer, encoded(&header(1, 2, 0, 2, WHOLE))].concat();
    let (events, fault) = decode(&mut started(), &bytes);
    let frames = [arrived(good), arrived(header(1, 2, 0, 2, WHOLE))].map(DecoderEvent::Frame);
    assert_eq!((events.as_slice(), fault), (frames.as_slice(), None));
}

#[test]
fn a_later_frame_that_describes_its_pulse_otherwise_is_noted_and_the_first_holds() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    let other = Header { drive_mpa: Some(0.22), ..header(1, 1, 2, 2, Flags::LAST) };
    monitor.take(arrived(other));
    assert_eq!(monitor.notices(), [&Notice::TagDiffers { pulse: 1 }]);
    assert_eq!(monitor.frames()[1].tag.drive_mpa, Some(0.16));
}

#[test]
fn a_stopping_monitor_tells_its_sender_and_takes_nobody() {
    let mut monitor = Monitor::new();
    monitor.frame(0, 1, 0, 2, Flags::FIRST);
    monitor.link.stop(monitor.at, &mut monitor.out);
    monitor.check_error(ErrorCode::Stopping, "the monitor is stopping", 1);
    monitor.check_frames(&[(1, 0, 2, false), (1, 2, 0, true)]);
    let refusal = monitor.resume(0).unwrap_err();
    assert_eq!((refusal.error, refusal.retry), (ErrorCode::Stopping, true));
}

#[test]
fn a_resume_that_describes_the_stream_otherwise_is_refused() {
    let mut monitor = Monitor::new();
    let other = Hello { resume: Some(0), stage_from: StageFrom::Operator, ..hello() };
    let refusal = monitor.link.hello(monitor.at, other, &peer(), &mut monitor.out).unwrap_err();
    assert_eq!(refusal.error, ErrorCode::Format);
}
