//! Makes a session that was interrupted readable, without inventing anything.
//!
//! Torn last lines and the rows of a pulse that is not there in full are cut, a recording is closed
//! after its last promised pulse ([`crate::ingest::mend`]), `spectra.npy` gets its true length, and
//! `session.json` says `interrupted` and what was cut. An exposure that was under way has no row; a
//! replay of the recording makes one. A second repair changes nothing.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{BufRead as _, BufReader, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::pen::{Page, write_whole};
use super::{npy, table};
use crate::ingest::{RecordingError, mend};

/// The end of a table that is looked at, bytes; the rows of one pulse fit into it many times.
const TAIL_BYTES: u64 = 8 << 20;

/// Largest `session.json` that is read, bytes.
const MOST_JSON_BYTES: u64 = 64 << 20;

/// Why a session cannot be repaired.
#[derive(Debug, thiserror::Error)]
pub enum RepairError {
    /// There is no session.
    #[error("{0}: holds no session.json, so it is no session")]
    NoSession(String),
    /// A file cannot be read or written.
    #[error("{path}: {source}")]
    Io {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// A file is not what a session has.
    #[error("{path}: {why}")]
    Malformed {
        /// The file.
        path: String,
        /// What is wrong.
        why: String,
    },
    /// A recording cannot be mended.
    #[error(transparent)]
    Recording(#[from] RecordingError),
}

fn io(path: &Path) -> impl FnOnce(std::io::Error) -> RepairError {
    let path = path.display().to_string();
    move |source| RepairError::Io { path, source }
}

/// Repairs a session; what was done, nothing when there was nothing to do.
///
/// # Errors
/// When it is no session, or a file cannot be read or written.
pub fn repair(folder: &Path) -> Result<Vec<String>, RepairError> {
    let path = folder.join("session.json");
    let part = folder.join("session.json.part");
    let mut session = read_json(&path)?;
    let mut done = Vec::new();
    if part.exists() {
        fs::remove_file(&part).map_err(io(&part))?;
        done.push("session.json.part: removed, it was not finished".to_owned());
    }
    for page in Page::ALL {
        let path = folder.join(page.name());
        torn_line(&path, &mut done)?;
        headed(&path, page, &mut done)?;
    }
    let axis = |key: &str| session["axes"][key].as_u64().and_then(|n| usize::try_from(n).ok());
    let channels = session["axes"]["channels"].as_array().map_or(0, Vec::len);
    if channels == 0 {
        let why = "axes.channels is no list of channels".to_owned();
        return Err(RepairError::Malformed { path: path.display().to_string(), why });
    }
    let pulses = folder.join(Page::Pulses.name());
    last_pulse(&pulses, channels + usize::from(channels > 1), &mut done)?;
    let spectra = folder.join("spectra.npy");
    if let (true, Some(bins)) = (spectra.exists(), axis("bins")) {
        let most = pulses_of(&pulses)?;
        let mended = npy::mend(&spectra, channels, bins, most).map_err(io(&spectra))?;
        if let Some((pulses, cut)) = mended {
            done.push(format!("spectra.npy: {pulses} pulses, {cut} bytes cut"));
        }
    }
    for data in orphans(folder)? {
        let bytes = fs::metadata(&data).map_err(io(&data))?.len();
        fs::remove_file(&data).map_err(io(&data))?;
        let name = data.file_stem().unwrap_or_default().to_string_lossy();
        done.push(format!("{name}: no whole pulse was promised; {bytes} bytes removed"));
    }
    for base in unfinished(folder)? {
        let name = base.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if let Some(mended) = mend(&base)? {
            done.push(match mended.pulses {
                0 => format!(
                    "{name}: no whole pulse was promised; {} bytes removed",
                    mended.cut_bytes
                ),
                n => {
                    format!("{name}: closed after {n} whole pulses, {} bytes cut", mended.cut_bytes)
                }
            });
        }
    }
    if session["state"] != "finished" && (session["state"] != "interrupted" || !done.is_empty()) {
        let before = session["repair"].as_array().cloned().unwrap_or_default();
        let all: Vec<Value> =
            before.into_iter().chain(done.iter().map(|text| json!(text))).collect();
        session["state"] = json!("interrupted");
        session["repair"] = json!(all);
        write_whole(&path, &format!("{session:#}\n")).map_err(io(&path))?;
        done.push(
            "session.json: says interrupted; an exposure that was under way has no row".to_owned(),
        );
    }
    Ok(done)
}

fn read_json(path: &Path) -> Result<Value, RepairError> {
    let name = || path.display().to_string();
    let folder = || path.parent().map_or_else(name, |folder| folder.display().to_string());
    let bytes = match fs::metadata(path) {
        Ok(found) => found.len(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Err(RepairError::NoSession(folder()));
        }
        Err(source) => return Err(io(path)(source)),
    };
    let malformed = |why| RepairError::Malformed { path: name(), why };
    if bytes > MOST_JSON_BYTES {
        return Err(malformed(format!("has {bytes} bytes, at most {MOST_JSON_BYTES} are read")));
    }
    let text = fs::read_to_string(path).map_err(io(path))?;
    serde_json::from_str(&text).map_err(|error| malformed(error.to_string()))
}

/// The end of a file and where it begins.
fn tail(file: &mut File, held: u64) -> std::io::Result<(u64, Vec<u8>)> {
    let from = held.saturating_sub(TAIL_BYTES);
    file.seek(SeekFrom::Start(from))?;
    let mut bytes = Vec::new();
    file.take(TAIL_BYTES).read_to_end(&mut bytes)?;
    Ok((from, bytes))
}

fn cut(file: &File, to: u64) -> std::io::Result<()> {
    file.set_len(to)?;
    file.sync_all()
}

/// Cuts a last line without an end.
fn torn_line(path: &Path, done: &mut Vec<String>) -> Result<(), RepairError> {
    if !path.exists() {
        return Ok(());
    }
    let mut file = File::options().read(true).write(true).open(path).map_err(io(path))?;
    let held = file.metadata().map_err(io(path))?.len();
    let (from, bytes) = tail(&mut file, held).map_err(io(path))?;
    let whole = match bytes.iter().rposition(|byte| *byte == b'\n') {
        Some(place) => from + place as u64 + 1,
        None if from == 0 => 0,
        None => {
            let why = format!("the last {TAIL_BYTES} bytes have no end of a line");
            return Err(RepairError::Malformed { path: path.display().to_string(), why });
        }
    };
    if whole < held {
        cut(&file, whole).map_err(io(path))?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        done.push(format!("{name}: a torn last line of {} bytes cut", held - whole));
    }
    Ok(())
}

/// Gives a table that had not come to its head line just that.
fn headed(path: &Path, page: Page, done: &mut Vec<String>) -> Result<(), RepairError> {
    let held = fs::metadata(path).map_or(0, |found| found.len());
    let head = match page {
        Page::Pulses => format!("{}\n", table::pulse_head()),
        Page::Exposures => format!("{}\n", table::exposure_head()),
        Page::Events => String::new(),
    };
    if held > 0 || head.is_empty() && path.exists() {
        return Ok(());
    }
    write_whole(path, &head).map_err(io(path))?;
    done.push(format!("{}: had not begun, holds nothing", page.name()));
    Ok(())
}

/// Cuts the rows of a last pulse that are not all there, and the row of a pulse that never came
/// before them, which belongs to it.
fn last_pulse(path: &Path, rows: usize, done: &mut Vec<String>) -> Result<(), RepairError> {
    let mut file = File::options().read(true).write(true).open(path).map_err(io(path))?;
    let held = file.metadata().map_err(io(path))?.len();
    let (from, bytes) = tail(&mut file, held).map_err(io(path))?;
    let text = String::from_utf8_lossy(&bytes);
    // A first line may be cut by where the tail begins; the head line is no pulse.
    let mut lines: Vec<&str> = text.split_inclusive('\n').skip(1).collect();
    let number = |line: &str| line.split(',').next().unwrap_or("").to_owned();
    let mut place = held;
    let mut cut_rows = 0;
    let last = lines.last().map(|line| number(line)).unwrap_or_default();
    let own =
        lines.iter().rev().take_while(|line| !last.is_empty() && number(line) == last).count();
    if own < rows {
        for _ in 0..own {
            place -= lines.pop().map_or(0, str::len) as u64;
            cut_rows += 1;
        }
        if lines.last().is_some_and(|line| number(line).is_empty()) {
            place -= lines.pop().map_or(0, str::len) as u64;
            cut_rows += 1;
        }
    }
    debug_assert!(place >= from, "only lines of the tail are cut");
    if cut_rows > 0 {
        cut(&file, place).map_err(io(path))?;
        done.push(format!("pulses.csv: {cut_rows} rows of a pulse that is not there in full cut"));
    }
    Ok(())
}

/// Pulses of a table.
fn pulses_of(path: &Path) -> Result<u64, RepairError> {
    let mut lines = BufReader::new(File::open(path).map_err(io(path))?);
    let (mut line, mut last, mut pulses) = (String::new(), String::new(), 0);
    let head = table::pulse_head();
    loop {
        line.clear();
        if lines.read_line(&mut line).map_err(io(path))? == 0 {
            return Ok(pulses);
        }
        let number = line.split(',').next().unwrap_or("");
        if !number.is_empty() && number != last && line.trim_end() != head {
            pulses += 1;
            number.clone_into(&mut last);
        }
    }
}

/// Files of a folder with this ending, in order.
fn with_ending(folder: &Path, ending: &str) -> Result<BTreeSet<PathBuf>, RepairError> {
    let mut found = BTreeSet::new();
    for entry in fs::read_dir(folder).map_err(io(folder))? {
        let path = entry.map_err(io(folder))?.path();
        if path.extension().is_some_and(|of| of == ending) {
            found.insert(path);
        }
    }
    Ok(found)
}

/// Recordings with a journal, by their names without ending.
fn unfinished(folder: &Path) -> Result<BTreeSet<PathBuf>, RepairError> {
    let journals = with_ending(folder, "sigmf-journal")?;
    Ok(journals.into_iter().map(|path| path.with_extension("")).collect())
}

/// Samples of recordings that had not come to their journal.
fn orphans(folder: &Path) -> Result<BTreeSet<PathBuf>, RepairError> {
    let mut found = with_ending(folder, "sigmf-data")?;
    found.retain(|path| {
        !["sigmf-journal", "sigmf-meta"].iter().any(|other| path.with_extension(other).exists())
    });
    Ok(found)
}
