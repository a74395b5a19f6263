//! The journal of a recording under way, and what it takes to mend one that was never finished.
//!
//! `NAME.sigmf-journal` has a JSON object a line: first `{"global":…}` as the metadata will have it,
//! then captures and whole pulses as they are, `{"capture":…}` and `{"annotation":…}`. A line is
//! written only after its samples were synced. Mending keeps every pulse of the journal, cuts the
//! samples behind the last of them, and writes the metadata; nothing is invented.

use std::fs::{self, File};
use std::io::{BufRead as _, BufReader, BufWriter, Read as _, Write as _};
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde_json::{Value, json};
use sha2::{Digest, Sha512};

use super::bytes::hex;
use super::error::RecordingError;
use crate::signal::SampleFormat;

/// Ending of a journal's name.
pub(super) const JOURNAL: &str = "sigmf-journal";

/// Longest line of a journal that is read, bytes.
const MOST_LINE_BYTES: u64 = 1 << 20;

/// A journal while it is kept.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    file: BufWriter<File>,
    captures: usize,
    annotations: usize,
}

impl Journal {
    pub(super) fn create(path: &Path, global: &impl Serialize) -> Result<Self, RecordingError> {
        let file = File::create_new(path).map_err(|error| RecordingError::creating(path, error))?;
        let file = BufWriter::new(file);
        let mut journal = Self { path: path.to_owned(), file, captures: 0, annotations: 0 };
        journal.line("global", global)?;
        journal.sync()?;
        Ok(journal)
    }

    fn fault(&self, error: std::io::Error) -> RecordingError {
        RecordingError::writing(&self.path, error)
    }

    fn line(&mut self, key: &str, value: &impl Serialize) -> Result<(), RecordingError> {
        let value = serde_json::to_value(value).map_err(|error| self.fault(error.into()))?;
        writeln!(self.file, "{}", json!({ key: value })).map_err(|error| self.fault(error))
    }

    fn sync(&mut self) -> Result<(), RecordingError> {
        let synced = self.file.flush().and_then(|()| self.file.get_ref().sync_data());
        synced.map_err(|error| self.fault(error))
    }

    /// Appends what is new of captures and whole pulses, and syncs it.
    pub(super) fn write(
        &mut self,
        captures: &[impl Serialize],
        annotations: &[impl Serialize],
    ) -> Result<(), RecordingError> {
        if captures.len() == self.captures && annotations.len() == self.annotations {
            return Ok(());
        }
        for capture in captures.get(self.captures..).unwrap_or_default() {
            self.line("capture", capture)?;
        }
        for annotation in annotations.get(self.annotations..).unwrap_or_default() {
            self.line("annotation", annotation)?;
        }
        (self.captures, self.annotations) = (captures.len(), annotations.len());
        self.sync()
    }

    /// The recording is finished.
    pub(super) fn remove(self) -> Result<(), RecordingError> {
        fs::remove_file(&self.path).map_err(|error| RecordingError::writing(&self.path, error))
    }
}

/// Writes metadata so that they are there in full or not at all.
pub(super) fn write_meta(path: &Path, meta: &impl Serialize) -> Result<(), RecordingError> {
    // Under another name first: a half-written file must not look like a recording.
    let part = path.with_extension("sigmf-meta-part");
    let file = File::create(&part).map_err(|error| RecordingError::creating(&part, error))?;
    let mut out = BufWriter::new(file);
    let written = serde_json::to_writer_pretty(&mut out, meta)
        .map_err(std::io::Error::from)
        .and_then(|()| out.write_all(b"\n"))
        .and_then(|()| out.flush())
        .and_then(|()| out.get_ref().sync_all());
    written.map_err(|error| RecordingError::writing(&part, error))?;
    fs::rename(&part, path).map_err(|error| RecordingError::creating(path, error))?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    // The name lasts once its folder is synced; where folders are no files there is no way to.
    match File::open(folder.unwrap_or_else(|| Path::new("."))) {
        Ok(folder) if cfg!(unix) => {
            folder.sync_all().map_err(|error| RecordingError::writing(path, error))
        }
        _ => Ok(()),
    }
}

/// What mending a recording came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mended {
    /// Whole pulses that are kept.
    pub pulses: usize,
    /// Bytes behind the last of them that were cut.
    pub cut_bytes: u64,
}

