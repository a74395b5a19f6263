//! A session folder as one self-contained HTML page: what was heard, what could have been heard, with
//! figures, settings and doses. No script, no outside request; prints on A4.
//!
//! In reading order: [`story`] one pass over the tables ([`drives`] pulses by drive, [`entries`] events
//! in words); [`paint`] a second pass that draws ([`course`] quantities against time with
//! [`course_data`] and [`scale`], [`spectrogram`] with [`cividis`], both in [`svg`]); [`page`] the document, [`summary`] its sentences, [`section`] one
//! exposure, [`words`] numbers with units, [`shapes`] the sign of each verdict. Memory does not grow with
//! the number of pulses: curves are thinned while they are read.
//!
//! Beside it [`tuning`]: what `tuning.json` holds as one page of the same kind; [`bubble`]: a bubble of the
//! simulated bench over drive as a picture.

pub mod bubble;
mod calibrated;
pub mod cividis;
pub mod course;
pub mod course_data;
pub mod drives;
pub mod entries;
pub mod page;
pub mod paint;
pub mod scale;
pub mod section;
pub mod shapes;
pub mod spectrogram;
pub mod story;
pub mod summary;
pub mod svg;
pub mod tuning;
pub mod words;

use std::path::Path;

use crate::session::read::{ReadError, SessionFolder};
use story::Story;

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The session cannot be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// A figure or its data cannot be written.
    #[error("{path}: cannot write: {source}")]
    Write {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// A picture cannot be encoded.
    #[error("the spectrogram cannot be encoded: {0}")]
    Picture(String),
}

impl ReportError {
    fn write(path: &Path, source: std::io::Error) -> Self {
        Self::Write { path: path.display().to_string(), source }
    }
}

/// Makes the report of a session; with a folder, also each figure as SVG and its data as CSV in it.
///
/// # Errors
/// Names file, line, column and value at fault, or the file that cannot be written.
pub fn make(folder: &SessionFolder, figures: Option<&Path>) -> Result<String, ReportError> {
    let settings = folder.settings()?;
    let mut story = Story::read(folder, settings.as_ref())?;
    if let Some(out) = figures {
        std::fs::create_dir_all(out).map_err(|source| ReportError::write(out, source))?;
    }
    let figures = paint::paint(folder, &mut story, figures)?;
    Ok(page::page(folder, &story, &figures)?)
}
