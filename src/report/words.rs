//! Numbers and names as the report writes them: units beside them, a true minus, HTML escaped.

use std::fmt::Write as _;

use crate::detect::Verdict;

/// What stands where a number is unknown.
pub const UNKNOWN: &str = "–";

/// Text safe in HTML and SVG, in elements and attributes.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(c),
            // Neither HTML nor XML 1.0 can hold other control characters.
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A number with so many significant digits, in powers of ten where it is very large or small.
#[must_use]
pub fn number(value: f64, digits: i32) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    if value.abs() < f64::MIN_POSITIVE {
        return "0".to_owned();
    }
    let size = usize::try_from(digits - 1).unwrap_or(0);
    let scientific = format!("{value:.size$e}");
    let (mantissa, exponent) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    let text = if (-3..6).contains(&exponent) {
        let places = usize::try_from((digits - 1 - exponent).max(0)).unwrap_or(0);
        format!("{value:.places$}")
    } else {
        format!("{mantissa}×10{}", raised(exponent))
    };
    text.replacen('-', "−", 1)
}

fn raised(exponent: i32) -> String {
    exponent
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            c => c.to_digit(10).and_then(|d| char::from_u32(0x2070 + d)).unwrap_or(c),
        })
        .collect()
}

/// A difference in dB, signed, two places.
#[must_use]
pub fn db(value: Option<f64>) -> String {
    match value.filter(|value| value.is_finite()) {
        Some(value) => format!("{value:+.2}\u{a0}dB").replacen('-', "−", 1),
        None => UNKNOWN.to_owned(),
    }
}

/// A drive with its unit.
#[must_use]
pub fn drive(mpa: Option<f64>) -> String {
    mpa.map_or_else(|| "unknown drive".to_owned(), |mpa| format!("{}\u{a0}MPa", trimmed(mpa, 3)))
}

/// As [`number`], without zeros at the end of its decimals.
#[must_use]
pub fn trimmed(value: f64, digits: i32) -> String {
    let text = number(value, digits);
    if text.contains('.') && !text.contains('×') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A count with its noun, which takes an s for all but one.
#[must_use]
pub fn count(n: u64, noun: &str) -> String {
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

/// A whole number with a narrow space after every three digits.
#[must_use]
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// A length of time.
#[must_use]
pub fn duration(seconds: f64) -> String {
    if seconds < 120.0 {
        return format!("{} s", trimmed(seconds, 4));
    }
    let minutes = (seconds / 60.0).floor();
    format!("{minutes:.0} min {:.0} s", (seconds - 60.0 * minutes).floor())
}

/// A target's name; one without a name says so.
#[must_use]
pub fn target(name: &str) -> String {
    if name.is_empty() { "unnamed target".to_owned() } else { format!("target “{name}”") }
}

/// The word of a verdict.
#[must_use]
pub const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::NotDetected => "not detected",
        Verdict::Stable => "stable",
        Verdict::Inertial => "inertial",
        Verdict::Indeterminate => "indeterminate",
    }
}

/// Joins with commas and a last "and".
#[must_use]
pub fn listed(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// A table under construction.
pub struct Table {
    html: String,
}

impl Table {
    /// With its head; `class` is one of the page's.
    #[must_use]
    pub fn new(class: &str, head: &[&str]) -> Self {
        let mut html = format!("<table class=\"{class}\"><thead><tr>");
        for cell in head {
            // Writing into a string cannot fail.
            write!(html, "<th>{}</th>", escape(cell)).ok();
        }
        html.push_str("</tr></thead><tbody>");
        Self { html }
    }

    /// A row of text.
    pub fn row<S: AsRef<str>>(&mut self, cells: &[S]) {
        self.html.push_str("<tr>");
        for cell in cells {
            write!(self.html, "<td>{}</td>", escape(cell.as_ref())).ok();
        }
        self.html.push_str("</tr>");
    }

    /// The table.
    #[must_use]
    pub fn end(mut self) -> String {
        self.html.push_str("</tbody></table>\n");
        self.html
    }
}

/// A paragraph of text.
#[must_use]
pub fn paragraph(text: &str) -> String {
    format!("<p>{}</p>\n", escape(text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(value: f64, digits: i32, expected: &str) {
        assert_eq!(number(value, digits), expected);
    }

    #[test]
    fn numbers_keep_their_digits_and_have_a_true_minus() {
        check(0.06, 3, "0.0600");
        check(-3.237_437e-6, 4, "−3.237×10⁻⁶");
        check(123_456.7, 4, "123457");
        check(1.5e12, 2, "1.5×10¹²");
        check(0.0, 3, "0");
        check(f64::NAN, 3, "–");
    }

    #[test]
    fn text_cannot_leave_its_place() {
        assert_eq!(
            escape("<a href=\"x\">&'\u{1}"),
            "&lt;a href=&quot;x&quot;&gt;&amp;&#39;\u{fffd}"
        );
    }

    #[test]
    fn times_and_lists_read_as_said() {
        assert_eq!(duration(21.8), "21.8 s");
        assert_eq!(grouped(36_600_000), "36\u{202f}600\u{202f}000");
        assert_eq!(grouped(300), "300");
        assert_eq!(duration(3599.8), "59 min 59 s");
        assert_eq!(listed(&["a".into(), "b".into(), "c".into()]), "a, b and c");
        assert_eq!(db(Some(-0.456)), "−0.46\u{a0}dB");
        assert_eq!(drive(Some(0.06)), "0.06\u{a0}MPa");
    }
}
