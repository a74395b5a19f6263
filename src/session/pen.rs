//! Writes the files of a session on a thread of its own, so that nobody who judges waits for a disk.
//!
//! Whole lines only, in the order they were handed over. What was handed over reaches the system as
//! soon as the thread is free and is synced to the disk a second later at most, at once where it is
//! an alarm. A disk that stalls fills the queue; a full queue is a fault, not a pause.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};

use super::FolderError;
use super::npy::SpectraFile;

/// Longest time between two syncs.
pub(crate) const SYNC_EVERY: Duration = Duration::from_secs(1);

/// Bytes that wait for the disk before the session is given up.
const MOST_WAITING_BYTES: usize = 256 << 20;

/// Pieces that wait.
const PIECES: usize = 1 << 16;

/// How long a disk may take to finish a session.
const PATIENCE: Duration = Duration::from_secs(30);

/// Which file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Page {
    Pulses,
    Exposures,
    Events,
}

impl Page {
    pub(super) const ALL: [Self; 3] = [Self::Pulses, Self::Exposures, Self::Events];

    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Pulses => "pulses.csv",
            Self::Exposures => "exposures.csv",
            Self::Events => "events.ndjson",
        }
    }
}

enum Piece {
    Lines(Page, Vec<u8>),
    Spectra(Vec<u8>),
    /// Everything before this is to reach the disk now.
    Now,
}

impl Piece {
    fn bytes(&self) -> usize {
        match self {
            Self::Lines(_, bytes) | Self::Spectra(bytes) => bytes.len(),
            Self::Now => 0,
        }
    }
}

/// The near end of the queue.
pub(super) struct Pen {
    folder: PathBuf,
    line: Sender<Piece>,
    waiting: Arc<AtomicUsize>,
    /// A full queue makes whoever writes wait.
    patient: bool,
    fault: Arc<Mutex<Option<FolderError>>>,
    done: Receiver<()>,
}

impl Pen {
    /// Begins to write into files that are there; a `patient` one waits for the disk.
    pub(super) fn start(
        folder: &Path,
        files: [File; 3],
        spectra: Option<SpectraFile>,
        patient: bool,
    ) -> Result<Self, FolderError> {
        let (line, pieces) = bounded(PIECES);
        let (done_in, done) = bounded(1);
        let waiting = Arc::new(AtomicUsize::new(0));
        let fault = Arc::new(Mutex::new(None));
        let desk = Desk {
            folder: folder.to_owned(),
            files: files.map(BufWriter::new),
            spectra,
            waiting: Arc::clone(&waiting),
            dirty: false,
        };
        let place = Arc::clone(&fault);
        let write = move || {
            if let Err(error) = desk.write(&pieces) {
                *place.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
            }
            // Whoever waited may have lost patience.
            done_in.send(()).ok();
        };
        std::thread::Builder::new()
            .name("session".to_owned())
            .spawn(write)
            .map_err(|source| FolderError::Write { path: folder.display().to_string(), source })?;
        Ok(Self { folder: folder.to_owned(), line, waiting, patient, fault, done })
    }

    /// Hands over whole lines.
    ///
    /// # Errors
    /// What went wrong with an earlier piece, or that the queue is full.
    pub(super) fn lines(&self, page: Page, lines: Vec<u8>) -> Result<(), FolderError> {
        if lines.is_empty() { Ok(()) } else { self.give(Piece::Lines(page, lines)) }
    }

    /// Hands over a pulse's spectra.
    ///
    /// # Errors
    /// As [`Pen::lines`].
    pub(super) fn spectra(&self, row: Vec<u8>) -> Result<(), FolderError> {
        self.give(Piece::Spectra(row))
    }

    /// What was handed over is to be safe at once.
    ///
    /// # Errors
    /// As [`Pen::lines`].
    pub(super) fn now(&self) -> Result<(), FolderError> {
        self.give(Piece::Now)
    }

    fn give(&self, piece: Piece) -> Result<(), FolderError> {
        let bytes = piece.bytes();
        let waiting = self.waiting.fetch_add(bytes, Ordering::Relaxed) + bytes;
        let sent = if self.patient {
            self.line.send(piece).is_ok()
        } else if waiting > MOST_WAITING_BYTES {
            return Err(FolderError::Slow { path: self.folder.display().to_string(), waiting });
        } else {
            match self.line.try_send(piece) {
                Ok(()) => true,
                Err(full) if full.is_full() => {
                    let path = self.folder.display().to_string();
                    return Err(FolderError::Slow { path, waiting });
                }
                Err(_) => false,
            }
        };
        if sent { Ok(()) } else { Err(self.fault()) }
    }

    fn fault(&self) -> FolderError {
        let known = self.fault.lock().unwrap_or_else(PoisonError::into_inner).take();
        known.unwrap_or_else(|| FolderError::Write {
            path: self.folder.display().to_string(),
            source: std::io::Error::other("the session is no longer written"),
        })
    }

