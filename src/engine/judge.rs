//! The judge's thread: readings and acts back into order, one pulse at a time through the session.

use std::collections::VecDeque;

use crossbeam_channel::{Receiver, Sender};

use super::input::Act;
use crate::detect::{Judgement, Pulse, Session};
use crate::signal::{ChannelReading, PerQuantity};

/// One item in the order of the stream.
#[derive(Debug)]
pub(super) enum Item {
    /// A pulse, and how many groups of channels it comes in.
    Pulse(Pulse, usize),
    /// What was done before the next pulse.
    Act(Act),
}

/// λ of each channel, dB.
pub(super) type Lambdas = Vec<PerQuantity<Option<f64>>>;

/// What reaches the judge.
#[derive(Debug)]
pub(super) enum ToJudge {
    /// From the cutter.
    Item { order: u64, item: Item },
    /// From a worker.
    Heard { order: u64, group: usize, readings: Vec<ChannelReading> },
    /// From a worker, while the pulse runs: λ of the group's channels after a quarter, 0 to 2.
    Running { order: u64, group: usize, quarter: usize, lambdas: Lambdas },
}

/// A judged pulse on its way to the sinks.
#[derive(Debug)]
pub struct Judged {
    /// The pulse; nothing between pulses and at the end of the stream.
    pub pulse: Option<Pulse>,
    /// Rows and events.
    pub judgement: Judgement,
    /// What the used channels heard, ascending.
    pub readings: Vec<ChannelReading>,
}

/// Where the judge's products go.
pub(super) struct JudgeLines {
    pub(super) input: Receiver<ToJudge>,
    pub(super) tickets: Sender<()>,
    pub(super) judged: Sender<Judged>,
    pub(super) spent_readings: Sender<Vec<ChannelReading>>,
    pub(super) spent_judged: Receiver<Judged>,
}

#[derive(Default)]
struct Slot {
    item: Option<Item>,
    groups: Vec<(usize, Vec<ChannelReading>)>,
    /// Group and its λ, by quarter.
    running: [Vec<(usize, Lambdas)>; 3],
    /// Quarters that were looked at.
    looked_at: usize,
}

impl Slot {
    /// The pulse and the λ of its channels after the next quarter, once all groups have told them.
    fn next_quarter(&mut self) -> Option<(&Pulse, usize, Lambdas)> {
        let Some(Item::Pulse(pulse, groups)) = &self.item else { return None };
        let quarter = self.looked_at;
        let told = self.running.get_mut(quarter).filter(|told| told.len() == *groups)?;
        told.sort_by_key(|(group, _)| *group);
        self.looked_at += 1;
        Some((pulse, quarter, told.drain(..).flat_map(|(_, lambdas)| lambdas).collect()))
    }

    fn is_ready(&self) -> bool {
        match &self.item {
            None => false,
            Some(Item::Act(_)) => true,
            Some(Item::Pulse(_, groups)) => self.groups.len() == *groups,
        }
    }
}

/// Judges until all lines into it are closed; gives the session back.
pub(super) fn run(mut session: Session, lines: &JudgeLines) -> Session {
    let mut ring: VecDeque<Slot> = VecDeque::new();
    let mut first = 0_u64;
    for message in &lines.input {
        let order = match &message {
            ToJudge::Item { order, .. }
            | ToJudge::Heard { order, .. }
            | ToJudge::Running { order, .. } => *order,
        };
        let place = usize::try_from(order - first).unwrap_or(usize::MAX);
        while ring.len() <= place {
            ring.push_back(Slot::default());
        }
        match message {
            ToJudge::Item { item, .. } => ring[place].item = Some(item),
            ToJudge::Heard { group, readings, .. } => ring[place].groups.push((group, readings)),
            ToJudge::Running { group, quarter, lambdas, .. } => {
                ring[place].running[quarter].push((group, lambdas));
            }
        }
        while let Some(front) = ring.front_mut() {
            if !run_ahead(front, &mut session, lines) {
                return session;
            }
            if !front.is_ready() {
                break;
            }
            let Some(slot) = ring.pop_front() else { break };
            first += 1;
            if !judge(slot, &mut session, lines) {
                return session;
            }
        }
    }
    let mut judged = lines.spent_judged.try_recv().unwrap_or_else(|_| nothing());
    judged.pulse = None;
    judged.readings.clear();
    session.end(&mut judged.judgement);
    // Without a sink there is nobody left to tell.
    lines.judged.send(judged).ok();
    session
}

const fn nothing() -> Judged {
    Judged {
        pulse: None,
        judgement: Judgement { rows: Vec::new(), events: Vec::new(), progress: None },
        readings: Vec::new(),
    }
}

/// Looks at the quarters of the pulse that runs, in order, before the pulse itself.
fn run_ahead(slot: &mut Slot, session: &mut Session, lines: &JudgeLines) -> bool {
    while let Some((pulse, quarter, mut lambdas)) = slot.next_quarter() {
        if session.has_drive_monitor() {
            lambdas.pop();
        }
        let mut judgement = Judgement::default();
        session.running(pulse, quarter, &lambdas, &mut judgement);
        let told = !judgement.events.is_empty();
        let judged = Judged { pulse: None, judgement, readings: Vec::new() };
        if told && lines.judged.send(judged).is_err() {
            return false;
        }
    }
    true
}

fn judge(mut slot: Slot, session: &mut Session, lines: &JudgeLines) -> bool {
    let mut goes_on = true;
    match slot.item {
        Some(Item::Pulse(pulse, _)) => {
            let mut judged = lines.spent_judged.try_recv().unwrap_or_else(|_| nothing());
            slot.groups.sort_by_key(|(group, _)| *group);
            // The spectra of the pulse before go back to the workers, which write over them.
            for (_, readings) in &mut slot.groups {
                let mut spent: Vec<ChannelReading> = Vec::with_capacity(readings.len());
                let old = judged.readings.len().min(readings.len());
                spent.extend(judged.readings.drain(..old));
                lines.spent_readings.try_send(spent).ok();
            }
            judged.readings.clear();
            for (_, readings) in slot.groups {
                judged.readings.extend(readings);
            }
            if session.has_drive_monitor() {
                let monitor = judged.readings.pop();
                session.note_drive_monitor(monitor.as_ref());
            }
            session.pulse(&pulse, &judged.readings, &mut judged.judgement);
            judged.pulse = Some(pulse);
            goes_on = lines.judged.send(judged).is_ok();
        }
        Some(Item::Act(act)) => {
            let mut judged = lines.spent_judged.try_recv().unwrap_or_else(|_| nothing());
            judged.pulse = None;
            judged.readings.clear();
            session.act(&act, &mut judged.judgement);
            goes_on = judged.judgement.events.is_empty() || lines.judged.send(judged).is_ok();
        }
        None => {}
    }
    // The cutter may have finished already.
    lines.tickets.try_send(()).ok();
    goes_on
}
