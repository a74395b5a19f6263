//! One bubble over drive: its radius, the sound it radiates and the spectrum of that, a row a drive.

use std::cmp::Ordering;
use std::fmt::Write as _;

use super::svg::{Picture, Place, short, tick, ticks};
use crate::bench::bubble::{Curves, curves::PATIENT};
use crate::signal::as_f64;

/// Height of a row's panels and of the whole row.
const PANEL: f64 = 74.0;
const ROW: f64 = 96.0;
/// Above the first row.
const TOP: f64 = 34.0;
/// Left ends and widths of the panels: radius, pressure, spectrum.
const PANELS: [(f64, f64); 3] = [(132.0, 156.0), (336.0, 156.0), (546.0, 206.0)];
/// Cycles of the drive that radius and pressure show.
const CYCLES: f64 = 8.0;
/// Multiples of the drive that the spectrum shows, and dB below its loudest line.
const ORDERS: f64 = 8.0;
const SPAN_DB: f64 = 100.0;

/// A bubble at one drive.
pub struct Driven {
    /// Drive, MPa.
    pub drive_mpa: f64,
    /// What it does.
    pub curves: Curves,
}

/// The picture as a file: a bubble of this radius at rest under a drive of this frequency.
#[must_use]
pub fn picture(radius_m: f64, frequency_hz: f64, rows: &[Driven]) -> String {
    let what = format!(
        "a free bubble of {} µm radius at {} MHz",
        tick(radius_m * 1e6),
        tick(frequency_hz * 1e-6)
    );
    let mut picture =
        Picture::new(&format!("{what}: radius, radiated pressure, spectrum over drive"));
    picture.text("b", 2.0, 11.0, &what);
    let heads =
        ["radius over that at rest", "radiated pressure at 1 cm, Pa", "level of its spectrum, dB"];
    for ((left, width), head) in PANELS.into_iter().zip(heads) {
        picture.text("s m", left + width / 2.0, TOP - 7.0, head);
    }
    let loudest = rows.iter().flat_map(|row| &row.curves.spectrum_db);
    let loudest = loudest.copied().filter(|db| db.is_finite()).fold(-SPAN_DB, f64::max);
    for (place, row) in rows.iter().enumerate() {
        let top = TOP + ROW * as_f64(place);
        let bottom = top + PANEL;
        picture.text("b", 2.0, top + 12.0, &format!("{} MPa", tick(row.drive_mpa)));
        picture.text("s d", 2.0, top + 26.0, &period(&row.curves));
        let largest = format!("to {} R0", tick((row.curves.largest_ratio * 100.0).round() / 100.0));
        picture.text("s d", 2.0, top + 39.0, &largest);
        let radii: Vec<f64> = row.curves.radius_m.iter().map(|radius| radius / radius_m).collect();
        course(&mut picture, PANELS[0], top, (&row.curves.time_s, &radii), frequency_hz);
        let pressure = (row.curves.time_s.as_slice(), row.curves.pressure_pa.as_slice());
        course(&mut picture, PANELS[1], top, pressure, frequency_hz);
        spectrum(&mut picture, top, &row.curves, frequency_hz, loudest);
        if place + 1 == rows.len() {
            let (left, width) = PANELS[2];
            for order in ticks(0.0, ORDERS, 8) {
                picture.text("s m", left + width * order / ORDERS, bottom + 13.0, &tick(order));
            }
            picture.text(
                "s m d",
                left + width / 2.0,
                bottom + 26.0,
                "multiple of the drive frequency",
            );
            for (left, width) in [PANELS[0], PANELS[1]] {
                let words = format!("{} cycles of the drive", tick(CYCLES));
                picture.text("s m d", left + width / 2.0, bottom + 13.0, &words);
            }
        }
    }
    picture.set_height(TOP + ROW * as_f64(rows.len()) + 12.0);
    picture.as_file()
}

/// After how many cycles the motion repeats.
fn period(curves: &Curves) -> String {
    match curves.period_cycles {
        Some(1) => "every cycle alike".to_owned(),
        Some(2) => "every second alike".to_owned(),
        Some(cycles) => format!("alike after {cycles} cycles"),
        None => format!("no period in {PATIENT}"),
    }
}

/// The last cycles of a course in a panel with its own scale.
fn course(
    picture: &mut Picture,
    (left, width): (f64, f64),
    top: f64,
    (time_s, values): (&[f64], &[f64]),
    frequency_hz: f64,
) {
    frame(picture, (left, width), top);
    let Some(end_s) = time_s.last() else { return };
    let start_s = end_s - CYCLES / frequency_hz;
    let shown = || time_s.iter().zip(values).filter(|(time, _)| **time >= start_s);
    let low = shown().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
    let high = shown().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
    if low >= high || !(low.is_finite() && high.is_finite()) {
        return;
    }
    let y = |value: f64| top + PANEL * (0.06 + 0.88 * (high - value) / (high - low));
    for value in ticks(low, high, 3) {
        picture.path("g", &format!("M{left} {}h{width}", short(y(value))));
        picture.text("s e", left - 4.0, y(value) + 3.5, &tick(value));
    }
    let points = shown()
        .map(|(time, value)| (left + width * (time - start_s) * frequency_hz / CYCLES, y(*value)));
    picture.path("v", &thinned(points));
}

