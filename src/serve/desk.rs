//! Acts of people on their way to the analysis.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::sync::mpsc::error::SendError;

use crate::detect::Act;

/// How long an act waits for a place before the person is told.
const PATIENCE: Duration = Duration::from_millis(250);

/// Why an act was not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Busy {
    /// Too many acts wait already.
    #[error("as many acts as fit wait for the analysis already; try again")]
    Full,
    /// Nobody takes acts any more.
    #[error("the analysis takes no acts")]
    Ended,
}

/// Where acts are handed in.
#[derive(Debug, Clone)]
pub struct Desk {
    acts: mpsc::Sender<Act>,
    marks: Arc<AtomicU64>,
}

impl Desk {
    /// A desk at the head of a line of acts, which is bounded.
    #[must_use]
    pub fn new(acts: mpsc::Sender<Act>) -> Self {
        Self { acts, marks: Arc::new(AtomicU64::new(1)) }
    }

    /// The number of the next mark, from 1.
    #[must_use]
    pub fn next_mark(&self) -> u64 {
        self.marks.fetch_add(1, Ordering::Relaxed)
    }

    /// Hands in an act.
    ///
    /// # Errors
    /// When the line is full or closed.
    pub async fn take(&self, act: Act) -> Result<(), Busy> {
        self.place().await?.send(act);
        Ok(())
    }

    /// A place in the line, so that an act can be noted before anyone sees it.
    pub(super) async fn place(&self) -> Result<mpsc::Permit<'_, Act>, Busy> {
        match tokio::time::timeout(PATIENCE, self.acts.reserve()).await {
            Ok(Ok(permit)) => Ok(permit),
            Ok(Err(SendError(()))) => Err(Busy::Ended),
            Err(_) => Err(Busy::Full),
        }
    }

    /// Whether a mark has that number.
    pub(super) fn has_mark(&self, id: u64) -> bool {
        (1..self.marks.load(Ordering::Relaxed)).contains(&id)
    }
}
