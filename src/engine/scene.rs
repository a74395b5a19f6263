//! A scene of the simulated bench as the one ordered input stream.

use std::sync::Arc;

use jiff::Timestamp;

use super::input::{Act, DeviceNanos, Frame, Input, PulseTag, SampleIndex, Stage, Stream};
use crate::bench::{Part, Scene, ScenePulse, Scratch};
use crate::detect::{Injection, MarkKind};
use crate::signal::SampleFormat;

/// When every scene begins, UTC seconds since 1970: 2026-05-04T09:30:00Z.
const START_S: i64 = 1_777_887_000;

/// When every scene begins.
#[must_use]
pub fn start() -> Option<Timestamp> {
    Timestamp::from_second(START_S).ok()
}

/// The head of a scene's stream.
#[must_use]
pub fn stream(scene: &Scene) -> Stream {
    let end = scene.pulse_count().checked_sub(1).and_then(|last| scene.pulse(last));
    let record = u64::try_from(scene.record_samples()).unwrap_or(u64::MAX);
    Stream {
        name: "simulated bench".to_owned(),
        sample_format: SampleFormat::Ri16Le,
        channels: scene.channels(),
        sample_rate_hz: scene.sample_rate_hz(),
        start: start(),
        length: Some(end.map_or(0, |pulse| pulse.first_sample.saturating_add(record))),
    }
}

/// What a pulse's frames carry.
#[must_use]
pub fn tag(pulse: &ScenePulse) -> PulseTag {
    PulseTag {
        number: pulse.number,
        first: SampleIndex(pulse.first_sample),
        time: Some(DeviceNanos(pulse.time_ns)),
        trigger_offset: None,
        drive_mpa: Some(pulse.drive_mpa),
        drive_setting: None,
        target: Arc::from(""),
        exposure: None,
        stage: match pulse.part {
            Part::Silence => Stage::Noise,
            Part::NoBubbles => Stage::Baseline,
            Part::Bubbles | Part::Uncoupled => Stage::Exposure,
        },
        sham: false,
        lost_samples: 0,
    }
}

/// The injection of a scene.
#[must_use]
pub fn injection() -> Act {
    Act::sender(MarkKind::Injection(Injection::default()))
}

/// Counts as the stream's bytes, appended.
pub fn append(counts: &[i16], bytes: &mut Vec<u8>) {
    bytes.extend(counts.iter().flat_map(|count| count.to_le_bytes()));
}

/// The whole scene: its head, an injection before the first pulse with bubbles, every pulse in
/// frames of at most `frame_samples` sample sets but at least one, written into what `buffers`
/// gives, and the end.
pub fn input(
    scene: Scene,
    frame_samples: usize,
    mut buffers: impl FnMut() -> Vec<u8> + Send,
) -> impl Iterator<Item = Input> + Send {
    let frame_samples = frame_samples.max(1);
    let begin = Input::Begin(stream(&scene));
    let (mut scratch, mut counts) = (Scratch::default(), Vec::new());
    let (mut number, mut offset, mut injected, mut open) = (0, 0, false, None);
    let pulses = std::iter::from_fn(move || {
        if open.is_none() {
            let pulse = scene.pulse(number)?;
            if pulse.injection_before && !injected {
                injected = true;
                return Some(Input::Act(injection()));
            }
            scene.record(&pulse, &mut scratch, &mut counts);
            offset = 0;
            open = Some(Arc::new(tag(&pulse)));
        }
        let tag = Arc::clone(open.as_ref()?);
        let left = scene.record_samples() - offset;
        let samples = left.min(frame_samples);
        let stride = scene.channels();
        let mut bytes = buffers();
        bytes.clear();
        append(&counts[offset * stride..][..samples * stride], &mut bytes);
        let frame = Frame { tag, offset: offset as u64, bytes, last: samples == left };
        offset += samples;
        if frame.last {
            open = None;
            number += 1;
        }
        Some(Input::Frame(frame))
    });
    std::iter::once(begin).chain(pulses).chain(std::iter::once(Input::End))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::SceneSpec;
    use crate::config;

    fn scene() -> Scene {
        let text = include_str!("../../config/bench-phantom.toml");
        let settings = config::parse("bench-phantom.toml", text).unwrap().settings;
        let drive = &settings.drive;
        let (pulse_s, repetition_hz) = (drive.pulse_s, drive.repetition_hz);
        let spec = SceneSpec { signal: settings.signal, pulse_s, repetition_hz };
        Scene::demo(&spec, 30.0, 5).unwrap()
    }

    #[track_caller]
    fn check(frame_samples: usize, frames_a_pulse: usize) {
        let scene = scene();
        let (mut scratch, mut counts, mut bytes) = (Scratch::default(), Vec::new(), Vec::new());
        let mut items = input(scene.clone(), frame_samples, || vec![9; 5]);
        let Some(Input::Begin(stream)) = items.next() else { panic!("no head") };
        assert_eq!(stream.start.unwrap().to_string(), "2026-05-04T09:30:00Z");
        assert_eq!(stream.length, Some(149 * 4_000_000 + 122_000));
        for pulse in scene.pulses() {
            if pulse.injection_before {
                assert_eq!(items.next(), Some(Input::Act(injection())));
            }
            scene.record(&pulse, &mut scratch, &mut counts);
            bytes.clear();
            append(&counts, &mut bytes);
            let mut joined = Vec::new();
            for place in 1..=frames_a_pulse {
                let Some(Input::Frame(frame)) = items.next() else { panic!("no frame") };
                assert_eq!(*frame.tag, tag(&pulse));
                assert_eq!(frame.offset * 2, joined.len() as u64);
                assert_eq!(frame.last, place == frames_a_pulse);
                joined.extend(frame.bytes);
            }
            assert_eq!(joined, bytes);
        }
        assert_eq!(items.next(), Some(Input::End));
        assert_eq!(items.next(), None);
    }

    #[test]
    fn frames_of_any_size_join_to_the_record() {
        check(30_000, 5);
        check(usize::MAX, 1);
    }

    #[test]
    fn stages_follow_the_scene() {
        let scene = scene();
        let stages = [(4, Stage::Noise), (5, Stage::Baseline), (94, Stage::Baseline)];
        for (number, stage) in stages.into_iter().chain([95, 149].map(|n| (n, Stage::Exposure))) {
            assert_eq!(tag(&scene.pulse(number).unwrap()).stage, stage, "pulse {number}");
        }
    }
}
