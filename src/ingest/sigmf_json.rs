//! SigMF metadata as JSON, read entry by entry.
//!
//! Only the keys that mean something here are kept, and each entry of a list is checked as it comes,
//! so that memory stays a small multiple of the file however it is filled. The first fault of a list
//! is kept instead of ending the parse: a cue list may make the annotations irrelevant.

use std::fmt;
use std::marker::PhantomData;

use serde::de::{Deserialize, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};

use super::pulses::MAX_WHOLE;

/// Most entries of `simmer:volts_per_count`: WAV cannot hold more channels either.
const MAX_NUMBERS: usize = 65_535;

/// A JSON value as far as anything here needs it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Scalar {
    Null,
    Bool(bool),
    Whole(u64),
    Negative(i64),
    Real(f64),
    Text(String),
    List,
    Object,
}

impl fmt::Display for Scalar {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Null => out.write_str("null"),
            Self::Bool(value) => write!(out, "{value}"),
            Self::Whole(value) => write!(out, "{value}"),
            Self::Negative(value) => write!(out, "{value}"),
            Self::Real(value) => write!(out, "{value}"),
            Self::Text(value) => write!(out, "{}", quoted(value)),
            Self::List => out.write_str("a list"),
            Self::Object => out.write_str("an object"),
        }
    }
}

/// A text as messages show it: in quotes, escaped, and not longer than a line.
pub(super) fn quoted(text: &str) -> String {
    const SHOWN: usize = 60;
    if text.chars().nth(SHOWN).is_none() {
        format!("{text:?}")
    } else {
        format!("{:?}…", text.chars().take(SHOWN).collect::<String>())
    }
}

/// A whole `f64` below 2^53 as an integer; some writers print `100000.0`.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the value was just found whole and from 0 to 2^53, where the conversion is exact"
)]
fn whole_of(value: f64) -> Option<u64> {
    ((0.0..9_007_199_254_740_992.0).contains(&value) && value.fract() == 0.0)
        .then_some(value as u64)
}

impl Scalar {
    pub(super) fn whole(&self, key: &str) -> Result<u64, String> {
        match *self {
            Self::Whole(value) if value <= MAX_WHOLE => Ok(value),
            Self::Whole(value) => Err(format!("{key} is {value}, must be below 2^53")),
            Self::Negative(value) => Err(format!("{key} is {value}, must not be negative")),
            Self::Real(value) => whole_of(value)
                .ok_or_else(|| format!("{key} is {value}, must be a whole number from 0 to 2^53")),
            _ => Err(format!("{key} is {self}, must be a whole number")),
        }
    }

    /// A whole number that is only compared, never added to: any 64 bits.
    pub(super) fn number(&self, key: &str) -> Result<u64, String> {
        match *self {
            Self::Whole(value) => Ok(value),
            _ => self.whole(key),
        }
    }

    pub(super) fn real(&self, key: &str) -> Result<f64, String> {
        match *self {
            Self::Whole(value) => Ok(value as f64),
            Self::Negative(value) => Ok(value as f64),
            Self::Real(value) if value.is_finite() => Ok(value),
            _ => Err(format!("{key} is {self}, must be a finite number")),
        }
    }

    pub(super) fn text(&self, key: &str) -> Result<&str, String> {
        match self {
            Self::Text(value) => Ok(value),
            _ => Err(format!("{key} is {self}, must be a text")),
        }
    }

    pub(super) fn flag(&self, key: &str) -> Result<bool, String> {
        match *self {
            Self::Bool(value) => Ok(value),
            _ => Err(format!("{key} is {self}, must be true or false")),
        }
    }
}

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = Scalar;
            fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
                out.write_str("a value")
            }
            fn visit_unit<E>(self) -> Result<Scalar, E> {
                Ok(Scalar::Null)
            }
            fn visit_bool<E>(self, value: bool) -> Result<Scalar, E> {
                Ok(Scalar::Bool(value))
            }
            fn visit_u64<E>(self, value: u64) -> Result<Scalar, E> {
                Ok(Scalar::Whole(value))
            }
            fn visit_i64<E>(self, value: i64) -> Result<Scalar, E> {
                Ok(Scalar::Negative(value))
            }
            fn visit_f64<E>(self, value: f64) -> Result<Scalar, E> {
                Ok(Scalar::Real(value))
            }
            fn visit_str<E>(self, value: &str) -> Result<Scalar, E> {
                Ok(Scalar::Text(value.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Scalar, A::Error> {
                while list.next_element::<IgnoredAny>()?.is_some() {}
                Ok(Scalar::List)
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Scalar, A::Error> {
                while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
                Ok(Scalar::Object)
            }
        }
        deserializer.deserialize_any(Any)
    }
}

/// `simmer:volts_per_count`: one number or one a channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Numbers {
    One(f64),
    Each(Vec<f64>),
}

impl<'de> Deserialize<'de> for Numbers {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct OneOrEach;
        impl<'de> Visitor<'de> for OneOrEach {
            type Value = Numbers;
            fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
                out.write_str("one number or one a channel")
            }
            fn visit_u64<E>(self, value: u64) -> Result<Numbers, E> {
                Ok(Numbers::One(value as f64))
            }
            fn visit_i64<E>(self, value: i64) -> Result<Numbers, E> {
                Ok(Numbers::One(value as f64))
            }
            fn visit_f64<E>(self, value: f64) -> Result<Numbers, E> {
                Ok(Numbers::One(value))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Numbers, A::Error> {
                let mut numbers = Vec::new();
                while let Some(number) = list.next_element()? {
                    if numbers.len() == MAX_NUMBERS {
                        return Err(A::Error::custom(format!(
                            "simmer:volts_per_count has more than {MAX_NUMBERS} numbers"
                        )));
                    }
                    numbers.push(number);
                }
                Ok(Numbers::Each(numbers))
            }
        }
        deserializer.deserialize_any(OneOrEach)
    }
}

/// What a list is checked into, entry by entry.
pub(super) trait Entry: Sized {
    /// The entry as it stands in the file.
    type Written: for<'de> Deserialize<'de>;
    /// The list's name in messages.
    const LIST: &'static str;
    /// Checks one entry; `None` when it is of no interest here.
    fn check(index: usize, written: Self::Written) -> Result<Option<Self>, String>;
}

/// A list whose entries were checked up to the first fault.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct List<T> {
    pub(super) items: Vec<T>,
    pub(super) fault: Option<String>,
}

impl<T> Default for List<T> {
    fn default() -> Self {
        Self { items: Vec::new(), fault: None }
    }
}

impl<'de, T: Entry> Deserialize<'de> for List<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Entries<T>(PhantomData<T>);
        impl<'de, T: Entry> Visitor<'de> for Entries<T> {
            type Value = List<T>;
            fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(out, "the list {}", T::LIST)
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<List<T>, A::Error> {
                let mut read = List::default();
                let mut index = 0;
                while read.fault.is_none() {
                    let Some(written) = list.next_element()? else { return Ok(read) };
                    match T::check(index, written) {
                        Ok(item) => read.items.extend(item),
                        Err(fault) => read.fault = Some(format!("{}[{index}]: {fault}", T::LIST)),
                    }
                    index += 1;
                }
                while list.next_element::<IgnoredAny>()?.is_some() {}
                Ok(read)
            }
        }
        deserializer.deserialize_seq(Entries(PhantomData))
    }
}
