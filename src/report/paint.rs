//! The second pass over a session: figures of each exposure while its pulses come by, and the plotted
//! data beside them.

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::Path;

use super::ReportError;
use super::course::Course;
use super::course_data;
use super::spectrogram::Spectrogram;
use super::story::Story;
use super::svg::Picture;
use crate::session::read::{PulseRow, SessionFolder, SpectraFile};

/// Most exposures with figures in one report.
pub const MOST_FIGURES: usize = 200;

/// The figures of an exposure, as parts of the page.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// The four quantities against time.
    pub course: Option<String>,
    /// Spectra against time.
    pub spectrogram: Option<String>,
}

/// Spectra and where they belong.
struct Sounds {
    file: SpectraFile,
    bin_hz: f64,
    values: Vec<f32>,
    /// Pulses of the table so far, which are those of the file.
    next: u64,
    last: Option<u64>,
}

/// The exposure whose pulses come by.
struct Easel<'a> {
    at: usize,
    name: String,
    course: Course,
    spectrogram: Option<Spectrogram>,
    data: Option<(BufWriter<File>, &'a Path)>,
}

/// Draws the figures of every exposure; with a folder, also as files with their data.
///
/// # Errors
/// When the session cannot be read or a file cannot be written.
pub fn paint(
    folder: &SessionFolder,
    story: &mut Story,
    out: Option<&Path>,
) -> Result<Vec<Figures>, ReportError> {
    let mut figures = vec![Figures::default(); story.chapters.len()];
    let mut sounds = sounds(folder)?;
    let mut easel: Option<Easel<'_>> = None;
    story.turn_back();
    let mut pulses = folder.pulses()?;
    while let Some(row) = pulses.next_pulse()? {
        let place = story.follow(&row).filter(|at| *at < MOST_FIGURES);
        let index = sounds.as_mut().and_then(|sounds| sounds.count(&row));
        let Some(at) = place else { continue };
        if easel.as_ref().is_none_or(|easel| easel.at != at) {
            if let Some(done) = easel.take() {
                let at = done.at;
                figures[at] = done.finish(story, out)?;
            }
            easel = Some(Easel::set_up(at, story, sounds.as_ref(), out)?);
        }
        let Some(easel) = &mut easel else { continue };
        easel.take(&row, story)?;
        if let (Some(sounds), Some(index), Some(spectrogram)) =
            (&mut sounds, index, &mut easel.spectrogram)
            && sounds.file.read(index, &mut sounds.values)?
        {
            spectrogram.take(row.time_s, &sounds.values);
        }
    }
    if let Some(done) = easel {
        let at = done.at;
        figures[at] = done.finish(story, out)?;
    }
    Ok(figures)
}

fn sounds(folder: &SessionFolder) -> Result<Option<Sounds>, ReportError> {
    let Some(file) = folder.spectra()?.filter(|file| file.pulses > 0) else { return Ok(None) };
    let bin_hz = folder.about(&["axes", "bin_hz"]).as_f64().filter(|hz| *hz > 0.0);
    // A session without an end does not say how wide its bins are.
    let Some(bin_hz) = bin_hz else { return Ok(None) };
    Ok(Some(Sounds { file, bin_hz, values: Vec::new(), next: 0, last: None }))
}

impl Sounds {
    /// The place of a row's pulse in the file.
    fn count(&mut self, row: &PulseRow) -> Option<u64> {
        let pulse = row.pulse?;
        if self.last != Some(pulse) {
            self.last = Some(pulse);
            self.next += 1;
        }
        Some(self.next - 1)
    }
}

impl<'a> Easel<'a> {
    fn set_up(
        at: usize,
        story: &Story,
        sounds: Option<&Sounds>,
        out: Option<&'a Path>,
    ) -> Result<Self, ReportError> {
        let chapter = &story.chapters[at];
        let name = name(story, at);
        let data = match out {
            None => None,
            Some(folder) => {
                let path = folder.join(format!("{name}-course.csv"));
                let create = |error| ReportError::write(&path, error);
                let mut file = BufWriter::new(File::create(&path).map_err(create)?);
                writeln!(file, "{}", course_data::head()).map_err(create)?;
                Some((file, folder))
            }
        };
        Ok(Self {
            at,
            course: Course::new(chapter, story.margin_db),
            spectrogram: sounds.map(|sounds| {
                let shown = story.chapters.len().min(MOST_FIGURES);
                Spectrogram::new(chapter, shown, sounds.file.bins, sounds.bin_hz)
            }),
            name,
            data,
        })
    }

    fn take(&mut self, row: &PulseRow, story: &Story) -> Result<(), ReportError> {
        self.course.take(row);
        if let Some((file, folder)) = &mut self.data {
            let start_s = story.chapters[self.at].time_s.0;
            writeln!(file, "{}", course_data::row(row, start_s, &story.margin_db))
                .map_err(|error| ReportError::write(folder, error))?;
        }
        Ok(())
    }

    fn finish(self, story: &Story, out: Option<&Path>) -> Result<Figures, ReportError> {
        let chapter = &story.chapters[self.at];
        let course = self.course.picture(chapter);
        let spectrogram = match &self.spectrogram {
            None => None,
            Some(spectrogram) => spectrogram
                .picture(chapter)
                .map_err(|error| ReportError::Picture(error.to_string()))?,
        };
        if let Some((mut file, folder)) = self.data {
            file.flush().map_err(|error| ReportError::write(folder, error))?;
        }
        if let Some(folder) = out {
            let write = |ending: &str, text: &str| {
                let path = folder.join(format!("{}-{ending}", self.name));
                std::fs::write(&path, text).map_err(|error| ReportError::write(&path, error))
            };
            write("course.svg", &course.as_file())?;
            if let (Some(picture), Some(data)) = (&spectrogram, &self.spectrogram) {
                write("spectrogram.svg", &picture.as_file())?;
                write("spectrogram.csv", &data.data())?;
            }
        }
        Ok(Figures {
            course: Some(course.in_page()),
            spectrogram: spectrogram.as_ref().map(Picture::in_page),
        })
    }
}

/// The name of an exposure's files: its number, and which of that number where there are several.
fn name(story: &Story, at: usize) -> String {
    let number = story.chapters[at].number;
    let before = story.chapters[..at].iter().filter(|chapter| chapter.number == number).count();
    if before == 0 {
        format!("exposure-{number}")
    } else {
        format!("exposure-{number}-{}", before + 1)
    }
}
