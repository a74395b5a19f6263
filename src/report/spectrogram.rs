//! A spectrogram of an exposure: the loudest of the pulses, bins and channels that share a point, as a
//! PNG in cividis with axes and colour bar in SVG. The loudest, so that nothing heard gets lost.

use std::fmt::Write as _;

use base64::Engine as _;

use super::cividis::colour;
use super::course::column;
use super::story::Chapter;
use super::svg::{COLUMNS, LEFT, PLOT, Picture, Place, short, tick, ticks};
use crate::signal::as_f64;

/// Height of the plot.
const HEIGHT: f64 = 184.0;
const TOP: f64 = 10.0;

/// Colours of the map that are used; code 0 is paper, where no pulse came.
const SHADES: u8 = 63;

/// Points of a picture of its full height.
const ROWS: usize = 240;

/// Exposures whose pictures keep all their points; with more, each has fewer, so that the page stays
/// small.
const FULL_PICTURES: usize = 12;

/// A spectrogram while pulses come by.
pub struct Spectrogram {
    start_s: f64,
    span_s: f64,
    period_s: f64,
    columns: usize,
    rows: usize,
    /// Row of each bin.
    row_of: Vec<usize>,
    bin_hz: f64,
    /// dB, column after column, each from the lowest frequency up; NaN where nothing came.
    points: Vec<f32>,
    last: Option<(usize, f64)>,
}

impl Spectrogram {
    /// An empty one.
    #[must_use]
    pub fn new(chapter: &Chapter, exposures: usize, bins: usize, bin_hz: f64) -> Self {
        let span_s = chapter.span_s();
        let period_s = chapter.period_s.unwrap_or(span_s);
        let pulses = (span_s / period_s).round().clamp(1.0, as_f64(COLUMNS));
        let columns = column((pulses - 0.5) / as_f64(COLUMNS), COLUMNS) + 1;
        let share = exposures.div_ceil(FULL_PICTURES).max(1);
        let rows = (ROWS / share).max(40).min(bins.max(1));
        let row_of = (0..bins).map(|bin| bin * rows / bins.max(1)).collect();
        let points = vec![f32::NAN; columns * rows];
        let start_s = chapter.time_s.0;
        Self { start_s, span_s, period_s, columns, rows, row_of, bin_hz, points, last: None }
    }

    /// Takes a pulse: channel after channel, a number a bin, dB.
    pub fn take(&mut self, time_s: f64, spectra: &[f32]) {
        let share = (time_s - self.start_s + 0.5 * self.period_s) / self.span_s;
        let at = column(share, self.columns);
        let points = &mut self.points[at * self.rows..(at + 1) * self.rows];
        for channel in spectra.chunks(self.row_of.len().max(1)) {
            for (row, db) in self.row_of.iter().zip(channel) {
                // The greater; a number wins over none.
                points[*row] = points[*row].max(*db);
            }
        }
        self.bridge(at, time_s);
        self.last = Some((at, time_s));
    }

    /// Times that are not quite even leave a column out now and then: it shows the pulse before.
    fn bridge(&mut self, at: usize, time_s: f64) {
        if let Some((before, then_s)) = self.last
            && at == before + 2
            && time_s - then_s < 1.7 * self.period_s.max(self.span_s / as_f64(self.columns))
        {
            self.points.copy_within(
                before * self.rows..(before + 1) * self.rows,
                (before + 1) * self.rows,
            );
        }
    }

    /// Least and greatest dB of the colours: all but the quietest 1 % and the loudest 0.5 % of points.
    fn range_db(&self) -> Option<(f64, f64)> {
        let mut finite: Vec<f32> =
            self.points.iter().copied().filter(|db| db.is_finite()).collect();
        if finite.is_empty() {
            return None;
        }
        let last = finite.len() - 1;
        let low = *finite.select_nth_unstable_by(last / 100, f32::total_cmp).1;
        let high = *finite.select_nth_unstable_by(last - last / 200, f32::total_cmp).1;
        let (low, high) = (f64::from(low).floor(), f64::from(high).ceil());
        Some((low, if high > low { high } else { low + 1.0 }))
    }

    /// The picture; nothing when no pulse of the exposure has numbers.
    ///
    /// # Errors
    /// When the PNG cannot be made.
    pub fn picture(&self, chapter: &Chapter) -> Result<Option<Picture>, png::EncodingError> {
        let Some((low, high)) = self.range_db() else { return Ok(None) };
        let title = format!("Exposure {}: spectra against time", chapter.number);
        let mut picture = Picture::new(&title);
        let image = base64::engine::general_purpose::STANDARD.encode(self.png(low, high)?);
        // Writing into a string cannot fail.
        write!(
            picture.body,
            "<image x=\"{LEFT}\" y=\"{TOP}\" width=\"{PLOT}\" height=\"{HEIGHT}\" preserveAspectRatio=\"none\" style=\"image-rendering:pixelated\" href=\"data:image/png;base64,{image}\"/>"
        )
        .ok();
        self.axes(&mut picture);
        colour_bar(&mut picture, low, high);
        let label = format!(" (pulses {} to {})", chapter.pulses.0, chapter.last_pulse());
        picture.time_axis(TOP + HEIGHT, TOP + HEIGHT, self.span_s, &label);
        picture.set_height(TOP + HEIGHT + 38.0);
        Ok(Some(picture))
    }

