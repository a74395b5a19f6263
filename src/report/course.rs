//! The four quantities of an exposure against time, thinned to pixel columns as pulses come by: each
//! column keeps the least and the greatest level of its pulses, every verdict among them, and whether a
//! pulse stood over its limit, so nothing that passed can get lost between columns.

use std::fmt::Write as _;

use super::entries::{Entry, Sign};
use super::scale::{PANEL, Scale};
use super::story::Chapter;
use super::svg::{COLUMNS, LEFT, PLOT, Picture, Place, short, tick, ticks};
use super::words::{self, trimmed};
use crate::detect::Verdict;
use crate::session::read::PulseRow;
use crate::signal::{PerQuantity, Quantity, as_f64};

/// Heights of the parts.
const LEGEND: f64 = 36.0;
const SIGNS: f64 = 28.0;
const DRIVE: f64 = 44.0;
const GAP: f64 = 11.0;
const LANE: f64 = 14.0;

/// A verdict and the lines it is drawn of: class, and how far from the middle of its lane.
type Lane = (Verdict, &'static [(&'static str, f64)]);

/// The lanes of verdicts, loudest first; they differ by pattern as well as by colour.
const LANES: [Lane; 4] = [
    // Filled; filled with strokes; dotted; a grid.
    (Verdict::Inertial, &[("vi", 0.0)]),
    (Verdict::Stable, &[("vs", 0.0), ("vt", 0.0)]),
    (Verdict::NotDetected, &[("vn", 0.0), ("vo", -2.5), ("vo", 2.5)]),
    (Verdict::Indeterminate, &[("vq", 0.0), ("vr", -5.5), ("vr", 0.0), ("vr", 5.5)]),
];

/// Values of one quantity in a column.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Level {
    range: Option<(f64, f64)>,
    limit: Option<f64>,
    hear: Option<f64>,
    together: Option<f64>,
    over: bool,
}

/// A pixel column; empty ones hold no pulse.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Cell {
    pulses: u64,
    verdicts: [bool; 4],
    drive_mpa: Option<(f64, f64)>,
    levels: PerQuantity<Level>,
}

impl Cell {
    /// Whether pulses came and none of them could be heard.
    fn is_deaf(&self) -> bool {
        let [quiet, stable, inertial, deaf] = self.verdicts;
        deaf && !(quiet || stable || inertial)
    }
}

/// A course while pulses come by.
pub struct Course {
    start_s: f64,
    span_s: f64,
    period_s: f64,
    margin_db: PerQuantity<f64>,
    cells: Vec<Cell>,
}

/// Heights this close are drawn as one.
const SAME: f64 = 0.3;

/// A height that stays the same over neighbours: from, to, height.
type Run = (f64, f64, f64);

fn widen(range: &mut Option<(f64, f64)>, value: Option<f64>) {
    if let Some(value) = value {
        let (low, high) = range.unwrap_or((value, value));
        *range = Some((low.min(value), high.max(value)));
    }
}

fn greater(old: Option<f64>, new: Option<f64>) -> Option<f64> {
    match (old, new) {
        (Some(old), Some(new)) => Some(old.max(new)),
        (old, new) => old.or(new),
    }
}

impl Course {
    /// An empty one for an exposure; `margin_db` is added to limits, as pulses are judged.
    #[must_use]
    pub fn new(chapter: &Chapter, margin_db: PerQuantity<f64>) -> Self {
        let span_s = chapter.span_s();
        Self {
            start_s: chapter.time_s.0,
            span_s,
            period_s: chapter.period_s.unwrap_or(span_s),
            margin_db,
            cells: vec![Cell::default(); COLUMNS],
        }
    }

    /// Takes a pulse.
    pub fn take(&mut self, row: &PulseRow) {
        let share = (row.time_s - self.start_s + 0.5 * self.period_s) / self.span_s;
        let cell = &mut self.cells[column(share, COLUMNS)];
        cell.pulses += 1;
        if let Some(verdict) = row.verdict {
            cell.verdicts[verdict as usize] = true;
        }
        widen(&mut cell.drive_mpa, row.drive_mpa);
        for quantity in Quantity::ALL {
            let level = &mut cell.levels[quantity];
            let detect = row.detect_db[quantity];
            let limit = row.limit_db[quantity].map(|limit| limit + self.margin_db[quantity]);
            widen(&mut level.range, detect);
            level.over |= detect.zip(limit).is_some_and(|(detect, limit)| detect > limit);
            level.limit = greater(level.limit, limit);
            if row.verdict != Some(Verdict::Indeterminate) {
                level.hear = greater(level.hear, row.hear_db[quantity]);
                level.together = greater(level.together, row.hear_cumulative_db[quantity]);
            }
        }
    }