/// Mends the recording of this name without ending, which was not finished; nothing where it was.
///
/// # Errors
/// A journal that cannot be read, or samples that are not there although it names them.
pub fn mend(base: &Path) -> Result<Option<Mended>, RecordingError> {
    let with = |ending: &str| {
        let mut name = base.as_os_str().to_owned();
        name.push(".");
        name.push(ending);
        PathBuf::from(name)
    };
    let (journal, data, meta) = (with(JOURNAL), with("sigmf-data"), with("sigmf-meta"));
    if !journal.exists() {
        return Ok(None);
    }
    if meta.exists() {
        // It was finished; only the journal had not gone yet.
        fs::remove_file(&journal).map_err(|error| RecordingError::writing(&journal, error))?;
        return Ok(None);
    }
    let told = read(&journal)?.filter(|told| !told.annotations.is_empty());
    let Some(Told { mut global, mut captures, annotations }) = told else {
        // No pulse was promised; a recording without one cannot be read.
        let cut_bytes = fs::metadata(&data).map_or(0, |found| found.len());
        for file in [&data, &journal].into_iter().filter(|file| file.exists()) {
            fs::remove_file(file).map_err(|error| RecordingError::writing(file, error))?;
        }
        return Ok(Some(Mended { pulses: 0, cut_bytes }));
    };
    let bad = |fault: &str| RecordingError::bad(&journal, fault);
    let format = global["core:datatype"].as_str().and_then(SampleFormat::from_name);
    let channels = global["core:num_channels"].as_u64().unwrap_or(0);
    let format = format.ok_or_else(|| bad("line 1: core:datatype is not known"))?;
    let set = (format.bytes() as u64).saturating_mul(channels);
    if set == 0 {
        return Err(bad("line 1: core:num_channels is not a number above 0"));
    }
    let end = |annotation: &Value| {
        let at = |key: &str| annotation[key].as_u64().unwrap_or(0);
        at("core:sample_start").saturating_add(at("core:sample_count"))
    };
    let whole = annotations.iter().map(end).max().unwrap_or(0).saturating_mul(set);
    let file = File::options().read(true).write(true).open(&data);
    let mut file = file.map_err(|error| RecordingError::reading(&data, error))?;
    let held = file.metadata().map_err(|error| RecordingError::reading(&data, error))?.len();
    if held < whole {
        let fault = format!("has {held} bytes, its journal names {whole}");
        return Err(RecordingError::bad(&data, fault));
    }
    file.set_len(whole)
        .and_then(|()| file.sync_all())
        .map_err(|error| RecordingError::writing(&data, error))?;
    captures.retain(|capture| {
        let start = capture["core:sample_start"].as_u64().unwrap_or(u64::MAX);
        start == 0 || start.saturating_mul(set) < whole
    });
    let sum = sum(&mut file).map_err(|error| RecordingError::reading(&data, error))?;
    if let Some(global) = global.as_object_mut() {
        global.insert("core:sha512".into(), json!(sum));
    }
    let pulses = annotations.len();
    let value = json!({"global": global, "captures": captures, "annotations": annotations});
    write_meta(&meta, &value)?;
    fs::remove_file(&journal).map_err(|error| RecordingError::writing(&journal, error))?;
    Ok(Some(Mended { pulses, cut_bytes: held - whole }))
}

fn sum(file: &mut File) -> std::io::Result<String> {
    let mut sum = Sha512::new();
    let mut block = vec![0; 1 << 20];
    loop {
        match file.read(&mut block)? {
            0 => return Ok(hex(&sum.finalize())),
            n => sum.update(&block[..n]),
        }
    }
}

/// What a journal tells.
struct Told {
    global: Value,
    captures: Vec<Value>,
    annotations: Vec<Value>,
}

/// A line that broke off ends it; nothing without a first line.
fn read(path: &Path) -> Result<Option<Told>, RecordingError> {
    let file = File::open(path).map_err(|error| RecordingError::reading(path, error))?;
    let mut lines = BufReader::new(file);
    let mut told = Told { global: Value::Null, captures: Vec::new(), annotations: Vec::new() };
    let mut line = Vec::new();
    for number in 1_u64.. {
        line.clear();
        let read = (&mut lines).take(MOST_LINE_BYTES).read_until(b'\n', &mut line);
        read.map_err(|error| RecordingError::reading(path, error))?;
        if line.pop() != Some(b'\n') {
            break;
        }
        let fault = |why: String| RecordingError::bad(path, format!("line {number}: {why}"));
        let mut value: Value =
            serde_json::from_slice(&line).map_err(|error| fault(error.to_string()))?;
        match value.as_object().and_then(|object| object.keys().next()).map(String::as_str) {
            Some("global") if number == 1 => told.global = value["global"].take(),
            Some("capture") if number > 1 => told.captures.push(value["capture"].take()),
            Some("annotation") if number > 1 => told.annotations.push(value["annotation"].take()),
            _ => return Err(fault("is no global, capture or annotation".to_owned())),
        }
    }
    Ok((!told.global.is_null()).then_some(told))
}

#[cfg(test)]
mod tests {
    use super::super::specimen::{expect, frames, stream, tag};
    use super::super::{Recording, SigmfWriter};
    use super::*;
    use crate::engine::Frame;

