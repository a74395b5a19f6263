//! `simmer report`: a session folder as one HTML page.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::{CANNOT_CREATE, DATA, Failure, NO_INPUT, RUNNING, cannot_create, give, say};
use crate::report::{ReportError, make};
use crate::session::read::{ReadError, SessionFolder};

/// Which session, and where to.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer replay -c demo-data/config.toml --spectra --out out/reported \\
      demo-data/baseline.sigmf-meta demo-data/exposure.sigmf-meta
  simmer report out/reported --figures out/figures")]
pub struct Report {
    /// Session folder
    #[arg(value_name = "SESSION")]
    pub session: PathBuf,
    /// File to write [default: SESSION/report.html]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Also write each figure as SVG and the plotted data as CSV into this folder
    #[arg(long, value_name = "DIR")]
    pub figures: Option<PathBuf>,
    /// Write over files that are there already
    #[arg(long)]
    pub force: bool,
}

impl From<ReadError> for Failure {
    fn from(error: ReadError) -> Self {
        let code = match error {
            ReadError::NotFound(_) => NO_INPUT,
            ReadError::Unreadable { .. } => RUNNING,
            ReadError::Malformed { .. } => DATA,
        };
        Self::new(code, error.to_string())
    }
}

impl From<ReportError> for Failure {
    fn from(error: ReportError) -> Self {
        match error {
            ReportError::Read(error) => error.into(),
            ReportError::Write { .. } => Self::new(CANNOT_CREATE, error.to_string()),
            ReportError::Picture(_) => Self::new(RUNNING, error.to_string()),
        }
    }
}

impl Report {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let folder = SessionFolder::open(&self.session)?;
        let out = self.out.clone().unwrap_or_else(|| folder.file("report.html"));
        self.check_free(&out)?;
        let html = make(&folder, self.figures.as_deref())?;
        self.write(&out, &html)?;
        say(&format!("report in {}", out.display()));
        if let Some(figures) = &self.figures {
            say(&format!("figures in {}", figures.display()));
        }
        give("")?;
        Ok(0)
    }

    /// Nothing that is there is written over unasked; said before the work is done.
    fn check_free(&self, out: &Path) -> Result<(), Failure> {
        let occupied = |path: &Path, what: &str| {
            let why = format!("{}: {what}; --force writes over it", path.display());
            Err(Failure::new(CANNOT_CREATE, why))
        };
        if self.force {
            return Ok(());
        }
        if out.exists() {
            return occupied(out, "the file is there already");
        }
        let used = self.figures.as_deref().filter(|figures| {
            std::fs::read_dir(figures).is_ok_and(|mut entries| entries.next().is_some())
        });
        used.map_or(Ok(()), |figures| occupied(figures, "the folder is not empty"))
    }

    /// Writes to a file beside and moves it there, so that a report is whole or not there.
    fn write(&self, out: &Path, html: &str) -> Result<(), Failure> {
        let cannot = |error: std::io::Error| cannot_create(out, error);
        if let Some(folder) = out.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(cannot)?;
        }
        let mut name = out.file_name().unwrap_or_default().to_os_string();
        name.push(".part");
        let part = out.with_file_name(name);
        let written = std::fs::File::create(&part)
            .and_then(|mut file| file.write_all(html.as_bytes()))
            .and_then(|()| std::fs::rename(&part, out));
        written.map_err(|error| {
            // What is left of it is no report; the first fault is the one to tell.
            std::fs::remove_file(&part).ok();
            cannot(error)
        })
    }
}
