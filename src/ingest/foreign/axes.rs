//! Which axis of a variable is what: as the person says or, where the shape shows it, found.

use super::{MAX_VARIABLE_BYTES, Numbers, Variable};
use crate::signal::Axis;

/// More than this along the shorter of two axes are pulses, not channels.
const MAX_CHANNELS_FOUND: u64 = 16;

/// What is known of rows besides the shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rows {
    /// Nothing.
    Unknown,
    /// So many pulses are named, by a vector of drives or a list without places.
    Pulses(u64),
    /// A list says where pulses lie, so there is no axis of them.
    Placed,
}

/// A variable with its axes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Laid {
    /// Lengths of the axes, those of one number left out.
    pub shape: Vec<u64>,
    /// What each is.
    pub axes: Vec<Axis>,
    /// How that was found out, where nobody said it.
    pub because: Option<String>,
}

/// Lays the axes of a variable.
///
/// # Errors
/// When what is said does not fit, or nothing is said and the shape does not show it.
pub fn lay(variable: &Variable, said: Option<&[Axis]>, rows: Rows) -> Result<Laid, String> {
    let numbers = variable.numbers()?;
    let long: Vec<u64> = variable.shape.iter().copied().filter(|axis| *axis != 1).collect();
    let laid = match said {
        Some(axes) if axes.len() == variable.shape.len() => {
            Laid { shape: variable.shape.clone(), axes: axes.to_vec(), because: None }
        }
        Some(axes) if axes.len() == long.len() => {
            Laid { shape: long, axes: axes.to_vec(), because: None }
        }
        Some(axes) => {
            let (named, shape) = (axes.len(), variable.shape_text());
            return Err(format!("--axes names {named} axes, {} has {shape}", variable.name));
        }
        None => found(variable, long, rows)?,
    };
    check(&laid, numbers, rows)?;
    Ok(laid)
}

fn check(laid: &Laid, numbers: Numbers, rows: Rows) -> Result<(), String> {
    let length = |axis| laid.axes.iter().position(|other| *other == axis).map(|at| laid.shape[at]);
    if length(Axis::Samples).is_none() {
        return Err("--axes names no axis of samples".to_owned());
    }
    match (rows, length(Axis::Pulses)) {
        (Rows::Placed, Some(_)) => Err("the list says where pulses lie (start_sample), but the \
             array has an axis of pulses; leave one of them out"
            .to_owned()),
        (Rows::Pulses(named), Some(pulses)) if named != pulses => {
            Err(format!("{named} pulses are named (drives or a list), the array has {pulses}"))
        }
        (Rows::Pulses(_), None) => Err("pulses are named (drives or a list without places), but \
             the array has no axis of them; --axes says which it is"
            .to_owned()),
        _ => Ok(()),
    }?;
    let channels = length(Axis::Channels).unwrap_or(1);
    if channels > u64::from(u16::MAX) {
        return Err(format!("{channels} channels, at most {} are written", u16::MAX));
    }
    let count = laid.shape.iter().fold(1_u64, |count, axis| count.saturating_mul(*axis));
    let bytes = count.saturating_mul(numbers.stored.bytes() as u64);
    if bytes > MAX_VARIABLE_BYTES {
        return Err(format!("{bytes} bytes of numbers, at most {MAX_VARIABLE_BYTES} are read"));
    }
    Ok(())
}