    const VOLTS: f64 = 6.103_515_625e-5;

    /// A recording of three whole pulses and the begin of a fourth, synced but never finished.
    fn interrupted(folder: &Path) -> (PathBuf, Vec<Frame>) {
        let base = folder.join("recording");
        let mut writer =
            SigmfWriter::create(&base, &stream(SampleFormat::Ri8, 1), &[VOLTS]).unwrap();
        writer.of_a_session(false);
        writer.keep_journal().unwrap();
        let mut sent = Vec::new();
        for number in 1..=3_u8 {
            let tag = std::sync::Arc::new(tag(number.into(), 1000 * u64::from(number)));
            let bytes = vec![number; 100];
            writer.stretch(&tag, 0, &bytes[..40], false).unwrap();
            writer.sync().unwrap();
            writer.stretch(&tag, 40, &bytes[40..], true).unwrap();
            writer.sync().unwrap();
            sent.push(Frame { tag, offset: 0, bytes, last: true });
        }
        writer.stretch(&tag(4, 9000), 0, &[4; 50], false).unwrap();
        writer.sync().unwrap();
        // What a crash leaves: nobody finishes it.
        std::mem::forget(writer);
        (base, sent)
    }

    #[test]
    fn an_interrupted_recording_is_closed_after_its_last_whole_pulse() {
        let folder = tempfile::tempdir().unwrap();
        let (base, sent) = interrupted(folder.path());
        let mended = mend(&base).unwrap();
        assert_eq!(mended, Some(Mended { pulses: 3, cut_bytes: 50 }));
        assert_eq!(mend(&base).unwrap(), None);
        let recording = Recording::open(&base, &expect(SampleFormat::Ri8, 1), None).unwrap();
        assert_eq!(frames(&recording, 1 << 20), sent);
    }

    #[test]
    fn a_journal_torn_at_any_byte_keeps_its_whole_lines() {
        let folder = tempfile::tempdir().unwrap();
        let (base, sent) = interrupted(folder.path());
        let journal = base.with_extension(JOURNAL);
        let text = fs::read(&journal).unwrap();
        let data = fs::read(base.with_extension("sigmf-data")).unwrap();
        for length in 0..text.len() {
            let other = tempfile::tempdir().unwrap();
            let base = other.path().join("recording");
            fs::write(base.with_extension(JOURNAL), &text[..length]).unwrap();
            fs::write(base.with_extension("sigmf-data"), &data).unwrap();
            let told = text[..length].split_inclusive(|byte| *byte == b'\n');
            let whole =
                told.filter(|line| line.ends_with(b"\n") && line.starts_with(b"{\"annotation\""));
            let pulses = whole.count();
            assert_eq!(mend(&base).unwrap().unwrap().pulses, pulses, "{length}");
            if pulses == 0 {
                assert_eq!(fs::read_dir(other.path()).unwrap().count(), 0, "{length}");
                continue;
            }
            let recording = Recording::open(&base, &expect(SampleFormat::Ri8, 1), None).unwrap();
            assert_eq!(frames(&recording, 1 << 20), sent[..pulses], "{length}");
        }
    }

    #[test]
    fn samples_that_a_journal_names_must_be_there() {
        let folder = tempfile::tempdir().unwrap();
        let (base, _) = interrupted(folder.path());
        fs::write(base.with_extension("sigmf-data"), [0; 299]).unwrap();
        let said = mend(&base).unwrap_err().to_string();
        assert!(
            said.ends_with("recording.sigmf-data: has 299 bytes, its journal names 300"),
            "{said}"
        );
        fs::write(base.with_extension(JOURNAL), "{\"global\":{}}\n{\"annotation\":{}}\n").unwrap();
        let said = mend(&base).unwrap_err().to_string();
        assert!(said.ends_with("line 1: core:datatype is not known"), "{said}");
        fs::write(base.with_extension(JOURNAL), "{}\n").unwrap();
        let said = mend(&base).unwrap_err().to_string();
        assert!(said.ends_with("line 1: is no global, capture or annotation"), "{said}");
    }

    #[test]
    fn a_finished_recording_has_no_journal_and_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("recording");
        let mut writer =
            SigmfWriter::create(&base, &stream(SampleFormat::Ri8, 1), &[VOLTS]).unwrap();
        writer.keep_journal().unwrap();
        writer.pulse(&tag(1, 0), &[1; 10]).unwrap();
        writer.finish().unwrap();
        assert!(!base.with_extension(JOURNAL).exists());
        assert_eq!(mend(&base).unwrap(), None);
        // Killed between the metadata and the journal's removal.
        fs::write(base.with_extension(JOURNAL), "{\"global\":{}}\n").unwrap();
        assert_eq!(mend(&base).unwrap(), None);
        assert!(!base.with_extension(JOURNAL).exists());
    }
}
