//! One value of the file and its readers.
//!
//! Each reader returns `None` after putting on record what is wrong: key, value as written, bound.

use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::{DeInteger, DeValue};

use super::bounds::Bounds;
use super::diagnostic::{Level, shortened};
use super::spelling::nearest;
use super::written::{Section, Written};

/// One value and the path of its key.
#[derive(Debug)]
pub(super) struct Field<'w, 't> {
    pub(super) written: &'w Written<'t>,
    pub(super) path: String,
    pub(super) value: &'w Spanned<DeValue<'t>>,
}

impl<'w, 't> Field<'w, 't> {
    /// A number inside the bounds; whole numbers may be written without a point.
    pub(super) fn number(&self, bounds: Bounds) -> Option<f64> {
        let number = match self.value.get_ref() {
            DeValue::Float(float) => float.as_str().parse().ok(),
            DeValue::Integer(integer) => real(integer),
            _ => return self.mistyped("a number"),
        };
        number.filter(|number| bounds.hold(*number)).or_else(|| self.refused(&bounds.to_string()))
    }

    /// A whole number in the range, written without a point.
    pub(super) fn whole(&self, range: RangeInclusive<u64>) -> Option<u64> {
        let DeValue::Integer(integer) = self.value.get_ref() else {
            return self.mistyped("a whole number");
        };
        let number = u64::from_str_radix(integer.as_str(), integer.radix()).ok();
        number.filter(|number| range.contains(number)).or_else(|| {
            self.refused(&format!("a whole number from {} to {}", range.start(), range.end()))
        })
    }

    /// A whole number in the range, for what is counted in this computer's memory.
    pub(super) fn count(&self, range: RangeInclusive<u64>) -> Option<usize> {
        let number = self.whole(range)?;
        usize::try_from(number).ok().or_else(|| self.refused("small enough for this computer"))
    }

    /// A text; may be empty.
    pub(super) fn text(&self) -> Option<String> {
        match self.value.get_ref() {
            DeValue::String(text) => Some(text.clone().into_owned()),
            _ => self.mistyped("a text in quotes"),
        }
    }

    /// A text with something in it, on one line and without control characters.
    pub(super) fn line(&self, longest: usize) -> Option<String> {
        let text = self.text()?;
        if text.trim().is_empty() {
            return self.refused("a text that is not empty");
        }
        if text.chars().any(char::is_control) {
            return self.refused("one line without control characters");
        }
        if text.chars().count() > longest {
            return self.refused(&format!("at most {longest} characters long"));
        }
        Some(text)
    }

    /// `true` or `false`.
    pub(super) fn boolean(&self) -> Option<bool> {
        match self.value.get_ref() {
            DeValue::Boolean(value) => Some(*value),
            _ => self.mistyped("true or false"),
        }
    }

    /// One of a list of things by its name.
    pub(super) fn choice<T: Copy>(&self, all: &[T], name: fn(T) -> &'static str) -> Option<T> {
        let DeValue::String(text) = self.value.get_ref() else {
            return self.mistyped("a text in quotes");
        };
        let names = || all.iter().map(|choice| name(*choice));
        if let Some(choice) = all.iter().find(|choice| name(**choice) == text) {
            return Some(*choice);
        }
        let listed = names().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ");
        let help = nearest(text, names()).map(|meant| format!("did you mean \"{meant}\"?"));
        self.fault(&format!("must be one of {listed}"), help.as_deref())
    }

    /// The elements of an array.
    pub(super) fn elements(&self, of_what: &str) -> Option<Vec<Field<'w, 't>>> {
        let DeValue::Array(elements) = self.value.get_ref() else {
            return self.mistyped(of_what);
        };
        let field = |(index, value)| Field {
            written: self.written,
            path: format!("{}[{index}]", self.path),
            value,
        };
        Some(elements.iter().enumerate().map(field).collect())
    }

    /// Elements read one by one; `None` when any of them is wrong, after all of them were read.
    pub(super) fn each<T>(
        &self,
        of_what: &str,
        read: impl Fn(&Self) -> Option<T>,
    ) -> Option<Vec<T>> {
        let read: Vec<Option<T>> = self.elements(of_what)?.iter().map(read).collect();
        read.into_iter().collect()
    }

    /// Two numbers, the second above the first.
    pub(super) fn pair(&self, bounds: Bounds) -> Option<[f64; 2]> {
        let pair = self.each("a pair of numbers", |field| field.number(bounds))?;
        let Ok([low, high]) = <[f64; 2]>::try_from(pair) else {
            return self.refused("a pair of numbers");
        };
        if low < high { Some([low, high]) } else { self.refused("two numbers that rise") }
    }

    /// The table it is; anything else reads as a table without keys.
    pub(super) fn section(&self) -> Section<'w, 't> {
        if let DeValue::Table(table) = self.value.get_ref() {
            return Section::of(self.written, &self.path, self.value.span(), table);
        }
        self.mistyped::<()>("a table");
        Section::nothing(self.written, &self.path)
    }

    /// Whether it is a table.
    pub(super) fn is_table(&self) -> bool {
        self.value.get_ref().is_table()
    }

    /// Whether it is an array.
    pub(super) fn is_array(&self) -> bool {
        self.value.get_ref().is_array()
    }

    /// Whether it is a number.
    pub(super) fn is_number(&self) -> bool {
        self.value.get_ref().is_integer() || self.value.get_ref().is_float()
    }

    /// Whether it is a text.
    pub(super) fn is_text(&self) -> bool {
        self.value.get_ref().is_str()
    }

    /// Puts on record that the value must be something else; always `None`.
    pub(super) fn refused<T>(&self, must_be: &str) -> Option<T> {
        self.fault(&format!("must be {must_be}"), None)
    }

    /// Puts a fault at this value on record; always `None`.
    pub(super) fn fault<T>(&self, label: &str, help: Option<&str>) -> Option<T> {
        let message = format!("`{}` is {}, {label}", self.path, self.as_written());
        self.written.say(Level::Fault, message, &[(&self.path, label)], help);
        None
    }

    fn mistyped<T>(&self, expected: &str) -> Option<T> {
        let kind = match self.value.get_ref() {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number with a point or exponent",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "an array",
            DeValue::Table(_) => "a table",
        };
        let message = format!("`{}` is {kind}, must be {expected}", self.path);
        let label = format!("must be {expected}");
        self.written.say(Level::Fault, message, &[(&self.path, &label)], None);
        None
    }

    /// The value as the file has it, cut when it is long.
    fn as_written(&self) -> String {
        match self.value.get_ref() {
            DeValue::String(text) => shortened(&format!("{text:?}")),
            _ => shortened(&self.written.excerpt(self.value.span())),
        }
    }
}

/// A whole number of any radix as the nearest real one.
fn real(integer: &DeInteger<'_>) -> Option<f64> {
    if integer.radix() == 10 {
        return integer.as_str().parse().ok();
    }
    let number = u64::from_str_radix(integer.as_str(), integer.radix()).ok()?;
    // Two exact halves, so that the sum is the only rounding.
    let [high, low] = [number >> 32, number & 0xffff_ffff].map(|half| u32::try_from(half).ok());
    Some(f64::from(high?) * 4_294_967_296.0 + f64::from(low?))
}