    /// Where a column is, and half of what a pulse takes of the width.
    fn half_width(&self) -> f64 {
        (0.5 * self.period_s / self.span_s * PLOT).max(0.5)
    }

    fn x(column: usize) -> f64 {
        LEFT + (as_f64(column) + 0.5) * PLOT / as_f64(COLUMNS)
    }

    /// Runs of about one height over neighbouring pulses.
    fn runs(&self, height: impl Fn(&Cell) -> Option<f64>) -> Vec<Run> {
        let half = self.half_width();
        let mut runs: Vec<Run> = Vec::new();
        for (i, cell) in self.cells.iter().enumerate().filter(|(_, cell)| cell.pulses > 0) {
            let Some(value) = height(cell) else { continue };
            let x = Self::x(i);
            let from = (x - half).max(LEFT);
            let to = (x + half).min(LEFT + PLOT);
            match runs.last_mut() {
                Some(run) if from - run.1 < 1.5 && (run.2 - value).abs() < SAME => run.1 = to,
                _ => {
                    // Columns are whole units wide, pulses need not be: no overlap.
                    let from = runs.last().map_or(from, |run| from.max(run.1.min(x)));
                    runs.push((from, to, value));
                }
            }
        }
        runs
    }

    /// The picture.
    #[must_use]
    pub fn picture(&self, chapter: &Chapter) -> Picture {
        let title = format!(
            "Exposure {}: the four quantities over baseline, drive and verdicts against time",
            chapter.number
        );
        let mut picture = Picture::new(&title);
        legend(&mut picture);
        let top = LEGEND + SIGNS;
        let panels_top = top + DRIVE + GAP;
        let lanes_top = panels_top + 4.0 * (PANEL + GAP);
        let bottom = lanes_top + 4.0 * LANE;
        let (first, last) = (chapter.pulses.0, chapter.last_pulse());
        let label = format!(" (pulses {first} to {last})");
        picture.time_axis(top, bottom, self.span_s, &label);
        self.drive(&mut picture, top);
        for (i, quantity) in Quantity::SPOKEN.into_iter().enumerate() {
            let y = panels_top + as_f64(i) * (PANEL + GAP);
            self.panel(&mut picture, quantity, y);
        }
        self.lanes(&mut picture, lanes_top, chapter);
        self.signs(&mut picture, &chapter.entries, bottom);
        picture.set_height(bottom + 38.0);
        picture
    }

    fn drive(&self, picture: &mut Picture, top: f64) {
        let ranges = self.cells.iter().filter_map(|cell| cell.drive_mpa);
        let high = ranges.map(|(_, high)| high).fold(0.0, f64::max);
        let high = if high > 0.0 { 1.1 * high } else { 1.0 };
        let y = |mpa: f64| top + DRIVE * (1.0 - mpa / high);
        picture.text("b", 4.0, top + 12.0, "drive");
        picture.text("d s", 4.0, top + 25.0, "MPa");
        axis(picture, top, DRIVE, &ticks(0.0, high, 3), y);
        let runs = self.runs(|cell| cell.drive_mpa.map(|(_, high)| y(high)));
        picture.path("w", &steps(&runs));
        let mut shown = f64::NEG_INFINITY;
        for (from, to, height) in runs {
            let middle = f64::midpoint(from, to);
            if to - from > 30.0 && middle - shown > 34.0 {
                let mpa = high * (1.0 - (height - top) / DRIVE);
                let at = if height - 3.0 < top + 9.0 { height + 11.0 } else { height - 3.0 };
                picture.text("m s", middle, at, &trimmed(mpa, 3));
                shown = middle;
            }
        }
    }