    fn top_hz(&self) -> f64 {
        as_f64(self.row_of.len()) * self.bin_hz
    }

    fn axes(&self, picture: &mut Picture) {
        picture.text("b", 4.0, TOP + 12.0, "frequency");
        picture.text("d s", 4.0, TOP + 25.0, "MHz");
        let top_mhz = self.top_hz() / 1e6;
        let mut marks = String::new();
        for value in ticks(0.0, top_mhz, 6) {
            let y = TOP + HEIGHT * (1.0 - value / top_mhz);
            write!(marks, "M{} {}h4", LEFT - 4.0, short(y)).ok();
            picture.text("e s", LEFT - 7.0, y + 3.5, &tick(value));
        }
        picture.path("a", &marks);
        picture.path("a", &format!("M{LEFT} {TOP}h{PLOT}v{HEIGHT}h-{PLOT}z"));
    }

    /// An indexed PNG, highest frequency on top.
    fn png(&self, low: f64, high: f64) -> Result<Vec<u8>, png::EncodingError> {
        let size = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let mut codes = Vec::with_capacity(self.points.len());
        for row in (0..self.rows).rev() {
            for at in 0..self.columns {
                codes.push(code(self.points[at * self.rows + row], low, high));
            }
        }
        let mut palette = vec![255, 255, 255];
        for shade in 0..SHADES {
            palette.extend(colour(f64::from(shade) / f64::from(SHADES - 1)));
        }
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, size(self.columns), size(self.rows));
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_palette(palette);
        encoder.set_compression(png::Compression::High);
        encoder.set_filter(png::Filter::NoFilter);
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&codes)?;
        writer.finish()?;
        Ok(bytes)
    }

    /// The points as a table: a row a band of bins with its lowest frequency, a column a time, dB.
    #[must_use]
    pub fn data(&self) -> String {
        let mut text = "from_frequency_hz".to_owned();
        for at in 0..self.columns {
            write!(text, ",{:e}", self.span_s * as_f64(at) / as_f64(self.columns)).ok();
        }
        text.push('\n');
        for row in 0..self.rows {
            let first = self.row_of.iter().position(|found| *found == row).unwrap_or(0);
            write!(text, "{:e}", as_f64(first) * self.bin_hz).ok();
            for at in 0..self.columns {
                match self.points[at * self.rows + row] {
                    db if db.is_finite() => write!(text, ",{db:e}").ok(),
                    _ => write!(text, ",").ok(),
                };
            }
            text.push('\n');
        }
        text
    }
}

/// The shade of a level; 0 where there is none.
fn code(db: f32, low: f64, high: f64) -> u8 {
    if db.is_nan() {
        return 0;
    }
    let share = (f64::from(db) - low) / (high - low);
    let shade = column(share.clamp(0.0, 1.0), usize::from(SHADES));
    u8::try_from(shade).unwrap_or(SHADES - 1) + 1
}

fn colour_bar(picture: &mut Picture, low: f64, high: f64) {
    let x = LEFT + PLOT + 10.0;
    let height = (HEIGHT - 34.0) / f64::from(SHADES);
    let top = TOP + 34.0;
    for shade in 0..SHADES {
        let [r, g, b] = colour(f64::from(shade) / f64::from(SHADES - 1));
        let y = top + height * f64::from(SHADES - 1 - shade);
        let fill = format!("#{r:02x}{g:02x}{b:02x}");
        let place = Place { x, y, width: 12.0, height: height + 0.4 };
        picture.rect("y", place, Some(&fill));
    }
    picture.text("d s", x, TOP + 9.0, "dB re");
    picture.text("d s", x, TOP + 21.0, "1 V²/Hz");
    for value in ticks(low, high, 6) {
        let y = top + (HEIGHT - 34.0) * (high - value) / (high - low);
        picture.path("a", &format!("M{} {}h3", short(x + 12.0), short(y)));
        picture.text("s", x + 17.0, y + 3.5, &tick(value));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loudest_stays_and_no_number_is_paper() {
        assert_eq!(code(f32::NAN, -140.0, -80.0), 0);
        assert_eq!(code(f32::NEG_INFINITY, -140.0, -80.0), 1);
        assert_eq!(code(-80.0, -140.0, -80.0), SHADES);
        assert_eq!(code(0.0, -140.0, -80.0), SHADES);
    }
}
