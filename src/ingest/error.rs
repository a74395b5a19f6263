//! What can be wrong with a recording, and the exit code a command ends with then.

use std::io;
use std::path::{Path, PathBuf};

/// A fault of a recording, a cue list, or of reading or writing them.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// No such file.
    #[error("{}: not found{note}", path.display())]
    NotFound {
        /// The file that is missing.
        path: PathBuf,
        /// Why it was looked for, beginning with a space; empty when it was named by the user.
        note: String,
    },
    /// The file's content is not what it must be.
    #[error("{}: {fault}", path.display())]
    Bad {
        /// The file at fault.
        path: PathBuf,
        /// Place in it, value and bound.
        fault: String,
    },
    /// The system failed to read or write.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
    /// An output file cannot be made.
    #[error("{}: cannot be created: {source}", path.display())]
    CannotCreate {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
}

impl RecordingError {
    /// The exit code of a command that ends with this error.
    #[must_use]
    pub const fn exit_code(&self) -> u8 {
        match self {
            Self::NotFound { .. } => 66,
            Self::Bad { .. } => 65,
            Self::Io { .. } => 1,
            Self::CannotCreate { .. } => 73,
        }
    }

    pub(super) fn bad(path: &Path, fault: impl Into<String>) -> Self {
        Self::Bad { path: path.to_owned(), fault: fault.into() }
    }

    /// A failure to open or read an input.
    pub(super) fn reading(path: &Path, source: io::Error) -> Self {
        if source.kind() == io::ErrorKind::NotFound {
            Self::NotFound { path: path.to_owned(), note: String::new() }
        } else {
            Self::Io { path: path.to_owned(), source }
        }
    }

    pub(super) fn writing(path: &Path, source: io::Error) -> Self {
        Self::Io { path: path.to_owned(), source }
    }

    pub(super) fn creating(path: &Path, source: io::Error) -> Self {
        Self::CannotCreate { path: path.to_owned(), source }
    }
}