    /// The scale of a quantity: about linear around 0 up to the detection limit, then ever denser, so
    /// that a limit of half a decibel is seen beside a burst of twenty.
    fn scale(&self, quantity: Quantity, top: f64) -> Scale {
        let (mut low, mut high, mut knee) = (0.0_f64, 0.0_f64, 0.0_f64);
        for cell in &self.cells {
            let level = &cell.levels[quantity];
            let (least, most) = level.range.unwrap_or((0.0, 0.0));
            knee = knee.max(level.hear.unwrap_or(0.0));
            low = low.min(least);
            high = high.max(most).max(level.hear.unwrap_or(0.0)).max(level.limit.unwrap_or(0.0));
        }
        let knee = if knee > 0.0 { knee.clamp(0.2, 5.0) } else { 1.0 };
        Scale::new(low.min(-0.4 * knee), high.max(1.2 * knee), knee, top)
    }

    fn panel(&self, picture: &mut Picture, quantity: Quantity, top: f64) {
        let scale = self.scale(quantity, top);
        let y = |db: f64| scale.y(db);
        picture.text("b", 4.0, top + 12.0, quantity.name());
        picture.text("d s", 4.0, top + 25.0, "dB over");
        picture.text("d s", 4.0, top + 36.0, "baseline");
        let level = |cell: &Cell| cell.levels[quantity];
        for (from, to, above) in self.runs(|cell| level(cell).hear.map(y)) {
            let height = y(0.0) - above;
            picture.strokes(Place { x: from, y: above, width: to - from, height });
        }
        for (from, to, _) in self.runs(|cell| cell.is_deaf().then_some(0.0)) {
            picture.strokes(Place { x: from, y: top, width: to - from, height: PANEL });
        }
        axis(picture, top, PANEL, &scale.ticks(), y);
        picture.path("z", &format!("M{LEFT} {}H{}", short(y(0.0)), LEFT + PLOT));
        let together = |cell: &Cell| level(cell).together.filter(|db| *db <= scale.high);
        picture.path("o", &steps(&self.runs(|cell| level(cell).hear.map(y))));
        picture.path("l", &steps(&self.runs(|cell| level(cell).limit.map(y))));
        picture.path("c", &steps(&self.runs(|cell| together(cell).map(y))));
        picture.path("v", &self.curve(quantity, y));
        let over = self.runs(|cell| level(cell).over.then_some(top + 2.0));
        picture.path("p", &steps(&over));
        if self.cells.iter().all(|cell| level(cell).range.is_none()) {
            let words = "no numbers: no baseline at these drives";
            picture.text("m d", LEFT + PLOT / 2.0, top + PANEL / 2.0, words);
        }
    }

    /// Through the least and the greatest level of each column; broken where no pulses came.
    fn curve(&self, quantity: Quantity, y: impl Fn(f64) -> f64) -> String {
        let columns_per_period = self.period_s / self.span_s * as_f64(COLUMNS);
        let apart = (2.5 * columns_per_period).max(2.5);
        let (mut path, mut before): (String, Option<usize>) = (String::new(), None);
        for (i, cell) in self.cells.iter().enumerate() {
            let Some((low, high)) = cell.levels[quantity].range else { continue };
            let near = before.is_some_and(|before| as_f64(i - before) <= apart);
            let x = short(Self::x(i));
            write!(path, "{}{x} {}", if near { "L" } else { "M" }, short(y(low))).ok();
            // A round cap needs a length, so that a lone pulse is seen.
            let top = if near { y(high) } else { y(high).min(y(low) - 0.8) };
            if cell.pulses > 1 || !near {
                write!(path, "V{}", short(top)).ok();
            }
            before = Some(i);
        }
        path
    }

    fn lanes(&self, picture: &mut Picture, top: f64, chapter: &Chapter) {
        for (i, (verdict, lines)) in LANES.into_iter().enumerate() {
            let y = top + (as_f64(i) + 0.5) * LANE;
            picture.text("b s", 4.0, y + 3.0, words::verdict(verdict));
            for (class, off) in lines {
                let place = y + off;
                let runs = self.runs(|cell| cell.verdicts[verdict as usize].then_some(place));
                let apart: String = runs
                    .iter()
                    .map(|(from, to, y)| {
                        format!("M{} {}H{}", short(*from), short(*y), short(to.max(from + 1.0)))
                    })
                    .collect();
                picture.path(class, &apart);
            }
            let count = chapter.verdicts[verdict as usize];
            picture.text("s", LEFT + PLOT + 6.0, y + 3.0, &words::count(count, "pulse"));
        }
        let place = Place { x: LEFT, y: top, width: PLOT, height: 4.0 * LANE };
        picture.rect("a", place, None);
    }

