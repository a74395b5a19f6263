//! Exposure, injections, baselines and acts on their way, as events and pulses tell them.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use serde_json::{Value, json};

use crate::detect::baseline::{SeriesLook, within};
use crate::detect::session::Progress;
use crate::detect::{Act, Baseline, By, Drive, Event, Mark, MarkKind, Stage, What};
use crate::engine::Judged;

/// Injections that are remembered, as in the detection room.
const MOST_INJECTIONS: usize = 1024;

/// Acts that wait for a pulse and are remembered.
const MOST_PENDING: usize = 1024;

/// Drives of baselines in a status.
const MOST_LISTED: usize = 512;

/// Targets whose baselines are remembered.
const MOST_TARGETS: usize = 512;

/// Pictures of baselines that are remembered, bytes.
const MOST_LOOKS_BYTES: usize = 256 << 20;

/// The exposure under way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ExposureCount {
    pub(super) number: u32,
    pub(super) received: u64,
    pub(super) missing: u64,
}

/// An injection that counts.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct InjectionNote {
    mark: Option<u64>,
    pub(super) number: u32,
    pub(super) agent: Option<String>,
    pub(super) volume_ul: Option<f64>,
}

/// One drive of a baseline.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct BaselineCount {
    pub(super) target: Arc<str>,
    pub(super) drive: Drive,
    pub(super) pulses: usize,
    pub(super) in_use: bool,
}

type Drives = Vec<(Drive, usize)>;

/// How the session goes.
#[derive(Debug, Default)]
pub(super) struct Course {
    pub(super) exposure: Option<ExposureCount>,
    injections: Vec<InjectionNote>,
    in_use: BTreeMap<Arc<str>, Drives>,
    growing: BTreeMap<Arc<str>, Drives>,
    looks: VecDeque<(Arc<str>, Arc<[SeriesLook]>)>,
    pending: VecDeque<Act>,
}

impl Course {
    /// Begins, with the baseline of a file where there is one.
    pub(super) fn new(baseline: Option<&Baseline>) -> Self {
        let mut course = Self::default();
        for (target, known) in baseline.into_iter().flat_map(|baseline| &baseline.targets) {
            let drives = known.drives.iter().map(|s| (s.drive, s.pulses.len())).collect();
            course.in_use.insert(Arc::clone(target), drives);
            course.picture(target, &known.looks());
        }
        course
    }

    /// Follows what came of a pulse.
    pub(super) fn take(&mut self, judged: &Judged) {
        let mut missing = 0;
        for event in &judged.judgement.events {
            self.event(event);
            if let What::PulseMissing { missing: more } = &event.what {
                missing += more;
            }
        }
        if let Some(exposure) = &mut self.exposure {
            exposure.missing += missing;
        }
        if let Some(Progress { target, drives }) = &judged.judgement.progress
            && (self.growing.len() < MOST_TARGETS || self.growing.contains_key(target))
        {
            self.growing.insert(Arc::clone(target), drives.clone());
        }
        let Some(pulse) = judged.pulse.as_ref().filter(|pulse| pulse.stage == Stage::Exposure)
        else {
            return;
        };
        // The first exposure pulse closes the target's baseline, also where a file wins over it.
        self.growing.remove(&pulse.target);
        if let Some(exposure) = &mut self.exposure {
            exposure.received += 1;
        }
    }

    fn event(&mut self, event: &Event) {
        match &event.what {
            What::ExposureBegan { exposure } => {
                self.exposure = Some(ExposureCount { number: *exposure, received: 0, missing: 0 });
            }
            What::ExposureEnded { .. } => self.exposure = None,
            What::BaselineClosed { drives, looks, .. } => {
                self.growing.remove(&event.target);
                if self.in_use.len() < MOST_TARGETS || self.in_use.contains_key(&event.target) {
                    self.in_use.insert(Arc::clone(&event.target), drives.clone());
                }
                self.picture(&event.target, looks);
            }
            What::BaselineKept { .. } => {
                self.growing.remove(&event.target);
            }
            What::Mark { mark, number } => {
                self.mark(mark, *number);
                self.settle(|act| matches!(act, Act::Mark(waiting) if *waiting == **mark));
            }
            What::Stage { stage, by: By::Operator } => {
                self.settle(|act| matches!(act, Act::Stage(waiting) if waiting == stage));
            }
            What::Limits { alarms } => {
                self.settle(|act| matches!(act, Act::Limits(waiting) if waiting == alarms));
            }
            _ => {}
        }
    }