fn found(variable: &Variable, long: Vec<u64>, rows: Rows) -> Result<Laid, String> {
    use Axis::{Channels, Pulses, Samples};
    let unclear = |why: &str| {
        let (name, shape) = (&variable.name, variable.shape_text());
        Err(format!(
            "{name} has {shape}: {why}; say it with --axes, for example --axes pulses,samples"
        ))
    };
    let most = long.iter().copied().max().unwrap_or(0);
    if long.iter().filter(|axis| **axis == most).count() > 1 {
        return unclear("two axes are equally long");
    }
    let rest: Vec<u64> = long.iter().copied().filter(|axis| *axis != most).collect();
    let named = match rows {
        Rows::Pulses(pulses) => Some(pulses),
        Rows::Unknown | Rows::Placed => None,
    };
    let longest = "the longest axis is samples";
    // What the axes besides the samples are, by their lengths.
    let (of_rest, because): (Vec<(u64, Axis)>, String) = match rest.as_slice() {
        [] if most == 0 => return unclear("it is one number"),
        [] => (Vec::new(), longest.to_owned()),
        [other] if named == Some(*other) => {
            (vec![(*other, Pulses)], format!("{longest}, {other} pulses are named"))
        }
        [other] if rows == Rows::Placed => {
            (vec![(*other, Channels)], format!("{longest}, the list says where pulses lie"))
        }
        [other] if *other > MAX_CHANNELS_FOUND => (
            vec![(*other, Pulses)],
            format!("{longest}, more than {MAX_CHANNELS_FOUND} of the other are pulses"),
        ),
        [_] => return unclear("the shorter axis may be pulses or channels"),
        [a, b] if a == b => return unclear("pulses and channels are equally many"),
        [a, b] => {
            let pulses = named.filter(|named| named == a || named == b).unwrap_or(*a.max(b));
            let channels = if pulses == *a { *b } else { *a };
            let because = format!("{longest}, the shortest channels");
            (vec![(pulses, Pulses), (channels, Channels)], because)
        }
        _ => return unclear("more than three axes"),
    };
    let axes = long.iter().map(|length| {
        of_rest.iter().find(|(other, _)| other == length).map_or(Samples, |(_, axis)| *axis)
    });
    Ok(Laid { axes: axes.collect(), shape: long, because: Some(because) })
}

#[cfg(test)]
mod tests {
    use super::super::super::stored::{Number, Stored};
    use super::super::{Content, Place};
    use super::Axis::{Channels, Pulses, Samples};
    use super::*;

    fn variable(shape: &[u64]) -> Variable {
        let stored = Stored { number: Number::I16, big_endian: false };
        let numbers = Numbers { stored, fortran: true, place: Place::Apart };
        Variable {
            name: "x".to_owned(),
            shape: shape.to_vec(),
            class: "int16".to_owned(),
            content: Content::Numbers(numbers),
            bytes: 0,
            value: None,
            steps: None,
        }
    }

    #[track_caller]
    fn check(shape: &[u64], rows: Rows, expected: &[Axis]) {
        assert_eq!(lay(&variable(shape), None, rows).unwrap().axes, expected);
    }

    #[track_caller]
    fn check_unclear(shape: &[u64], said: Option<&[Axis]>, rows: Rows, part: &str) {
        let fault = lay(&variable(shape), said, rows).unwrap_err();
        assert!(fault.contains(part), "{fault}");
    }

    #[test]
    fn axes_are_found_where_the_shape_shows_them() {
        check(&[1, 900], Rows::Unknown, &[Samples]);
        check(&[900, 1, 30], Rows::Unknown, &[Samples, Pulses]);
        check(&[4, 900], Rows::Pulses(4), &[Pulses, Samples]);
        check(&[4, 900], Rows::Placed, &[Channels, Samples]);
        check(&[900, 2, 30], Rows::Unknown, &[Samples, Channels, Pulses]);
        check(&[900, 2, 30], Rows::Pulses(2), &[Samples, Pulses, Channels]);
    }

    #[test]
    fn what_the_shape_does_not_show_is_asked_for() {
        check_unclear(&[4, 900], None, Rows::Unknown, "pulses or channels");
        check_unclear(&[900, 900], None, Rows::Unknown, "equally long");
        check_unclear(&[900, 8, 8], None, Rows::Unknown, "equally many");
        check_unclear(&[900, 8, 7, 6], None, Rows::Unknown, "more than three");
        check_unclear(&[1, 1], None, Rows::Unknown, "one number");
    }

    #[test]
    fn what_is_said_must_fit() {
        let laid = lay(&variable(&[1, 30, 900]), Some(&[Pulses, Samples]), Rows::Unknown).unwrap();
        assert_eq!(laid.shape, [30, 900]);
        check_unclear(&[30, 900], Some(&[Samples]), Rows::Unknown, "names 1 axes");
        check_unclear(&[30, 900], Some(&[Pulses, Channels]), Rows::Unknown, "no axis of samples");
        let both = Some(&[Pulses, Samples][..]);
        check_unclear(&[30, 900], both, Rows::Pulses(29), "29 pulses are named");
        check_unclear(&[30, 900], both, Rows::Placed, "leave one of them out");
        check_unclear(&[900, 1], None, Rows::Pulses(3), "has no axis of them");
    }
}
