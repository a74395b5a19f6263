//! A scene of the simulated bench as the one ordered input stream, and its records made by several
//! threads.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use crossbeam_channel::{Receiver, Sender, bounded};
use jiff::Timestamp;

use super::input::{Act, DeviceNanos, Frame, Input, PulseTag, SampleIndex, Stage, Stream};
use crate::bench::bubble::Truth;
use crate::bench::{Course, Emitted, Part, Scene, SceneError, ScenePulse, Scratch, Witness};
use crate::detect::{Injection, MarkKind};
use crate::signal::{Plan, SampleFormat};

/// When every scene begins, UTC seconds since 1970: 2026-05-04T09:30:00Z.
const START_S: i64 = 1_777_887_000;
/// Pulses that wait for each worker, and records that wait for whoever takes them.
const WAITING: usize = 2;

/// When every scene begins.
#[must_use]
pub fn start() -> Option<Timestamp> {
    Timestamp::from_second(START_S).ok()
}

/// The head of a scene's stream.
#[must_use]
pub fn stream(scene: &Scene) -> Stream {
    Stream {
        name: "simulated bench".to_owned(),
        sample_format: SampleFormat::Ri16Le,
        channels: scene.channels(),
        sample_rate_hz: scene.sample_rate_hz(),
        start: start(),
        length: Some(scene.end_sample()),
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
        target: Arc::clone(&pulse.target),
        exposure: None,
        stage: match pulse.part {
            Part::Silence => Stage::Noise,
            Part::Baseline => Stage::Baseline,
            Part::Exposure => Stage::Exposure,
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

/// The whole scene: its head, an injection before each pulse that has one, every pulse in frames of at
/// most `frame_samples` sample sets but at least one, written into what `buffers` gives, and the end.
/// A pulse that cannot be made is the last item.
pub fn input(
    scene: Arc<Scene>,
    frame_samples: usize,
    mut buffers: impl FnMut() -> Vec<u8> + Send,
) -> impl Iterator<Item = Result<Input, SceneError>> + Send {
    let frame_samples = frame_samples.max(1);
    let begin = Input::Begin(stream(&scene));
    let mut player = Player::default();
    let pulses =
        std::iter::from_fn(move || match player.item(&scene, frame_samples, &mut buffers) {
            Ok(item) => item.map(Ok),
            Err(error) => {
                player.failed = true;
                Some(Err(error))
            }
        });
    // Nothing follows a fault.
    let mut failed = false;
    std::iter::once(Ok(begin)).chain(pulses).chain(std::iter::once(Ok(Input::End))).take_while(
        move |item| {
            let goes_on = !failed;
            failed |= item.is_err();
            goes_on
        },
    )
}

/// A scene being played.
#[derive(Default)]
struct Player {
    course: Option<Course>,
    scratch: Scratch,
    counts: Vec<i16>,
    /// The pulse that comes next, its injection given already.
    next: Option<ScenePulse>,
    /// The pulse whose frames are being given, and the next sample set of it.
    open: Option<(Arc<PulseTag>, usize)>,
    failed: bool,
}

impl Player {
    fn item(
        &mut self,
        scene: &Scene,
        frame_samples: usize,
        buffers: &mut impl FnMut() -> Vec<u8>,
    ) -> Result<Option<Input>, SceneError> {
        if self.failed {
            return Ok(None);
        }
        if self.open.is_none() {
            let pulse = match self.next.take() {
                Some(pulse) => pulse,
                None => {
                    let course = match &mut self.course {
                        Some(course) => course,
                        None => self.course.insert(Course::new(scene)?),
                    };
                    let Some(pulse) = course.next(scene).transpose()? else { return Ok(None) };
                    if pulse.injection_before {
                        self.next = Some(pulse);
                        return Ok(Some(Input::Act(injection())));
                    }
                    pulse
                }
            };
            scene.record(&pulse, &mut self.scratch, &mut self.counts)?;
            self.open = Some((Arc::new(tag(&pulse)), 0));
        }
        let Some((tag, offset)) = &mut self.open else { return Ok(None) };
        let left = scene.record_samples() - *offset;
        let samples = left.min(frame_samples);
        let stride = scene.channels();
        let mut bytes = buffers();
        bytes.clear();
        append(&self.counts[*offset * stride..][..samples * stride], &mut bytes);
        let tag = Arc::clone(tag);
        let frame = Frame { tag, offset: *offset as u64, bytes, last: samples == left };
        *offset += samples;
        if frame.last {
            self.open = None;
        }
        Ok(Some(Input::Frame(frame)))
    }
}

/// Makes the sounds of single bubbles that a scene will want, by so many threads. What `stop` ends
/// early is made later, when it is needed.
///
/// # Errors
/// [`SceneError`] of the first bubble whose motion cannot be computed.
pub fn learn(
    scene: &Scene,
    workers: usize,
    stop: impl Fn() -> bool + Sync,
) -> Result<(), SceneError> {
    let lessons = scene.lessons();
    let next = AtomicUsize::new(0);
    let work = || -> Result<(), (usize, SceneError)> {
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(lesson) = lessons.get(place).filter(|_| !stop()) else { return Ok(()) };
            scene.learn(*lesson).map_err(|error| (place, error))?;
        }
    };
    let done: Vec<_> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..workers.max(1)).map(|_| scope.spawn(work)).collect();
        threads.into_iter().filter_map(|thread| thread.join().ok()).collect()
    });
    // The same fault whichever thread came upon one first.
    match done.into_iter().filter_map(Result::err).min_by_key(|(place, _)| *place) {
        Some((_, error)) => Err(error),
        None => Ok(()),
    }
}

