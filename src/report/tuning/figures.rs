//! The small pictures of a quantity on one channel: how quiet pulses lie under the limit, the ROC curve,
//! the onset over drive; each with the data it is drawn of.

use std::fmt::Write as _;

use serde_json::Value;

use super::read::{above_zero, channel, digits, list, mpa, name, real, text, two, whole};
use crate::report::svg::{Picture, Place, log_ticks, short, tick, ticks};
use crate::report::words::{UNKNOWN, number};
use crate::signal::as_f64;

/// Widths of the three that stand side by side.
const STRIP: f64 = 240.0;
const ROC: f64 = 208.0;
const ONSET: f64 = 296.0;

/// Height of a row of the strip, and most of them.
const ROW: f64 = 15.0;
const MOST_ROWS: usize = 24;

/// Side of a plot.
const SIDE: f64 = 150.0;

/// Points of a fitted curve.
const CURVE: u8 = 61;

/// Labels of a logarithmic axis stand at least this far apart.
const APART: f64 = 30.0;

/// A picture with its data.
pub(super) struct Figure {
    /// What it is, as part of a file name.
    pub(super) kind: &'static str,
    pub(super) picture: Picture,
    pub(super) csv: String,
}

/// A cell of a table for other programs.
pub(super) fn cell(value: &Value) -> String {
    if let Some(whole) = value.as_u64() {
        return whole.to_string();
    }
    if let Some(value) = real(value) {
        return format!("{value:e}");
    }
    let text = text(value);
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// A row of such a table.
pub(super) fn line(entry: &Value, keys: &[&str]) -> String {
    let cells: Vec<String> = keys.iter().map(|key| cell(&entry[*key])).collect();
    cells.join(",") + "\n"
}

fn title(what: &str, entry: &Value) -> String {
    format!("{what}: {}, {}", name(entry), channel(&entry["channel"]))
}

/// Quiet pulses of each drive by the limit; nothing without a limit.
pub(super) fn strip(entry: &Value) -> Option<Figure> {
    const KEYS: [&str; 6] = ["target", "drive_mpa", "pulses", "mean_db", "sd_db", "limit_db"];
    let limit = real(&entry["limit_db"])?;
    let drives = list(&entry["limit"]["drives"]);
    let spread = drives.iter().filter_map(|drive| real(&drive["sd_db"])).fold(0.0, f64::max);
    let widest = drives.iter().filter_map(|drive| real(&drive["limit_db"])).fold(limit, f64::max);
    let (low, high) = (-2.2 * spread.max(0.02), (1.06 * widest).max(2.2 * spread).max(0.05));
    let left = 62.0;
    let plot = 116.0;
    let x = |db: f64| left + plot * ((db - low) / (high - low)).clamp(0.0, 1.0);
    let mut picture = Picture::of_width(&title("quiet pulses by the limit", entry), STRIP);
    picture.text("s b", 2.0, 10.0, "drive, MPa");
    picture.text("s b e", STRIP - 2.0, 10.0, "mean λ, dB");
    let bottom = strip_rows(&mut picture, drives, (left, plot), limit, &x);
    let mut grid = String::new();
    for value in ticks(low, high, 4) {
        write!(grid, "M{} {}v4", short(x(value)), short(bottom)).ok();
        picture.text("m s", x(value), bottom + 14.0, &tick(value));
    }
    picture.path("a", &grid);
    picture.path("a", &format!("M{left} 16h{plot}V{}H{left}z", short(bottom)));
    picture.text("m d s", left + plot / 2.0, bottom + 27.0, "D, dB over the drive’s mean");
    strip_legend(&mut picture, bottom + 42.0, limit);
    picture.set_height(bottom + 78.0);
    let mut csv = KEYS.join(",") + "\n";
    drives.iter().for_each(|drive| csv += &line(drive, &KEYS));
    Some(Figure { kind: "quiet", picture, csv })
}

/// A row a drive, a heading a target; the height below them.
fn strip_rows(
    picture: &mut Picture,
    drives: &[Value],
    (left, plot): (f64, f64),
    limit: f64,
    x: &impl Fn(f64) -> f64,
) -> f64 {
    let mut y = 18.0;
    let mut target = "";
    for drive in drives.iter().take(MOST_ROWS) {
        if text(&drive["target"]) != target {
            target = text(&drive["target"]);
            let shown: String = target.chars().take(18).collect();
            picture.text("s d", left + 3.0, y + 10.0, &shown);
            y += ROW;
        }
        let middle = y + ROW / 2.0;
        // Row by row, so that no line runs through the name of a target.
        picture.path("z", &format!("M{} {}v{ROW}", short(x(0.0)), short(y)));
        picture.path("l", &format!("M{} {}v{ROW}", short(x(limit)), short(y)));
        let at = match mpa(&drive["drive_mpa"]).as_str() {
            UNKNOWN => "unknown".to_owned(),
            known => known.to_owned(),
        };
        picture.text("e s", left - 5.0, middle + 3.5, &at);
        picture.text("e s", STRIP - 2.0, middle + 3.5, &digits(&drive["mean_db"], 3));
        if let Some(sd) = real(&drive["sd_db"]) {
            let bar = |by: f64| {
                format!("M{} {}H{}", short(x(-by)), short(middle), short(x(by).max(x(-by) + 0.6)))
            };
            picture.path("j", &bar(2.0 * sd));
            picture.path("y", &bar(sd));
        }
        if let Some(own) = real(&drive["limit_db"]) {
            picture.path("w", &format!("M{} {}v10", short(x(own)), short(middle - 5.0)));
        }
        y += ROW;
    }
    if drives.is_empty() || drives.len() > MOST_ROWS {
        let words = match drives.len().saturating_sub(MOST_ROWS) {
            0 => "no drives listed".to_owned(),
            more => format!("{more} more in the table"),
        };
        picture.text("m s d", left + plot / 2.0, y + 11.0, &words);
        y += ROW;
    }
    (y + 2.0).max(18.0 + 4.0 * ROW)
}

fn strip_legend(picture: &mut Picture, y: f64, limit: f64) {
    picture.path("j", &format!("M4 {}h34", short(y)));
    picture.path("y", &format!("M12 {}h18", short(y)));
    picture.text("s", 43.0, y + 3.5, "± s and ± 2 s of the quiet pulses");
    picture.path("l", &format!("M4 {}h34", short(y + 14.0)));
    picture.text("s", 43.0, y + 17.5, &format!("the limit, {} dB", number(limit, 3)));
    picture.path("w", &format!("M21 {}v10", short(y + 23.0)));
    picture.text("s", 43.0, y + 31.5, "what each drive asks for");
}

/// Shares of quiet and of bubbles pulses over every possible limit; nothing without a curve.
pub(super) fn roc(entry: &Value) -> Option<Figure> {
    let points: Vec<(f64, f64)> = list(&entry["roc"]).iter().filter_map(two).collect();
    if points.len() < 2 {
        return None;
    }
    let (left, top) = (34.0, 18.0);
    let bottom = top + SIDE;
    let x = |share: f64| left + SIDE * share.clamp(0.0, 1.0);
    let y = |share: f64| bottom - SIDE * share.clamp(0.0, 1.0);
    let mut picture = Picture::of_width(&title("ROC", entry), ROC);
    picture.text("s d", 2.0, 10.0, "share of bubbles pulses over a limit");
    shares(&mut picture, left, SIDE, bottom);
    for share in [0.0, 0.5, 1.0] {
        picture.text("m s", x(share), bottom + 14.0, &tick(share));
    }
    picture.path("z", &format!("M{} {}L{} {}", x(0.0), y(0.0), x(1.0), y(1.0)));
    let mut path = String::new();
    for (at, (quiet, found)) in points.iter().enumerate() {
        let sign = if at == 0 { "M" } else { "L" };
        write!(path, "{sign}{} {}", short(x(*quiet)), short(y(*found))).ok();
    }
    picture.path("j", &path);
    picture.text("m s d", left + SIDE / 2.0, bottom + 27.0, "share of quiet pulses over it");
    let auc = format!("AUC {}", digits(&entry["auc_over_baseline"], 3));
    let ends = format!(
        "95 %: {} to {}",
        digits(&entry["auc_over_baseline_lo"], 3),
        digits(&entry["auc_over_baseline_hi"], 3)
    );
    picture.text("m b", left + SIDE / 2.0, bottom + 46.0, &auc);
    picture.text("m s", left + SIDE / 2.0, bottom + 60.0, &ends);
    picture.set_height(bottom + 68.0);
    let mut csv = "false_share,found_share\n".to_owned();
    for (quiet, found) in points {
        writeln!(csv, "{quiet:e},{found:e}").ok();
    }
    Some(Figure { kind: "roc", picture, csv })
}

/// The frame and grid of shares from 0 to 1.
pub(super) fn shares(picture: &mut Picture, left: f64, width: f64, bottom: f64) {
    let mut grid = String::new();
    for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let y = bottom - SIDE * share;
        write!(grid, "M{left} {}h{width}", short(y)).ok();
        picture.text("e s", left - 4.0, y + 3.5, &tick(share));
    }
    picture.path("g", &grid);
    picture.path("a", &format!("M{left} {}h{width}v-{SIDE}h-{width}z", short(bottom)));
}

