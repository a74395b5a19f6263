//! Files that get their names when all of them are whole, and what ends the work before.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::super::monitor::{Signals, Why, runtime};
use super::super::{Failure, cannot_create, say};

/// How often the person is told how far the work is.
const TOLD_EVERY: Duration = Duration::from_secs(5);

/// A folder beside the final names, in which files are made.
pub(super) struct Unfinished {
    out: PathBuf,
    names: &'static [&'static str],
    /// Where the files are made.
    pub(super) folder: PathBuf,
    /// The final folder was not there before.
    new: bool,
}

impl Unfinished {
    /// Begins files of these names in a folder, which is made where it is not there; the last name is
    /// given last.
    ///
    /// # Errors
    /// When one of the names is taken, or the folder cannot be made or written.
    pub(super) fn begin(out: &Path, names: &'static [&'static str]) -> Result<Self, Failure> {
        for name in names {
            free(&out.join(name))?;
        }
        let new = !out.exists();
        std::fs::create_dir_all(out).map_err(|error| cannot_create(out, error))?;
        let folder = out.join(format!("unfinished-{}", std::process::id()));
        let unfinished = Self { out: out.to_owned(), names, folder, new };
        std::fs::create_dir(&unfinished.folder)
            .map_err(|error| cannot_create(&unfinished.folder, error))?;
        Ok(unfinished)
    }

    /// Gives the files that were made their names.
    ///
    /// # Errors
    /// When a name was taken meanwhile, or a file cannot be moved; none has its name then.
    pub(super) fn keep(mut self) -> Result<(), Failure> {
        let mut moved = Vec::new();
        for name in self.names {
            let (from, to) = (self.folder.join(name), self.out.join(name));
            if !from.exists() {
                continue;
            }
            let done = free(&to).and_then(|()| {
                std::fs::rename(&from, &to).map_err(|error| cannot_create(&to, error))
            });
            if let Err(failure) = done {
                for path in moved {
                    std::fs::remove_file(path).ok();
                }
                return Err(failure);
            }
            moved.push(to);
        }
        self.new = false;
        Ok(())
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        // Whoever is told of a failure needs no second one.
        std::fs::remove_dir_all(&self.folder).ok();
        if self.new {
            // Only when nothing else has come into it.
            std::fs::remove_dir(&self.out).ok();
        }
    }
}

/// Fails where there is something of that name.
pub(super) fn free(path: &Path) -> Result<(), Failure> {
    match path.symlink_metadata() {
        Ok(_) => Err(cannot_create(path, "it is there already")),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(cannot_create(path, error)),
    }
}

/// Whether somebody wants the work to end. As long as it lives, SIGINT and SIGTERM do not end the
/// program, but a second SIGINT.
pub(super) struct Ending {
    code: Arc<AtomicU8>,
    _runtime: tokio::runtime::Runtime,
}

impl Ending {
    /// Listens from now on.
    ///
    /// # Errors
    /// When the system gives no signals.
    pub(super) fn listen() -> Result<Self, Failure> {
        let runtime = runtime()?;
        let code = Arc::new(AtomicU8::new(0));
        let entered = runtime.enter();
        let mut signals = Signals::listen()?;
        drop(entered);
        let told = Arc::clone(&code);
        runtime.spawn(async move {
            loop {
                // 128 and the signal's number, as a shell says of what a signal ended.
                let signal = if signals.next().await == Why::Terminate { 143 } else { 130 };
                if told.swap(signal, Ordering::Relaxed) == 130 && signal == 130 {
                    std::process::exit(130);
                }
            }
        });
        Ok(Self { code, _runtime: runtime })
    }

    /// Whether the work is to end.
    pub(super) fn wanted(&self) -> bool {
        self.code.load(Ordering::Relaxed) != 0
    }

    /// Fails when it is to end.
    ///
    /// # Errors
    /// Then.
    pub(super) fn check(&self) -> Result<(), Failure> {
        match self.code.load(Ordering::Relaxed) {
            0 => Ok(()),
            code => Err(Failure::new(code, "ended by a signal; nothing of it is kept")),
        }
    }
}

/// Says every few seconds how far a work is.
pub(super) struct Progress {
    what: &'static str,
    all: u64,
    state: Mutex<(u64, Instant)>,
}

impl Progress {
    pub(super) fn new(what: &'static str, all: u64) -> Self {
        Self { what, all, state: Mutex::new((0, Instant::now())) }
    }

    /// One more is begun.
    pub(super) fn step(&self) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let (begun, told) = *state;
        if told.elapsed() >= TOLD_EVERY {
            say(&format!("{}: {begun} of {}", self.what, self.all));
            state.1 = Instant::now();
        }
        state.0 = (begun + 1).min(self.all);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NAMES: &[&str] = &["a", "b"];

    fn folder(name: &str) -> PathBuf {
        let folder = std::env::temp_dir().join(format!("simmer-{name}-{}", std::process::id()));
        std::fs::remove_dir_all(&folder).ok();
        folder
    }

    #[test]
    fn files_get_their_names_when_all_are_whole_and_leave_nothing_before() {
        let out = folder("unfinished");
        let begun = Unfinished::begin(&out, NAMES).unwrap();
        std::fs::write(begun.folder.join("a"), "1").unwrap();
        assert!(!out.join("a").exists());
        drop(begun);
        assert!(!out.exists());
        let begun = Unfinished::begin(&out, NAMES).unwrap();
        std::fs::write(begun.folder.join("a"), "1").unwrap();
        begun.keep().unwrap();
        let names: Vec<_> = std::fs::read_dir(&out).unwrap().collect();
        assert_eq!((names.len(), std::fs::read(out.join("a")).unwrap()), (1, b"1".to_vec()));
        std::fs::remove_dir_all(&out).unwrap();
    }

    #[test]
    fn a_name_that_is_taken_is_said_at_once_and_left_alone() {
        let out = folder("taken");
        std::fs::create_dir(&out).unwrap();
        std::fs::write(out.join("b"), "old").unwrap();
        let failure = Unfinished::begin(&out, NAMES).map(|_| ()).unwrap_err();
        assert!(failure.message.contains("b: cannot create: it is there already"), "{failure:?}");
        std::fs::remove_file(out.join("b")).unwrap();
        let begun = Unfinished::begin(&out, NAMES).unwrap();
        for name in NAMES {
            std::fs::write(begun.folder.join(name), "new").unwrap();
        }
        // Somebody else was faster: neither file gets its name.
        std::fs::write(out.join("b"), "old").unwrap();
        assert!(begun.keep().is_err());
        assert!(!out.join("a").exists());
        assert_eq!(std::fs::read(out.join("b")).unwrap(), b"old");
        std::fs::remove_dir_all(&out).unwrap();
    }
}