/// A pulse with its record and what is true of it.
pub struct Made {
    /// The pulse.
    pub pulse: ScenePulse,
    /// Its counts, channels interleaved.
    pub counts: Vec<i16>,
    /// What the bubbles did.
    pub truth: Truth,
    /// What they emitted, as each channel would have heard it alone.
    pub emitted: Vec<Emitted>,
}

/// Makes all records of a scene by so many threads and gives them in order; the same ones for any
/// number of threads. At most a few records a thread are held at a time.
///
/// # Errors
/// What `take` says, or [`SceneError`] at the first pulse that cannot be made.
pub fn make<E: From<SceneError>>(
    scene: &Scene,
    plan: &Plan,
    workers: usize,
    mut take: impl FnMut(Made) -> Result<(), E>,
) -> Result<(), E> {
    type Job = Result<ScenePulse, SceneError>;
    std::thread::scope(|scope| {
        let (mut jobs, mut records) = (Vec::new(), Vec::new());
        for _ in 0..workers.max(1) {
            let (job_in, job): (Sender<Job>, Receiver<Job>) = bounded(WAITING);
            let (record_in, record) = bounded(WAITING);
            scope.spawn(move || work(scene, plan, &job, &record_in));
            jobs.push(job_in);
            records.push(record);
        }
        scope.spawn(move || {
            let mut course = match Course::new(scene) {
                Ok(course) => course,
                Err(error) => {
                    // Whoever waited has gone.
                    jobs[0].send(Err(error)).ok();
                    return;
                }
            };
            for jobs in jobs.iter().cycle() {
                let Some(pulse) = course.next(scene) else { return };
                let failed = pulse.is_err();
                if jobs.send(pulse).is_err() || failed {
                    return;
                }
            }
        });
        for record in records.iter().cycle() {
            let Ok(made) = record.recv() else { return Ok(()) };
            take(made?)?;
        }
        Ok(())
    })
}