/// A path of the lowest and the highest point of each unit of width, in their order.
fn thinned(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut d = String::new();
    let mut write = |(x, y): (f64, f64)| {
        let letter = if d.is_empty() { 'M' } else { 'L' };
        // Writing into a string cannot fail.
        write!(d, "{letter}{} {}", short(x), short(y)).ok();
    };
    let mut column: Option<[(f64, f64); 2]> = None;
    let mut give = |[low, high]: [(f64, f64); 2]| {
        write(if low.0 <= high.0 { low } else { high });
        match low.0.total_cmp(&high.0) {
            Ordering::Less => write(high),
            Ordering::Greater => write(low),
            Ordering::Equal => {}
        }
    };
    for point in points {
        column = Some(match column {
            Some([low, high]) if low.0.min(high.0).floor() >= point.0.floor() => [
                if point.1 > low.1 { point } else { low },
                if point.1 < high.1 { point } else { high },
            ],
            other => {
                other.into_iter().for_each(&mut give);
                [point; 2]
            }
        });
    }
    column.into_iter().for_each(give);
    d
}

/// The spectrum of the steady part; whole multiples of the drive are marked by lines, halves by
/// broken ones.
fn spectrum(picture: &mut Picture, top: f64, curves: &Curves, frequency_hz: f64, loudest_db: f64) {
    let (left, width) = PANELS[2];
    frame(picture, (left, width), top);
    let x = |frequency: f64| left + width * frequency / (ORDERS * frequency_hz);
    let mut half = 0.5;
    while half < ORDERS {
        let class = if (half % 1.0) > 0.25 { "x" } else { "g" };
        let at = short(x(half * frequency_hz));
        let length = if class == "x" { 5.0 } else { PANEL };
        picture.path(class, &format!("M{at} {}v{length}", short(top)));
        half += 0.5;
    }
    let floor_db = loudest_db - SPAN_DB;
    let y = |db: f64| top + PANEL * (0.06 + 0.94 * ((loudest_db - db) / SPAN_DB).clamp(0.0, 1.0));
    for value in ticks(floor_db, loudest_db, 3) {
        picture.text("s e", left - 4.0, y(value) + 3.5, &tick(value));
    }
    let mut d = String::new();
    let inside = |frequency: &f64| *frequency <= ORDERS * frequency_hz;
    for (frequency, db) in curves.frequency_hz.iter().zip(&curves.spectrum_db) {
        if !inside(frequency) {
            break;
        }
        let db = if db.is_finite() { *db } else { floor_db };
        let letter = if d.is_empty() { 'M' } else { 'L' };
        write!(d, "{letter}{:.1} {:.1}", x(*frequency), y(db)).ok();
    }
    picture.path("v", &d);
}

fn frame(picture: &mut Picture, (left, width): (f64, f64), top: f64) {
    picture.rect("n", Place { x: left, y: top, width, height: PANEL }, None);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn driven(drive_mpa: f64, period_cycles: Option<usize>) -> Driven {
        let time_s: Vec<f64> = (0..2000).map(|i| f64::from(i) * 1e-8).collect();
        let wave = |at: &f64| (std::f64::consts::TAU * 0.7e6 * at).sin();
        let curves = Curves {
            radius_m: time_s.iter().map(|at| 2e-6 * (1.0 + 0.1 * wave(at))).collect(),
            pressure_pa: time_s.iter().map(wave).collect(),
            time_s,
            frequency_hz: (0..400).map(|i| f64::from(i) * 35e3).collect(),
            spectrum_db: vec![-20.0; 400],
            largest_ratio: 1.1,
            period_cycles,
        };
        Driven { drive_mpa, curves }
    }

    #[test]
    fn a_row_a_drive_says_drive_period_and_largest_radius() {
        let svg = picture(2e-6, 0.7e6, &[driven(0.06, Some(1)), driven(0.3, None)]);
        for words in ["0.06 MPa", "0.3 MPa", "every cycle alike", "no period in 1024", "to 1.1 R0"]
        {
            assert!(svg.contains(words), "{words}");
        }
        assert_eq!(svg.matches("class=\"v\"").count(), 6);
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }

    #[test]
    fn a_bubble_that_does_nothing_is_an_empty_frame() {
        let mut still = driven(0.0, Some(1));
        still.curves.radius_m.fill(2e-6);
        still.curves.pressure_pa.fill(0.0);
        still.curves.spectrum_db.fill(f64::NEG_INFINITY);
        let svg = picture(2e-6, 0.7e6, &[still]);
        assert_eq!(svg.matches("class=\"v\"").count(), 1);
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}
