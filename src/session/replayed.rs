//! A session folder as the input of a replay: its recordings, acts, configuration and baseline.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::KeptTable;

/// Name of the copy a session keeps of the baseline file it was given.
pub const BASELINE: &str = "baseline.json";

/// Largest `session.json` that is read, bytes.
const MOST_BYTES: u64 = 64 << 20;

/// What a replay takes from a session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Replayed {
    /// The folder.
    pub folder: PathBuf,
    /// Its recordings in order, by their metadata files.
    pub recordings: Vec<PathBuf>,
    /// What people did.
    pub acts: PathBuf,
    /// The baseline file it was given, where it kept one.
    pub baseline: Option<PathBuf>,
    /// The text of its configuration.
    pub configuration: String,
    /// The tables it names.
    pub tables: Vec<KeptTable>,
}

/// Why a folder cannot be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayedError {
    /// It is no session.
    #[error("{0}: a folder without session.json is no session")]
    NoSession(String),
    /// It holds no samples.
    #[error("{0}: the session has no recording; [record] raw = true keeps one")]
    NoRecording(String),
    /// It was interrupted.
    #[error("{0}: the session was interrupted; run simmer repair first")]
    Unfinished(String),
    /// A file cannot be read.
    #[error("{path}: {why}")]
    Unreadable {
        /// The file.
        path: String,
        /// Why.
        why: String,
    },
}

/// Looks into a session folder.
///
/// # Errors
/// What keeps it from being replayed.
pub fn look(folder: &Path) -> Result<Replayed, ReplayedError> {
    let name = || folder.display().to_string();
    let path = folder.join("session.json");
    let unreadable =
        |why: String| ReplayedError::Unreadable { path: path.display().to_string(), why };
    let bytes = std::fs::metadata(&path).map_err(|_| ReplayedError::NoSession(name()))?.len();
    if bytes > MOST_BYTES {
        return Err(unreadable(format!("has {bytes} bytes, at most {MOST_BYTES} are read")));
    }
    let text = std::fs::read_to_string(&path).map_err(|error| unreadable(error.to_string()))?;
    let session: Value =
        serde_json::from_str(&text).map_err(|error| unreadable(error.to_string()))?;
    let base = |n: u32| match n {
        1 => folder.join("recording"),
        n => folder.join(format!("recording-{n}")),
    };
    if (1..)
        .map(base)
        .take_while(|base| holds(base, "sigmf-data"))
        .any(|b| holds(&b, "sigmf-journal"))
    {
        return Err(ReplayedError::Unfinished(name()));
    }
    let recordings: Vec<PathBuf> = (1..)
        .map(|n| base(n).with_extension("sigmf-meta"))
        .take_while(|meta| meta.exists())
        .collect();
    if recordings.is_empty() {
        return Err(ReplayedError::NoRecording(name()));
    }
    let configuration = session["configuration"]["text"].as_str();
    Ok(Replayed {
        folder: folder.to_owned(),
        recordings,
        acts: folder.join("events.ndjson"),
        baseline: Some(folder.join(BASELINE)).filter(|file| file.exists()),
        configuration: configuration
            .ok_or_else(|| unreadable("configuration.text is no text".to_owned()))?
            .to_owned(),
        tables: tables(&session).map_err(unreadable)?,
    })
}

/// The tables a session has kept; an older one has none.
fn tables(session: &Value) -> Result<Vec<KeptTable>, String> {
    let tables = session["tables"].as_array().into_iter().flatten().enumerate();
    tables
        .map(|(i, table)| {
            let text = |key: &str| {
                let text = table[key].as_str().map(str::to_owned);
                text.ok_or_else(|| format!("tables[{i}].{key} is no text"))
            };
            Ok(KeptTable { name: text("name")?, sha256: text("sha256")?, text: text("text")? })
        })
        .collect()
}

fn holds(base: &Path, ending: &str) -> bool {
    base.with_extension(ending).exists()
}