/// A logarithmic axis of drive.
pub(super) struct DriveAxis {
    pub(super) left: f64,
    pub(super) width: f64,
    low: f64,
    high: f64,
}

impl DriveAxis {
    /// From the least to the greatest drive with some room; nothing without a drive.
    pub(super) fn of(drives: &[f64], left: f64, width: f64) -> Option<Self> {
        let low = drives.iter().copied().fold(f64::INFINITY, f64::min);
        let high = drives.iter().copied().fold(0.0, f64::max);
        if drives.is_empty() {
            return None;
        }
        let room = (high / low).powf(0.07).max(1.05);
        Some(Self { left, width, low: low / room, high: high * room })
    }

    /// The place of a drive; one outside stands at the edge.
    pub(super) fn x(&self, mpa: f64) -> f64 {
        let share = (mpa / self.low).ln() / (self.high / self.low).ln();
        self.left + self.width * share.clamp(0.0, 1.0)
    }

    fn holds(&self, mpa: f64) -> bool {
        (self.low..=self.high).contains(&mpa)
    }

    /// Ticks, numbers and the label under a plot.
    pub(super) fn draw(&self, picture: &mut Picture, bottom: f64, label: &str) {
        let (mut marks, mut last) = (String::new(), f64::NEG_INFINITY);
        for value in log_ticks(self.low, self.high) {
            let x = self.x(value);
            write!(marks, "M{} {}v4", short(x), short(bottom)).ok();
            if x - last >= APART {
                picture.text("m s", x, bottom + 14.0, &tick(value));
                last = x;
            }
        }
        picture.path("a", &marks);
        picture.text("m s d", self.left + self.width / 2.0, bottom + 27.0, label);
    }
}

