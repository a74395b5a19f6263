//! `simmer repair`: a session that was interrupted becomes one that can be read.

use std::path::PathBuf;

use super::{DATA, Failure, NO_INPUT, RUNNING, give};
use crate::ingest::RecordingError;
use crate::session::repair::{RepairError, repair};

/// Which sessions.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer replay -c demo-data/config.toml --out out/to-repair \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta
  simmer repair out/to-repair")]
pub struct Repair {
    /// Session folders
    #[arg(required = true, value_name = "SESSION")]
    pub sessions: Vec<PathBuf>,
}

impl From<RepairError> for Failure {
    fn from(error: RepairError) -> Self {
        let code = match &error {
            RepairError::NoSession(_) => NO_INPUT,
            RepairError::Io { .. } | RepairError::Recording(RecordingError::Io { .. }) => RUNNING,
            RepairError::Malformed { .. } => DATA,
            RepairError::Recording(error) => error.exit_code(),
        };
        Self::new(code, error.to_string())
    }
}

impl Repair {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// The first session that cannot be repaired.
    pub fn run(&self) -> Result<u8, Failure> {
        for session in &self.sessions {
            let done = repair(session)?;
            let name = session.display();
            if done.is_empty() {
                give(&format!("{name}: nothing to repair\n"))?;
            }
            for line in done {
                give(&format!("{name}: {line}\n"))?;
            }
        }
        Ok(0)
    }
}