    /// Alarms and marks with the number they have in the table; injections through all panels.
    fn signs(&self, picture: &mut Picture, entries: &[Entry], bottom: f64) {
        picture.text("b s", 4.0, LEGEND + 11.0, "alarms, marks");
        let mut rows = [f64::NEG_INFINITY; 2];
        for (i, entry) in entries.iter().enumerate() {
            let Some(time_s) = entry.time_s else { continue };
            let share = ((time_s - self.start_s) / self.span_s).clamp(0.0, 1.0);
            let x = LEFT + share * PLOT;
            let top = LEGEND + SIGNS;
            let foot = match entry.sign {
                Sign::Injection => bottom,
                _ => top,
            };
            let Some(row) = rows.iter().position(|end| x - end > 14.0) else {
                picture.path("x", &format!("M{} {}V{}", short(x), short(top - 4.0), short(foot)));
                continue;
            };
            rows[row] = x;
            let y = LEGEND + 6.0 + 13.0 * as_f64(row);
            picture.path("x", &format!("M{} {}V{}", short(x), short(y), short(foot)));
            sign(picture, entry.sign, x, y);
            let class = match entry.sign {
                Sign::Stop | Sign::Injection => "r",
                Sign::Warning | Sign::Other => "i",
            };
            picture.text(class, x, y + 3.2, &(i + 1).to_string());
        }
    }
}

/// A stop alarm is a filled box, a warning an open one, an injection points down, the rest is round.
fn sign(picture: &mut Picture, sign: Sign, x: f64, y: f64) {
    let place = Place { x: x - 6.5, y: y - 6.0, width: 13.0, height: 12.0 };
    match sign {
        Sign::Stop => picture.rect("q", place, None),
        Sign::Warning => picture.rect("n", place, None),
        Sign::Injection => {
            let d = format!("M{} {}h16l-8 14z", short(x - 8.0), short(y - 6.0));
            picture.path("k", &d);
        }
        Sign::Other => {
            let d = format!("M{} {}a6 6 0 1 0 12 0a6 6 0 1 0 -12 0z", short(x - 6.0), short(y));
            picture.path("n", &d);
        }
    }
}

fn legend(picture: &mut Picture) {
    let mut x = 4.0;
    let entries: [(&str, &str, f64); 5] = [
        ("v", "detection level (least to greatest of a column)", 280.0),
        ("l", "limit of one pulse, with margin", 200.0),
        ("p", "a pulse stood over it", 0.0),
        ("o", "below the detection limit of one pulse", 280.0),
        ("c", "detection limit of all pulses at this drive together", 0.0),
    ];
    for (i, (class, text, width)) in entries.into_iter().enumerate() {
        let y = if i < 3 { 8.0 } else { 24.0 };
        if i == 3 {
            x = 4.0;
        }
        match class {
            "o" => {
                picture.strokes(Place { x, y: y - 5.0, width: 22.0, height: 10.0 });
                picture.path("o", &format!("M{x} {}h22", y - 5.0));
            }
            class => picture.path(class, &format!("M{x} {y}h22")),
        }
        picture.text("s", x + 27.0, y + 3.5, text);
        x += width;
    }
}

fn axis(picture: &mut Picture, top: f64, height: f64, at: &[f64], y: impl Fn(f64) -> f64) {
    let mut grid = String::new();
    for value in at {
        let place = y(*value);
        write!(grid, "M{LEFT} {}h{PLOT}", short(place)).ok();
        picture.text("e s", LEFT - 5.0, place + 3.5, &tick(*value));
    }
    picture.path("g", &grid);
    let frame = format!("M{LEFT} {}h{PLOT}v{height}h-{PLOT}z", short(top));
    picture.path("a", &frame);
}

/// Runs as a line, broken where there is nothing between them.
fn steps(runs: &[Run]) -> String {
    let (mut path, mut end) = (String::new(), f64::NEG_INFINITY);
    for (from, to, height) in runs {
        let start = if from - end < 1.5 { "L" } else { "M" };
        // Writing into a string cannot fail.
        write!(path, "{start}{} {}H{}", short(*from), short(*height), short(*to)).ok();
        end = *to;
    }
    path
}

/// The column of a share of the width.
#[must_use]
pub fn column(share: f64, columns: usize) -> usize {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the columns"
    )]
    let at = (share * as_f64(columns)).floor().max(0.0) as usize;
    at.min(columns.saturating_sub(1))
}