/// Drives at which half and nine in ten pulses are over: key, share, what it is called.
const ESTIMATES: [(&str, f64, &str); 2] = [("drive50", 0.5, "50 %"), ("drive90", 0.9, "90 %")];

/// Share of pulses over the limit against drive, the fitted curve, the drives it puts at 50 and 90 %;
/// nothing where no bubbles pulse has a drive.
pub(super) fn onset(entry: &Value) -> Option<Figure> {
    let drives: Vec<&Value> = list(&entry["onset"]["drives"])
        .iter()
        .filter(|drive| above_zero(&drive["drive_mpa"]).is_some())
        .collect();
    let mut shown: Vec<f64> = drives.iter().filter_map(|d| above_zero(&d["drive_mpa"])).collect();
    let (least, most) =
        shown.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), mpa| (a.min(*mpa), b.max(*mpa)));
    // An estimate far outside the measured drives must not press them together.
    let near = |mpa: &f64| *mpa > least / 2.0 && *mpa < 2.0 * most;
    for (key, ..) in ESTIMATES {
        let of = |ending: &str| above_zero(&entry[format!("{key}_{ending}")]);
        shown.extend(["mpa", "lo", "hi"].into_iter().filter_map(of).filter(near));
    }
    let axis = DriveAxis::of(&shown, 34.0, ONSET - 42.0)?;
    let (top, mut picture) = (46.0, Picture::of_width(&title("onset", entry), ONSET));
    let bottom = top + SIDE;
    let y = |share: f64| bottom - SIDE * share.clamp(0.0, 1.0);
    shares(&mut picture, axis.left, axis.width, bottom);
    axis.draw(&mut picture, bottom, "drive, MPa, logarithmic");
    let mut csv = "what,drive_mpa,pulses,over,share,lo,hi\n".to_owned();
    if let Some((from, to)) = two(&entry["onset"]["bracket_mpa"]).filter(|(a, b)| *a > 0.0 && b > a)
    {
        let place =
            Place { x: axis.x(from), y: top, width: axis.x(to) - axis.x(from), height: SIDE };
        picture.strokes(place);
        writeln!(csv, "bracket,,,,,{from:e},{to:e}").ok();
    }
    curve(&mut picture, &axis, entry, y, &mut csv);
    for drive in drives {
        point(&mut picture, &axis, drive, y);
        let keys = ["drive_mpa", "pulses", "over", "share", "lo", "hi"];
        write!(csv, "measured,{}", line(drive, &keys)).ok();
    }
    for (place, estimate) in ESTIMATES.iter().enumerate() {
        estimated(&mut picture, &axis, entry, *estimate, 10.0 + 13.0 * as_f64(place));
        let (key, share, _) = estimate;
        let of = |ending: &str| cell(&entry[format!("{key}_{ending}")]);
        writeln!(csv, "{key},{},,,{share:e},{},{}", of("mpa"), of("lo"), of("hi")).ok();
    }
    picture.text("s d", 2.0, 38.0, "share of bubbles pulses over the limit");
    picture.set_height(bottom + 33.0);
    Some(Figure { kind: "onset", picture, csv })
}