    /// Everything is on the disk when this returns.
    ///
    /// # Errors
    /// What could not be written, or a disk that does not answer.
    pub(super) fn finish(self) -> Result<(), FolderError> {
        let Self { folder, line, fault, done, patient, .. } = self;
        drop(line);
        let path = || folder.display().to_string();
        let said = if patient {
            done.recv().map_err(|_| RecvTimeoutError::Disconnected)
        } else {
            done.recv_timeout(PATIENCE)
        };
        match said {
            Ok(()) => {}
            Err(RecvTimeoutError::Timeout) => {
                return Err(FolderError::Hangs { path: path(), s: PATIENCE.as_secs() });
            }
            Err(RecvTimeoutError::Disconnected) => {
                let source = std::io::Error::other("the thread that writes panicked");
                return Err(FolderError::Write { path: path(), source });
            }
        }
        let fault = fault.lock().unwrap_or_else(PoisonError::into_inner).take();
        fault.map_or(Ok(()), Err)
    }
}

/// The far end.
struct Desk {
    folder: PathBuf,
    files: [BufWriter<File>; 3],
    spectra: Option<SpectraFile>,
    waiting: Arc<AtomicUsize>,
    dirty: bool,
}

impl Desk {
    fn write(mut self, pieces: &Receiver<Piece>) -> Result<(), FolderError> {
        let mut synced = Instant::now();
        loop {
            let piece = match pieces.try_recv() {
                Ok(piece) => Some(piece),
                Err(_) => {
                    self.flush()?;
                    match pieces.recv_timeout(SYNC_EVERY) {
                        Ok(piece) => Some(piece),
                        Err(RecvTimeoutError::Timeout) => None,
                        Err(RecvTimeoutError::Disconnected) => break,
                    }
                }
            };
            let now = matches!(piece, Some(Piece::Now));
            if let Some(piece) = piece {
                self.waiting.fetch_sub(piece.bytes(), Ordering::Relaxed);
                self.put(&piece)?;
            }
            if now || self.dirty && synced.elapsed() >= SYNC_EVERY {
                self.sync()?;
                synced = Instant::now();
            }
        }
        if let Some(spectra) = &mut self.spectra {
            spectra.finish().map_err(|source| self_fault(&self.folder, "spectra.npy", source))?;
        }
        self.sync()
    }

    fn put(&mut self, piece: &Piece) -> Result<(), FolderError> {
        match piece {
            Piece::Lines(page, lines) => {
                self.dirty = true;
                self.files[*page as usize]
                    .write_all(lines)
                    .map_err(|source| self_fault(&self.folder, page.name(), source))
            }
            Piece::Spectra(row) => match &mut self.spectra {
                Some(spectra) => {
                    self.dirty = true;
                    spectra
                        .add(row)
                        .map_err(|source| self_fault(&self.folder, "spectra.npy", source))
                }
                None => Ok(()),
            },
            Piece::Now => Ok(()),
        }
    }

    fn flush(&mut self) -> Result<(), FolderError> {
        for (page, file) in Page::ALL.into_iter().zip(&mut self.files) {
            file.flush().map_err(|source| self_fault(&self.folder, page.name(), source))?;
        }
        match &mut self.spectra {
            Some(spectra) => {
                spectra.flush().map_err(|source| self_fault(&self.folder, "spectra.npy", source))
            }
            None => Ok(()),
        }
    }

    fn sync(&mut self) -> Result<(), FolderError> {
        self.flush()?;
        for (page, file) in Page::ALL.into_iter().zip(&self.files) {
            file.get_ref()
                .sync_data()
                .map_err(|source| self_fault(&self.folder, page.name(), source))?;
        }
        if let Some(spectra) = &self.spectra {
            spectra.sync().map_err(|source| self_fault(&self.folder, "spectra.npy", source))?;
        }
        self.dirty = false;
        Ok(())
    }
}

fn self_fault(folder: &Path, name: &str, source: std::io::Error) -> FolderError {
    FolderError::Write { path: folder.join(name).display().to_string(), source }
}

/// Writes a whole file so that it is there in full or not at all: under another name, synced,
/// renamed, the folder synced.
pub(crate) fn write_whole(path: &Path, text: &str) -> std::io::Result<()> {
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let mut file = File::create(&part)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    drop(file);
    std::fs::rename(&part, path)?;
    sync_folder(path.parent())
}

/// Makes names in a folder last; where a folder cannot be opened as a file, nothing is done.
pub(crate) fn sync_folder(folder: Option<&Path>) -> std::io::Result<()> {
    let folder = folder.filter(|folder| !folder.as_os_str().is_empty());
    match File::open(folder.unwrap_or_else(|| Path::new("."))) {
        Ok(file) if cfg!(unix) => file.sync_all(),
        _ => Ok(()),
    }
}
