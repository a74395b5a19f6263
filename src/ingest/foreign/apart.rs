//! HDF5 in a process of its own: the same program, told to read one file and to write what it finds
//! to its standard output. On Linux its address space is bounded; elsewhere the reader's own bounds
//! hold. What it dies of, it dies of alone.

use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crossbeam_channel::{Receiver, bounded};

use super::super::error::RecordingError;
use super::super::sigmf_json::quoted;
use super::{Variable, hdf5};

/// Address space of the reading process, bytes.
#[cfg(target_os = "linux")]
const MAX_ADDRESS_BYTES: u64 = 1 << 30;
/// Longest silence of it.
const PATIENCE: Duration = Duration::from_secs(60);
/// Longest list of variables, and longest complaint, bytes.
const MAX_LIST_BYTES: usize = 32 << 20;
const MAX_WORDS: u64 = 4096;
/// Bytes handed over at a time, and how many such blocks may wait.
const BLOCK_BYTES: usize = 256 << 10;
const BLOCKS: usize = 4;
/// The command the other process is given.
const COMMAND: &str = "read-apart";

/// The other process: lists the variables of a file as a line of JSON each or, with a variable,
/// gives its numbers.
///
/// # Errors
/// What is wrong with the file, in words.
pub fn serve(path: &Path, variable: Option<&str>) -> Result<(), String> {
    bound_memory()?;
    let mut out = BufWriter::new(io::stdout().lock());
    if let Some(name) = variable {
        return hdf5::pour(path, name, &mut out);
    }
    hdf5::list(path, &mut |variable| {
        serde_json::to_writer(&mut out, &variable)?;
        writeln!(out)?;
        out.flush()
    })
}

#[cfg(target_os = "linux")]
fn bound_memory() -> Result<(), String> {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let before = getrlimit(Resource::As);
    let least = |bound: Option<u64>| Some(bound.unwrap_or(u64::MAX).min(MAX_ADDRESS_BYTES));
    let limit = Rlimit { current: least(before.current), maximum: least(before.maximum) };
    setrlimit(Resource::As, limit).map_err(|error| format!("cannot bound its memory: {error}"))
}

#[cfg(not(target_os = "linux"))]
#[allow(clippy::unnecessary_wraps, reason = "the other form can fail")]
const fn bound_memory() -> Result<(), String> {
    Ok(())
}

/// The process that reads.
struct Reader {
    child: Child,
    blocks: Receiver<io::Result<Vec<u8>>>,
    words: JoinHandle<String>,
}

impl Reader {
    fn begin(path: &Path, variable: Option<&str>) -> io::Result<Self> {
        let mut command = Command::new(std::env::current_exe()?);
        command.arg(COMMAND).arg("--").arg(path).args(variable);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn()?;
        let (give, blocks) = bounded(BLOCKS);
        if let Some(mut out) = child.stdout.take() {
            thread::spawn(move || {
                loop {
                    let mut block = vec![0; BLOCK_BYTES];
                    let read = out.read(&mut block).map(|read| {
                        block.truncate(read);
                        block
                    });
                    let last = !read.as_ref().is_ok_and(|block| !block.is_empty());
                    if give.send(read).is_err() || last {
                        return;
                    }
                }
            });
        }
        let told = child.stderr.take();
        let words = thread::spawn(move || {
            let mut words = Vec::new();
            if let Some(mut told) = told {
                // What cannot be read is not told.
                Read::by_ref(&mut told).take(MAX_WORDS).read_to_end(&mut words).ok();
                io::copy(&mut told, &mut io::sink()).ok();
            }
            String::from_utf8_lossy(&words).into_owned()
        });
        Ok(Self { child, blocks, words })
    }

