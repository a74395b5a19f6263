//! The road of the data: source ─▶ cutter ─▶ workers ─▶ judge ─▶ sink, each on its own thread, every
//! line between them bounded.

use std::sync::Arc;

use crossbeam_channel::{Receiver, Sender, bounded};

use super::account::Account;
use super::cutter::{CutError, Cutter, Lines};
use super::input::Input;
use super::judge::{self, JudgeLines, Judged};
use super::worker::{self, Work, WorkerLines};
use crate::detect::Session;
use crate::signal::Plan;

/// Frames waiting for the cutter.
const INPUT_LINE: usize = 4;

/// What waits for one worker; each slice keeps its frame's whole buffer until it is heard.
const WORK_LINE: usize = 8;

/// Judged pulses waiting for the sinks.
const SINK_LINE: usize = 64;

/// Pulses and acts between cutter and judge, for each worker.
const IN_FLIGHT: usize = 4;

/// Where judged pulses end.
pub trait Sink {
    /// What can go wrong.
    type Error;

    /// Takes one judged pulse, or the end of the stream.
    ///
    /// # Errors
    /// Whatever keeps it from being written; the run ends then.
    fn take(&mut self, judged: &Judged) -> Result<(), Self::Error>;
}

/// Buffers a source can write over instead of making new ones.
#[derive(Debug, Clone)]
pub struct Buffers(Receiver<Vec<u8>>);

impl Buffers {
    /// A buffer with whatever it held.
    #[must_use]
    pub fn next(&self) -> Vec<u8> {
        self.0.try_recv().unwrap_or_default()
    }
}

/// Why a run ended early.
#[derive(Debug)]
pub enum RunError<S, K> {
    /// The source failed.
    Source(S),
    /// The stream could not be cut.
    Cut(CutError),
    /// The sink failed.
    Sink(K),
    /// A thread panicked: nothing it said can be trusted.
    Panicked,
}

/// What a run leaves.
pub struct Finished {
    /// The session's state.
    pub session: Session,
    /// The sample account.
    pub account: Account,
}

/// Runs a source through everything into a sink, until the source ends.
///
/// `make_source` gets the pool of spent buffers. The sink is called on the caller's thread.
///
/// # Errors
/// The first failure of source, cutter or sink; what was judged before it has reached the sink.
pub fn run<I, S, K>(
    plan: &Arc<Plan>,
    session: Session,
    workers: usize,
    make_source: impl FnOnce(Buffers) -> Result<I, S>,
    sink: &mut K,
) -> Result<Finished, RunError<S, K::Error>>
where
    I: Iterator<Item = Result<Input, S>> + Send,
    S: Send,
    K: Sink,
{
    let workers = workers.max(1);
    let (input_in, input) = bounded(INPUT_LINE);
    let (judged_in, judged_out) = bounded(SINK_LINE);
    let (spent_bytes_in, spent_bytes_out) = bounded(INPUT_LINE + (WORK_LINE + 2) * workers);
    let (spent_judged_in, spent_judged) = bounded(SINK_LINE);
    let (to_workers, lines, judge_lines, worker_lines) =
        wire(workers, judged_in, spent_bytes_in, spent_judged);
    let source = make_source(Buffers(spent_bytes_out)).map_err(RunError::Source)?;
    std::thread::scope(|scope| {
        let reading = scope.spawn(move || {
            for item in source {
                if input_in.send(item?).is_err() {
                    break;
                }
            }
            Ok(())
        });
        let working: Vec<_> = worker_lines
            .into_iter()
            .map(|lines| scope.spawn(move || worker::run(plan, &lines)))
            .collect();
        let mut cutter = Cutter::new(Arc::clone(plan), to_workers, lines);
        let cutting = scope.spawn(move || {
            let outcome = cutter.run(&input);
            (outcome, cutter.account())
        });
        let judging = scope.spawn(move || judge::run(session, &judge_lines));
        let mut failed = None;
        for judged in &judged_out {
            if let Err(error) = sink.take(&judged) {
                failed = Some(error);
                break;
            }
            // A full pool only means that the buffer is dropped.
            spent_judged_in.try_send(judged).ok();
        }
        drop(judged_out);
        // Every thread is joined before any outcome is looked at: the scope itself panics when a
        // thread it had to join panicked.
        let (read, cut) = (reading.join(), cutting.join());
        let worked: Vec<_> = working.into_iter().map(|worker| worker.join()).collect();
        let worked: Result<Vec<()>, _> = worked.into_iter().collect();
        let (Ok(read), Ok((cut, account)), Ok(_), Ok(session)) =
            (read, cut, worked, judging.join())
        else {
            return Err(RunError::Panicked);
        };
        if let Some(error) = failed {
            return Err(RunError::Sink(error));
        }
        cut.map_err(RunError::Cut)?;
        read.map_err(RunError::Source)?;
        Ok(Finished { session, account })
    })
}

/// The bounded lines between cutter, workers and judge.
fn wire(
    workers: usize,
    judged: Sender<Judged>,
    spent_bytes: Sender<Vec<u8>>,
    spent_judged: Receiver<Judged>,
) -> (Vec<Sender<Work>>, Lines, JudgeLines, Vec<WorkerLines>) {
    let (judge_in, input) = bounded(SINK_LINE);
    let (spent_readings_in, spent_readings) = bounded(SINK_LINE * 2);
    let flight = IN_FLIGHT * workers + 4;
    let (tickets_in, tickets) = bounded(flight);
    for _ in 0..flight {
        tickets_in.try_send(()).ok();
    }
    let (to_workers, work): (Vec<_>, Vec<_>) = (0..workers).map(|_| bounded(WORK_LINE)).unzip();
    let worker_lines = work
        .into_iter()
        .map(|work| WorkerLines {
            work,
            judge: judge_in.clone(),
            spent_bytes: spent_bytes.clone(),
            spent_readings: spent_readings.clone(),
        })
        .collect();
    let lines = Lines { judge: judge_in, tickets, spent_bytes };
    let judge_lines = JudgeLines {
        input,
        tickets: tickets_in,
        judged,
        spent_readings: spent_readings_in,
        spent_judged,
    };
    (to_workers, lines, judge_lines, worker_lines)
}