fn curve(
    picture: &mut Picture,
    axis: &DriveAxis,
    entry: &Value,
    y: impl Fn(f64) -> f64,
    csv: &mut String,
) {
    let onset = &entry["onset"];
    let (Some(intercept), Some(slope)) = (real(&onset["intercept"]), real(&onset["slope"])) else {
        return;
    };
    let mut path = String::new();
    for i in 0..CURVE {
        let mpa = axis.low * (axis.high / axis.low).powf(f64::from(i) / f64::from(CURVE - 1));
        let share = 1.0 / (1.0 + (-(intercept + slope * mpa.ln())).exp());
        let sign = if i == 0 { "M" } else { "L" };
        write!(path, "{sign}{} {}", short(axis.x(mpa)), short(y(share))).ok();
        writeln!(csv, "curve,{mpa:e},,,{share:e},,").ok();
    }
    picture.path("j", &path);
}

/// A measured share with its interval.
fn point(picture: &mut Picture, axis: &DriveAxis, drive: &Value, y: impl Fn(f64) -> f64) {
    let Some(x) = above_zero(&drive["drive_mpa"]).map(|mpa| axis.x(mpa)) else { return };
    if let (Some(low), Some(high)) = (real(&drive["lo"]), real(&drive["hi"])) {
        let (a, b) = (short(y(low)), short(y(high)));
        let (left, at) = (short(x - 3.0), short(x));
        picture.path("w", &format!("M{at} {a}V{b}M{left} {a}h6M{left} {b}h6"));
    }
    if let Some(share) = real(&drive["share"]) {
        let d = format!("M{} {}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0z", short(x - 3.0), short(y(share)));
        picture.path("n", &d);
    }
}

/// A diamond or a box at a place.
fn mark(picture: &mut Picture, share: f64, x: f64, y: f64) {
    let (x, y) = if share > 0.7 { (x - 3.5, y - 3.5) } else { (x, y - 4.8) };
    let shape = if share > 0.7 { "h7v7h-7z" } else { "l4.8 4.8l-4.8 4.8l-4.8 -4.8z" };
    picture.path("u", &format!("M{} {}{shape}", short(x), short(y)));
}

/// An estimated drive with its interval, which has no cap where it is open; in words above the plot.
fn estimated(
    picture: &mut Picture,
    axis: &DriveAxis,
    entry: &Value,
    (key, share, called): (&str, f64, &str),
    y: f64,
) {
    let of = |ending: &str| &entry[format!("{key}_{ending}")];
    let words = match mpa(of("mpa")).as_str() {
        UNKNOWN => format!("{called}: {UNKNOWN}"),
        at => format!("{called}: {at} MPa ({} to {})", mpa(of("lo")), mpa(of("hi"))),
    };
    mark(picture, share, 8.0, y - 3.5);
    picture.text("s", 18.0, y, &words);
    let Some(at) = above_zero(of("mpa")) else { return };
    let height = 46.0 + SIDE * (1.0 - share);
    let mut path = String::new();
    for (end, edge) in
        [("lo", axis.left), ("hi", axis.left + axis.width)].map(|(e, x)| (above_zero(of(e)), x))
    {
        let to = end.map_or(edge, |mpa| axis.x(mpa));
        write!(path, "M{} {}H{}", short(axis.x(at)), short(height), short(to)).ok();
        if end.is_some_and(|mpa| axis.holds(mpa)) {
            write!(path, "m0 -4v8").ok();
        }
    }
    picture.path("j", &path);
    if axis.holds(at) {
        mark(picture, share, axis.x(at), height);
    }
}

/// All three that can be drawn.
pub(super) fn all(entry: &Value) -> [Option<Figure>; 3] {
    [strip(entry), roc(entry), onset(entry)]
}

/// Pulses of a list, for a caption.
pub(super) fn pulses(entry: &Value) -> String {
    format!("{} quiet, {} with bubbles", whole(&entry["n_quiet"]), whole(&entry["n_bubbles"]))
}
