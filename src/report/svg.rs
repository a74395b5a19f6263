//! Pictures in SVG: text, boxes, strokes, a time axis, ticks. A picture, or a row of small ones, is 760
//! units wide, about the width of A4 between its margins, so that 11 units of type print at 8 points.

use std::fmt::Write as _;

use super::words::{escape, trimmed};

/// Width of a picture that stands alone.
pub const WIDTH: f64 = 760.0;
/// Left of the plot.
pub const LEFT: f64 = 112.0;
/// Width of the plot; also the number of pixel columns that curves are thinned to.
pub const PLOT: f64 = 576.0;
/// The same as a count.
pub const COLUMNS: usize = 576;

/// What a picture's classes look like; stands in the page once, and in each picture of its own.
pub const STYLE: &str = include_str!("figure.css");

/// A picture under construction.
pub struct Picture {
    /// What is drawn so far.
    pub body: String,
    width: f64,
    height: f64,
    title: String,
}

impl Picture {
    /// An empty one.
    #[must_use]
    pub fn new(title: &str) -> Self {
        Self::of_width(title, WIDTH)
    }

    /// An empty one that stands beside others.
    #[must_use]
    pub fn of_width(title: &str, width: f64) -> Self {
        Self { body: String::new(), width, height: 0.0, title: title.to_owned() }
    }

    /// Its height, known when everything is drawn.
    pub const fn set_height(&mut self, height: f64) {
        self.height = height;
    }

    /// Text of a class at a place.
    pub fn text(&mut self, class: &str, x: f64, y: f64, text: &str) {
        // Writing into a string cannot fail.
        write!(
            self.body,
            "<text class=\"{class}\" x=\"{}\" y=\"{}\">{}</text>",
            short(x),
            short(y),
            escape(text)
        )
        .ok();
    }

    /// A box filled by class or by a hatch.
    pub fn rect(&mut self, class: &str, place: Place, fill: Option<&str>) {
        let Place { x, y, width, height } = place;
        let fill = fill.map_or_else(String::new, |fill| format!(" fill=\"{fill}\""));
        write!(
            self.body,
            "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"{fill}/>",
            short(x),
            short(y),
            short(width),
            short(height)
        )
        .ok();
    }

    /// A band of upright strokes, which prints as lines where a pattern would print as a picture; the
    /// strokes of neighbours line up.
    pub fn strokes(&mut self, place: Place) {
        let Place { x, y, width, height } = place;
        if height < 0.3 || width <= 0.0 {
            return;
        }
        write!(
            self.body,
            "<path class=\"h\" d=\"M{} {}h{}\" stroke-width=\"{}\" stroke-dashoffset=\"{}\"/>",
            short(x),
            short(y + height / 2.0),
            short(width),
            short(height),
            short(x.rem_euclid(4.0))
        )
        .ok();
    }

    /// A path of a class; nothing is drawn of an empty one.
    pub fn path(&mut self, class: &str, d: &str) {
        if !d.is_empty() {
            write!(self.body, "<path class=\"{class}\" d=\"{d}\"/>").ok();
        }
    }

    /// The time axis under a plot, with a grid through everything from `top`.
    pub fn time_axis(&mut self, top: f64, bottom: f64, span_s: f64, label: &str) {
        let (unit_s, unit) = if span_s > 600.0 { (60.0, "min") } else { (1.0, "s") };
        let mut grid = String::new();
        for value in ticks(0.0, span_s / unit_s, 9) {
            let x = LEFT + value * unit_s / span_s * PLOT;
            write!(grid, "M{} {}V{}", short(x), short(top), short(bottom + 4.0)).ok();
            self.text("m", x, bottom + 16.0, &tick(value));
        }
        self.path("g", &grid);
        let label = format!("time since the exposure began, {unit}{label}");
        self.text("m d", LEFT + PLOT / 2.0, bottom + 31.0, &label);
    }

    /// The picture as part of a page.
    #[must_use]
    pub fn in_page(&self) -> String {
        self.whole("", "")
    }

    /// The picture as a file of its own.
    #[must_use]
    pub fn as_file(&self) -> String {
        let ground = format!(
            "<style>{STYLE}</style><rect width=\"{}\" height=\"{}\" fill=\"#fff\"/>",
            short(self.width),
            short(self.height)
        );
        format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n",
            self.whole(" xmlns=\"http://www.w3.org/2000/svg\"", &ground)
        )
    }

    fn whole(&self, space: &str, ground: &str) -> String {
        format!(
            "<svg{space} class=\"figure\" viewBox=\"0 0 {} {}\" role=\"img\"><title>{}</title>{ground}{}</svg>",
            short(self.width),
            short(self.height),
            escape(&self.title),
            self.body
        )
    }
}

/// Where a box is.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Left.
    pub x: f64,
    /// Top.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
}

/// A coordinate to a tenth of a unit.
#[must_use]
pub fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Round values from `low` to `high`, about `wanted` of them, in steps of 1, 2 or 5 of a decade.
#[must_use]
pub fn ticks(low: f64, high: f64, wanted: u8) -> Vec<f64> {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return Vec::new();
    }
    let raw = span / f64::from(wanted.max(1));
    let decade = 10_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|n| n * decade).into_iter().find(|step| *step >= raw);
    let step = step.unwrap_or(10.0 * decade);
    let first = (low / step).ceil();
    (0..100_u32)
        .map(|i| (first + f64::from(i)) * step)
        .take_while(|value| *value <= high + 1e-9 * span)
        .collect()
}

/// Round values from `low` to `high` on a logarithmic axis, all above 0; evenly spaced ones where the
/// axis is too short for 1, 2 and 5 of a decade.
#[must_use]
pub fn log_ticks(low: f64, high: f64) -> Vec<f64> {
    if !(low > 0.0 && high > low && high.is_finite()) {
        return Vec::new();
    }
    let inside = |value: &f64| (low..=high).contains(value);
    let mut all = Vec::new();
    let mut decade = 10_f64.powf(low.log10().floor());
    while decade <= high && all.len() < 60 {
        all.extend([1.0, 2.0, 5.0].map(|n| n * decade).into_iter().filter(inside));
        decade *= 10.0;
    }
    if all.len() < 3 { ticks(low, high, 5) } else { all }
}

/// A tick's number.
#[must_use]
pub fn tick(value: f64) -> String {
    if value.abs() < 1e-12 {
        return "0".to_owned();
    }
    trimmed(value, 4)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(low: f64, high: f64, wanted: u8, expected: &[&str]) {
        let found: Vec<String> = ticks(low, high, wanted).into_iter().map(tick).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn ticks_are_round() {
        check(0.0, 22.0, 9, &["0", "5", "10", "15", "20"]);
        check(-0.3, 0.7, 4, &["0", "0.5"]);
        check(-17.0, 18.0, 4, &["−10", "0", "10"]);
        check(0.0, 0.0, 4, &[]);
        check(0.0, f64::INFINITY, 4, &[]);
    }

    #[test]
    fn logarithmic_ticks_are_round_and_above_zero() {
        let texts = |low, high| log_ticks(low, high).into_iter().map(tick).collect::<Vec<_>>();
        assert_eq!(texts(0.05, 1.0), ["0.05", "0.1", "0.2", "0.5", "1"]);
        assert_eq!(texts(0.12, 0.19), ["0.12", "0.14", "0.16", "0.18"]);
        assert!(texts(0.0, 1.0).is_empty() && texts(1.0, 1.0).is_empty());
    }

    #[test]
    fn coordinates_are_short() {
        assert_eq!([short(3.0), short(-0.01), short(2.345)], ["3", "0", "2.3"]);
    }
}