    fn mark(&mut self, mark: &Mark, number: Option<u32>) {
        match &mark.kind {
            MarkKind::Injection(injection) => {
                if self.injections.len() >= MOST_INJECTIONS {
                    self.injections.remove(0);
                }
                self.injections.push(InjectionNote {
                    mark: mark.id,
                    number: number.or(injection.number).unwrap_or(1),
                    agent: injection.agent.clone(),
                    volume_ul: injection.volume_ul,
                });
            }
            MarkKind::Void(id) => {
                let place = self.injections.iter().position(|i| i.mark == Some(*id));
                place.map(|place| self.injections.remove(place));
            }
            _ => {}
        }
    }

    fn picture(&mut self, target: &Arc<str>, looks: &Arc<[SeriesLook]>) {
        self.looks.retain(|(known, _)| known != target);
        self.looks.push_back((Arc::clone(target), Arc::clone(looks)));
        let bytes = |looks: &[SeriesLook]| -> usize {
            let channels = looks.iter().flat_map(|look| &look.channels);
            channels.map(|look| 3 * 4 * look.mean_db.len()).sum()
        };
        let mut held: usize = self.looks.iter().map(|(_, looks)| bytes(looks)).sum();
        while held > MOST_LOOKS_BYTES && self.looks.len() > 1 {
            let Some((_, oldest)) = self.looks.pop_front() else { break };
            held -= bytes(&oldest);
        }
    }

    /// What the baseline of a target and drive looks like: its series.
    pub(super) fn look(
        &self,
        target: &str,
        drive_mpa: Option<f64>,
        tolerance: f64,
    ) -> Option<SeriesLook> {
        let (_, looks) = self.looks.iter().find(|(known, _)| **known == *target)?;
        let near = looks.iter().filter_map(|look| match (Drive::of(drive_mpa), look.drive) {
            (Drive::Known(mpa), Drive::Known(known)) => {
                within(mpa - known, tolerance * known).then_some((look, (mpa - known).abs()))
            }
            (asked, known) => (asked == known).then_some((look, 0.0)),
        });
        near.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(look, _)| look.clone())
    }

    /// An act that no pulse has followed yet.
    pub(super) fn wait(&mut self, act: &Act) {
        if matches!(act, Act::Mark(_) | Act::Stage(_) | Act::Limits(_)) {
            if self.pending.len() >= MOST_PENDING {
                self.pending.pop_front();
            }
            self.pending.push_back(act.clone());
        }
    }

    fn settle(&mut self, is_it: impl Fn(&Act) -> bool) {
        let place = self.pending.iter().position(is_it);
        place.map(|place| self.pending.remove(place));
    }

    /// Acts that no pulse has followed yet.
    pub(super) fn pending(&self) -> Vec<Act> {
        self.pending.iter().cloned().collect()
    }

    /// The last injection that counts.
    pub(super) fn injection(&self) -> Option<InjectionNote> {
        self.injections.last().cloned()
    }

    /// Drives of baselines, those of `target` first.
    pub(super) fn baselines(&self, target: &str) -> Vec<BaselineCount> {
        let all = |of_target: bool| {
            let both = [(&self.in_use, true), (&self.growing, false)];
            both.into_iter().flat_map(move |(targets, in_use)| {
                let these =
                    targets.iter().filter(move |(name, _)| (***name == *target) == of_target);
                these.flat_map(move |(name, drives)| {
                    drives.iter().map(move |&(drive, pulses)| BaselineCount {
                        target: Arc::clone(name),
                        drive,
                        pulses,
                        in_use,
                    })
                })
            })
        };
        all(true).chain(all(false)).take(MOST_LISTED).collect()
    }
}

/// Whether the acts on their way say that the drive rests.
pub(super) fn rests(pending: &[Act]) -> bool {
    let mut rests = false;
    for act in pending {
        let Act::Mark(Mark { kind, .. }) = act else { continue };
        match kind {
            MarkKind::Pause | MarkKind::Abort | MarkKind::ExposureEnded => rests = true,
            MarkKind::Resume => rests = false,
            _ => {}
        }
    }
    rests
}

/// An act on its way as the status writes it.
pub(super) fn pending_json(act: &Act) -> Value {
    match act {
        Act::Mark(mark) => json!({"id": mark.id, "mark": mark.kind.name()}),
        Act::Stage(stage) => json!({"id": null, "stage": stage.name()}),
        Act::Limits(alarms) => {
            let names: Vec<&str> = alarms.iter().map(|alarm| alarm.name.as_str()).collect();
            json!({"id": null, "limits": names})
        }
        _ => Value::Null,
    }
}