    /// Hands over what it writes; then what was wrong, if something was.
    fn run(
        mut self,
        mut take: impl FnMut(&[u8]) -> Result<(), RecordingError>,
        path: &Path,
    ) -> Result<(), RecordingError> {
        let mut taken = Ok(());
        loop {
            match self.blocks.recv_timeout(PATIENCE) {
                Ok(Ok(block)) if !block.is_empty() => taken = take(&block),
                Ok(Ok(_)) => break,
                Ok(Err(error)) => taken = Err(RecordingError::reading(path, error)),
                Err(_) => {
                    let fault = format!(
                        "the HDF5 reader said nothing for {} s and was ended",
                        PATIENCE.as_secs()
                    );
                    taken = Err(RecordingError::bad(path, fault));
                }
            }
            if taken.is_err() {
                // Dead or alive, its status is fetched below.
                self.child.kill().ok();
                break;
            }
        }
        drop(self.blocks);
        let status = self.child.wait().map_err(|error| RecordingError::reading(path, error))?;
        let words = self.words.join().unwrap_or_default();
        taken?;
        if status.success() { Ok(()) } else { Err(complaint(path, status, &words)) }
    }
}

/// What the reader died of, or what it says is wrong.
fn complaint(path: &Path, status: ExitStatus, words: &str) -> RecordingError {
    let said = words.lines().find_map(|line| line.strip_prefix("simmer: "));
    match said {
        Some(said) if status.code() == Some(65) => RecordingError::bad(path, said),
        _ => {
            let memory = words.contains("memory allocation");
            let why = if memory { "asked for more memory than it may have" } else { "failed" };
            let fault =
                format!("the HDF5 reader {why} ({status}); the file is damaged, or beyond it");
            RecordingError::bad(path, fault)
        }
    }
}

fn read(
    path: &Path,
    variable: Option<&str>,
    take: impl FnMut(&[u8]) -> Result<(), RecordingError>,
) -> Result<(), RecordingError> {
    let begun = Reader::begin(path, variable);
    begun.map_err(|error| RecordingError::reading(path, error))?.run(take, path)
}

/// Lists the variables of a file.
pub(super) fn list(path: &Path) -> Result<Vec<Variable>, RecordingError> {
    let mut text = Vec::new();
    let bad = |fault: String| RecordingError::bad(path, fault);
    read(path, None, |block| {
        text.extend_from_slice(block);
        if text.len() > MAX_LIST_BYTES {
            return Err(bad(format!("a list of variables beyond {MAX_LIST_BYTES} bytes")));
        }
        Ok(())
    })?;
    let lines = BufReader::new(text.as_slice()).lines();
    lines
        .map(|line| {
            let line = line.map_err(|error| bad(error.to_string()))?;
            serde_json::from_str(&line).map_err(|error| bad(format!("the reader's list: {error}")))
        })
        .collect()
}

/// Gives the numbers of a variable.
pub(super) fn pour(
    path: &Path,
    variable: &Variable,
    out: &mut impl Write,
) -> Result<(), RecordingError> {
    let mut poured = 0;
    let bad = |poured: u64| {
        let (name, bytes) = (quoted(&variable.name), variable.bytes);
        let fault = format!("variable {name}: damaged: {poured} bytes of numbers, {bytes} are due");
        RecordingError::bad(path, fault)
    };
    read(path, Some(&variable.name), |block| {
        poured += block.len() as u64;
        if poured > variable.bytes {
            return Err(bad(poured));
        }
        out.write_all(block).map_err(|error| RecordingError::writing(path, error))
    })?;
    if poured == variable.bytes { Ok(()) } else { Err(bad(poured)) }
}

#[cfg(all(test, unix))]
mod tests {
    use std::os::unix::process::ExitStatusExt as _;

    use super::*;

    #[test]
    fn what_a_reader_died_of_is_told_as_a_fault_of_the_file() {
        let told = |raw: i32, words: &str| {
            let error = complaint(Path::new("x.h5"), ExitStatus::from_raw(raw), words);
            assert_eq!(error.exit_code(), 65);
            error.to_string()
        };
        assert_eq!(told(65 << 8, "simmer: HDF5: bad\n"), "x.h5: HDF5: bad");
        let abort = told(6, "memory allocation of 99 bytes failed\n");
        assert!(abort.contains("asked for more memory") && abort.contains("signal: 6"), "{abort}");
        let panic = told(101 << 8, "\nthread 'main' panicked at x.rs:1:1\n");
        assert!(panic.contains("the HDF5 reader failed") && !panic.contains("panicked"), "{panic}");
    }
}
