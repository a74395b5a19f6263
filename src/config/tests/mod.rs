//! The room as a whole: examples, every key, every bound, pairs of keys, and text that is no
//! configuration at all.

mod alarms;
mod bounds;
mod examples;
mod limits;
mod pairs;
mod pictures;
mod recordings;
mod scenarios;

use super::*;

const PHANTOM: &str = include_str!("../../../config/bench-phantom.toml");
const FOUR: &str = include_str!("../../../config/four-receivers.toml");

/// The example with one line, found by its beginning, replaced.
#[track_caller]
fn with_line(text: &str, beginning: &str, replacement: &str) -> String {
    let found = text.lines().filter(|line| line.starts_with(beginning)).count();
    assert!(found >= 1, "no line begins with {beginning:?}");
    let mut replaced = false;
    let lines = text.lines().map(|line| {
        if line.starts_with(beginning) && !replaced {
            replaced = true;
            return replacement;
        }
        line
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// The example with a key set to a value; the key's first line is the one meant.
#[track_caller]
fn with(key: &str, value: &str) -> String {
    with_line(PHANTOM, &format!("{key} = "), &format!("{key} = {value}"))
}

#[track_caller]
fn refused(text: &str) -> Diagnosis {
    parse("bench.toml", text).expect_err("this configuration has a fault")
}

/// The only fault of a text.
#[track_caller]
fn only_fault(text: &str) -> Diagnostic {
    let diagnosis = refused(text);
    let faults: Vec<_> = diagnosis.faults().cloned().collect();
    assert_eq!(faults.len(), 1, "{diagnosis}");
    faults[0].clone()
}

/// One key with a value that gives one fault, at that key's line, saying `message`.
#[track_caller]
fn check(key: &str, value: &str, message: &str) {
    let text = with(key, value);
    let fault = only_fault(&text);
    assert!(fault.message().contains(message), "{}", fault.message());
    let line = 1 + text.lines().position(|line| line.starts_with(&format!("{key} = "))).unwrap();
    assert_eq!(fault.lines()[0], line, "{fault}");
}

/// One key with a value that is fine.
#[track_caller]
fn accepted(key: &str, value: &str) -> Loaded {
    parse("bench.toml", &with(key, value)).unwrap_or_else(|diagnosis| panic!("{diagnosis}"))
}

/// The lines a text's only fault marks, as the text of the lines.
#[track_caller]
fn check_places(text: &str, message: &str, places: &[&str]) {
    let fault = only_fault(text);
    assert!(fault.message().contains(message), "{}", fault.message());
    check_lines(text, &fault, places);
}

#[track_caller]
fn check_lines(text: &str, diagnostic: &Diagnostic, places: &[&str]) {
    let lines: Vec<&str> = text.lines().collect();
    let marked = diagnostic.lines();
    assert_eq!(marked.len(), places.len(), "{diagnostic}");
    for (line, place) in marked.into_iter().zip(places) {
        assert!(lines[line - 1].starts_with(place), "{place}\n{diagnostic}");
    }
}

/// The lines of the example that set a key, counted from 0, with the key.
fn keys() -> Vec<(usize, &'static str)> {
    let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_';
    let key = |(line, text): (usize, &'static str)| {
        let (key, _) = text.split_once(" = ")?;
        key.bytes().all(plain).then_some((line, key))
    };
    PHANTOM.lines().enumerate().filter_map(key).collect()
}

fn replace_line(text: &str, line: usize, replacement: &str) -> String {
    let lines = text.lines().enumerate();
    let lines = lines.map(|(at, text)| if at == line { replacement } else { text });
    lines.collect::<Vec<_>>().join("\n")
}