fn work(
    scene: &Scene,
    plan: &Plan,
    jobs: &Receiver<Result<ScenePulse, SceneError>>,
    records: &Sender<Result<Made, SceneError>>,
) {
    let (mut scratch, mut witness) = (Scratch::default(), Witness::new(plan));
    for job in jobs {
        let made = job.and_then(|pulse| {
            let mut counts = Vec::new();
            let truth = scene.record(&pulse, &mut scratch, &mut counts)?;
            let emitted = witness.hear(&scratch);
            Ok(Made { pulse, counts, truth, emitted })
        });
        let failed = made.is_err();
        if records.send(made).is_err() || failed {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;
    use crate::bench::{SceneSpec, Step};
    use crate::config::{self, scenario};

    /// The demo's bench with few bubbles and short bursts.
    fn scene() -> (Arc<Scene>, Plan) {
        let text = include_str!("../../config/bench-phantom.toml")
            .replace("pulse_s = 4e-3", "pulse_s = 0.7e-3")
            .replace("gate_end_s = 3.9e-3", "gate_end_s = 0.65e-3")
            .replace("pretrigger_s = 2.0e-3", "pretrigger_s = 0.5e-3")
            .replace("noise_gate_start_s = -1.95e-3", "noise_gate_start_s = -0.47e-3");
        let settings = config::parse("bench-phantom.toml", &text).unwrap().settings;
        let bench = include_str!("../../config/scenarios/open-water.toml")
            .replace("bubbles_mean = 150.0", "bubbles_mean = 20.0")
            .replace("wash_in_s = 1.0", "wash_in_s = 0.0");
        let setup = scenario::parse("few.toml", &bench).unwrap().setup(&settings, None).unwrap();
        let drive = &settings.drive;
        let (pulse_s, repetition_hz) = (drive.pulse_s, drive.repetition_hz);
        let plan = Plan::new(&settings.signal).unwrap();
        let spec = SceneSpec { signal: settings.signal, pulse_s, repetition_hz };
        let plain = |part, drive_mpa, pulses| Step::plain(part, drive_mpa, pulses);
        let steps = vec![
            plain(Part::Silence, 0.0, 1),
            plain(Part::Baseline, 0.2, 2),
            plain(Part::Exposure, 0.2, 3).injected(),
        ];
        (Arc::new(Scene::new(&spec, setup, steps, 5).unwrap()), plan)
    }

    #[track_caller]
    fn check(frame_samples: usize, frames_a_pulse: usize) {
        let (scene, _) = scene();
        let (mut scratch, mut counts, mut bytes) = (Scratch::default(), Vec::new(), Vec::new());
        let mut items = input(Arc::clone(&scene), frame_samples, || vec![9; 5]).map(Result::unwrap);
        let Some(Input::Begin(stream)) = items.next() else { panic!("no head") };
        assert_eq!(stream.start.unwrap().to_string(), "2026-05-04T09:30:00Z");
        assert_eq!(stream.length, Some(5 * 4_000_000 + 26_000));
        for pulse in scene.pulses().unwrap().map(Result::unwrap) {
            if pulse.injection_before {
                assert_eq!(items.next(), Some(Input::Act(injection())));
            }
            scene.record(&pulse, &mut scratch, &mut counts).unwrap();
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
        check(10_000, 3);
        check(usize::MAX, 1);
    }

    #[test]
    fn stages_follow_the_scene() {
        let (scene, _) = scene();
        let stages: Vec<Stage> =
            scene.pulses().unwrap().map(|pulse| tag(&pulse.unwrap()).stage).collect();
        let [noise, baseline, exposure] = [Stage::Noise, Stage::Baseline, Stage::Exposure];
        assert_eq!(stages, [noise, baseline, baseline, exposure, exposure, exposure]);
    }

    /// Everything that several threads make of the scene, after so many of its sounds were learnt.
    fn made(workers: usize, learnt: bool) -> Vec<(u64, Vec<i16>, Truth, Vec<Emitted>)> {
        let (scene, plan) = scene();
        if learnt {
            learn(&scene, workers, || false).unwrap();
        }
        let mut all = Vec::new();
        make(&scene, &plan, workers, |made| -> Result<(), SceneError> {
            all.push((made.pulse.number, made.counts, made.truth, made.emitted));
            Ok(())
        })
        .unwrap();
        all
    }

    #[test]
    fn records_are_the_same_for_any_number_of_threads_and_order_of_learning() {
        let one = made(1, false);
        assert_eq!(one.iter().map(|(number, ..)| *number).collect::<Vec<_>>(), [0, 1, 2, 3, 4, 5]);
        assert!(one.iter().any(|(_, _, truth, _)| truth.bubbles > 0));
        for (workers, learnt) in [(2, true), (5, false)] {
            assert!(made(workers, learnt) == one, "{workers} threads");
        }
    }

    #[test]
    fn whoever_takes_no_more_ends_the_making() {
        let (scene, plan) = scene();
        let refused = SceneError::Format("none");
        let taken = Mutex::new(0);
        let ended = make(&scene, &plan, 2, |_| {
            *taken.lock().unwrap() += 1;
            Err(refused.clone())
        });
        assert_eq!((ended, *taken.lock().unwrap()), (Err(refused), 1));
    }
}
