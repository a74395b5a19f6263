//! Cue lists: pulses of a recording as a table, CSV after RFC 4180 with a header line.
//!
//! Columns in any order: `start_sample`, `sample_count`, `pulse`, `drive_mpa`, `stage`, and where
//! wanted `target`, `exposure`, `drive_setting`, `trigger_sample`, `trigger_offset`. Indices count
//! sample sets of the file from 0, `trigger_sample` too; `trigger_offset` counts from the pulse's
//! first. An empty field is unknown. Where something else says where pulses lie (rows of an array,
//! cutting), the list has no places: its rows are the pulses in their order. Columns of other names
//! are kept as they are, unless they look like a slip of the pen.

use std::num::NonZeroU32;
use std::path::Path;
use std::sync::Arc;

use csv::{ByteRecord, ReaderBuilder, Trim};

use super::bytes::read_bounded;
use super::error::RecordingError;
use super::pulses::{Candidate, MAX_WHOLE, Place, check_target};
use super::sigmf_json::quoted;
use crate::engine::{PulseTag, SampleIndex, Stage};

/// Largest cue list read: some 800,000 pulses, two days at 5 a second.
const MAX_CUE_BYTES: u64 = 32 << 20;
/// Columns that must be there.
const NEEDED: [&str; 5] = ["start_sample", "sample_count", "pulse", "drive_mpa", "stage"];
/// Columns that say where a pulse lies in the file.
const PLACES: [&str; 3] = ["start_sample", "sample_count", "trigger_sample"];
/// Most columns of other names that are kept, and longest name of one, bytes.
const MAX_KEPT: usize = 64;
const LONGEST_NAME: usize = 64;
/// Every column.
const COLUMNS: [&str; 10] = [
    "start_sample",
    "sample_count",
    "pulse",
    "drive_mpa",
    "stage",
    "target",
    "exposure",
    "drive_setting",
    "trigger_sample",
    "trigger_offset",
];

/// Columns of a cue list that nobody here knows, with the number of each row's pulse.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Kept {
    /// Names of the columns.
    pub columns: Vec<String>,
    /// Pulse and fields, one a column.
    pub rows: Vec<(u64, Vec<String>)>,
}

/// A cue list as read.
#[derive(Debug, Default)]
pub(super) struct CueList {
    pub(super) candidates: Vec<Candidate>,
    /// Whether it says where pulses lie.
    pub(super) placed: bool,
    pub(super) kept: Kept,
}

/// Reads a cue list.
pub(super) fn read(path: &Path) -> Result<CueList, RecordingError> {
    let text = read_bounded(path, MAX_CUE_BYTES)?;
    parse(&text).map_err(|fault| RecordingError::bad(path, fault))
}

/// How many pulses a cue list names that does not say where they lie; `None` when it does.
///
/// # Errors
/// As for reading it.
pub fn names_pulses(path: &Path) -> Result<Option<u64>, RecordingError> {
    let list = read(path)?;
    Ok((!list.placed).then_some(list.candidates.len() as u64))
}

fn parse(text: &[u8]) -> Result<CueList, String> {
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let mut reader =
        ReaderBuilder::new().has_headers(false).flexible(true).trim(Trim::All).from_reader(text);
    let mut record = ByteRecord::new();
    if !reader.read_byte_record(&mut record).map_err(|error| error.to_string())? {
        return Err(format!("is empty, must begin with the line {}", NEEDED.join(",")));
    }
    let columns = header(&record)?;
    let mut list = CueList { placed: columns.placed(), ..CueList::default() };
    list.kept.columns = columns.kept.iter().map(|(_, name)| name.clone()).collect();
    while reader.read_byte_record(&mut record).map_err(|error| error.to_string())? {
        let line = record.position().map_or(0, |position| line_of(text, position));
        let row = Row { columns: &columns, record: &record };
        let candidate = row.candidate(line).map_err(|fault| format!("line {line}: {fault}"))?;
        if !columns.kept.is_empty() {
            list.kept.rows.push((candidate.tag.number, row.kept()));
        }
        list.candidates.push(candidate);
    }
    Ok(list)
}

/// The line a record stands on, from 1. Its position is that of the empty lines before it.
fn line_of(text: &[u8], position: &csv::Position) -> u64 {
    let begin = usize::try_from(position.byte()).unwrap_or(text.len());
    let ends = text.iter().skip(begin).take_while(|byte| matches!(byte, b'\n' | b'\r'));
    position.line() + ends.filter(|byte| **byte == b'\n').count() as u64
}

/// The place of each of [`COLUMNS`] in the records, and how many there are.
struct Header {
    places: [Option<usize>; COLUMNS.len()],
    /// Places and names of columns that are only kept.
    kept: Vec<(usize, String)>,
    width: usize,
}

impl Header {
    fn has(&self, name: &str) -> bool {
        let column = COLUMNS.iter().position(|column| *column == name);
        column.is_some_and(|column| self.places[column].is_some())
    }

    fn placed(&self) -> bool {
        PLACES.iter().any(|name| self.has(name))
    }
}

fn header(record: &ByteRecord) -> Result<Header, String> {
    let mut header =
        Header { places: [None; COLUMNS.len()], kept: Vec::new(), width: record.len() };
    for (place, name) in record.iter().enumerate() {
        let name = String::from_utf8_lossy(name);
        let fault = |fault: String| Err(format!("line 1: column {}: {fault}", place + 1));
        let known = COLUMNS.iter().position(|column| *column == name);
        let twice = match known {
            Some(column) => header.places[column].replace(place).is_some(),
            None => header.kept.iter().any(|(_, other)| *other == name),
        };
        if twice {
            return fault(format!("{name} stands twice"));
        }
        if known.is_some() {
            continue;
        }
        let unknown = suggest(&name, &COLUMNS);
        if name.contains([';', '\t']) {
            return fault(format!("{unknown}; columns are parted by commas"));
        }
        if unknown.contains("did you mean") || name.is_empty() || name.len() > LONGEST_NAME {
            return fault(unknown);
        }
        if header.kept.len() == MAX_KEPT {
            return fault(format!("more than {MAX_KEPT} columns of other names"));
        }
        header.kept.push((place, name.into_owned()));
    }
    let needed = NEEDED.into_iter().filter(|name| header.placed() || !PLACES.contains(name));
    let missing: Vec<_> = needed.filter(|name| !header.has(name)).collect();
    if !missing.is_empty() {
        return Err(format!("line 1: missing columns: {}", missing.join(", ")));
    }
    Ok(header)
}

struct Row<'a> {
    columns: &'a Header,
    record: &'a ByteRecord,
}

impl Row<'_> {
    fn candidate(&self, line: u64) -> Result<Candidate, String> {
        let (found, width) = (self.record.len(), self.columns.width);
        if found != width {
            return Err(format!("{found} fields, the first line has {width}"));
        }
        let placed = |name| if self.columns.placed() { self.needed_whole(name) } else { Ok(0) };
        let (start, samples) = (placed("start_sample")?, placed("sample_count")?);
        let stage = self.text("stage")?.unwrap_or("");
        let stage = Stage::from_name(stage).ok_or_else(|| {
            format!("stage is {}, must be noise, baseline or exposure", quoted(stage))
        })?;
        let drive_mpa = self.real("drive_mpa")?;
        if let Some(drive) = drive_mpa.filter(|drive| *drive < 0.0) {
            return Err(format!("drive_mpa is {drive}, must not be negative"));
        }
        let target = self.text("target")?.unwrap_or("");
        check_target(target).map_err(|fault| format!("target {fault}"))?;
        let exposure = self.whole("exposure")?.unwrap_or(0);
        let exposure = u32::try_from(exposure)
            .map_err(|_| format!("exposure is {exposure}, must be below 2^32"))?;
        let trigger = self.whole("trigger_sample")?;
        let trigger_offset = trigger.map(|at| at.checked_sub(start).ok_or(at)).transpose();
        let trigger_offset = trigger_offset
            .map_err(|at| format!("trigger_sample is {at}, before start_sample {start}"))?;
        let offset = self.whole("trigger_offset")?;
        if trigger_offset.is_some() && offset.is_some() {
            return Err("trigger_sample and trigger_offset, one of them must be empty".to_owned());
        }
        let tag = PulseTag {
            number: self.needed_whole("pulse")?,
            first: SampleIndex(0),
            time: None,
            trigger_offset: trigger_offset.or(offset),
            drive_mpa,
            drive_setting: self.real("drive_setting")?,
            target: Arc::from(target),
            exposure: NonZeroU32::new(exposure),
            stage,
            sham: false,
            lost_samples: 0,
        };
        Ok(Candidate { place: Place::Line(line), start, samples, first: None, tag, unknown: None })
    }

    /// The fields that are only kept.
    fn kept(&self) -> Vec<String> {
        let field = |place| String::from_utf8_lossy(self.record.get(place).unwrap_or_default());
        self.columns.kept.iter().map(|(place, _)| field(*place).into_owned()).collect()
    }

    /// The field of a column; `None` when there is no such column or the field is empty.
    fn text(&self, name: &str) -> Result<Option<&str>, String> {
        let column = COLUMNS.iter().position(|column| *column == name);
        let place = column.and_then(|column| self.columns.places[column]);
        let Some(field) = place.and_then(|place| self.record.get(place)) else { return Ok(None) };
        let text = std::str::from_utf8(field).map_err(|_| {
            format!("{name} is {}, which is not UTF-8", quoted(&String::from_utf8_lossy(field)))
        })?;
        Ok(Some(text).filter(|text| !text.is_empty()))
    }

    fn whole(&self, name: &str) -> Result<Option<u64>, String> {
        let Some(text) = self.text(name)? else { return Ok(None) };
        match text.parse() {
            Ok(value) if value <= MAX_WHOLE => Ok(Some(value)),
            _ => Err(format!("{name} is {}, must be a whole number from 0 to 2^53", quoted(text))),
        }
    }

    fn needed_whole(&self, name: &str) -> Result<u64, String> {
        self.whole(name)?.ok_or_else(|| format!("{name} is empty, must be a whole number"))
    }

    fn real(&self, name: &str) -> Result<Option<f64>, String> {
        let Some(text) = self.text(name)? else { return Ok(None) };
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value)),
            _ => Err(format!("{name} is {}, must be a finite number", quoted(text))),
        }
    }
}

/// Says that a name is unknown and which known one is close to it, if one is.
pub(super) fn suggest(name: &str, known: &[&str]) -> String {
    const LONGEST: usize = 64;
    let unknown = format!("unknown name {}", quoted(name));
    if name.len() > LONGEST {
        return unknown;
    }
    let lower = name.to_lowercase();
    let near = known.iter().map(|known| (edits(&lower, known), known)).min();
    match near {
        Some((edits, near)) if edits <= 1 + near.len() / 4 => {
            format!("{unknown}, did you mean {near}?")
        }
        _ => unknown,
    }
}

/// Levenshtein's distance of two short names, in characters.
fn edits(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (done, letter) in from.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], done + 1);
        for (at, other) in to.iter().enumerate() {
            let change = diagonal + usize::from(letter != *other);
            diagonal = row[at + 1];
            row[at + 1] = change.min(diagonal + 1).min(row[at] + 1);
        }
    }
    row[to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "start_sample,sample_count,pulse,drive_mpa,stage";

    #[track_caller]
    fn check(text: &str, fault: &str) {
        assert_eq!(parse(text.as_bytes()).unwrap_err(), fault);
    }

    #[test]
    fn columns_may_stand_in_any_order() {
        let text = "\u{feff}stage , trigger_sample,pulse,target,drive_mpa,sample_count,start_sample,\
                    exposure,drive_setting\r\nexposure,140,7,\"tube, left\",,80,100,2,-3.5\r\n";
        let cues = parse(text.as_bytes()).unwrap().candidates;
        let [cue] = cues.as_slice() else { panic!("{cues:?}") };
        assert_eq!((cue.start, cue.samples, cue.tag.number), (100, 80, 7));
        assert_eq!(cue.tag.trigger_offset, Some(40));
        assert_eq!((cue.tag.drive_mpa, cue.tag.drive_setting), (None, Some(-3.5)));
        assert_eq!(&*cue.tag.target, "tube, left");
        assert_eq!((cue.tag.stage, cue.tag.exposure), (Stage::Exposure, NonZeroU32::new(2)));
    }

    #[test]
    fn columns_of_other_names_are_kept_as_they_are() {
        let text = format!("{HEAD},temperature,note\n0,10,4,0.3,noise,21.50,\"a, b\"\n");
        let list = parse(text.as_bytes()).unwrap();
        assert_eq!(list.kept.columns, ["temperature", "note"]);
        assert_eq!(list.kept.rows, [(4, vec!["21.50".to_owned(), "a, b".to_owned()])]);
    }

    #[test]
    fn a_list_without_places_names_pulses_in_their_order() {
        let list =
            parse(b"pulse,drive_mpa,stage,trigger_offset\n4,0.3,noise,7\n5,,noise,\n").unwrap();
        assert!(!list.placed && list.candidates.len() == 2);
        assert_eq!(list.candidates[0].tag.trigger_offset, Some(7));
        check("pulse,stage\n", "line 1: missing columns: drive_mpa");
    }

    #[test]
    fn faults_of_the_head_name_the_column() {
        check("", &format!("is empty, must begin with the line {HEAD}"));
        check(
            "start_sample,sample_count,pulse,drive_Mpa,stage\n",
            "line 1: column 4: unknown name \"drive_Mpa\", did you mean drive_mpa?",
        );
        let slip = "line 1: column 6: unknown name \"targets\", did you mean target?";
        check(&format!("{HEAD},targets\n"), slip);
        check(&format!("{HEAD},a,a\n"), "line 1: column 7: a stands twice");
        check("pulse,stage,pulse\n", "line 1: column 3: pulse stands twice");
        check("start_sample,stage\n", "line 1: missing columns: sample_count, pulse, drive_mpa");
        check(
            "pulse;stage\n",
            "line 1: column 1: unknown name \"pulse;stage\"; columns are parted by commas",
        );
    }

    #[test]
    fn faults_of_a_row_name_line_column_and_value() {
        let row = |row: &str, fault: &str| {
            let head = format!("{HEAD},target,exposure,trigger_sample\n0,10,1,0.5,noise,,,\n");
            check(&format!("{head}{row}\n"), &format!("line 3: {fault}"));
        };
        row("x,10,2,0.5,noise,,,", "start_sample is \"x\", must be a whole number from 0 to 2^53");
        row(
            "-1,10,2,0.5,noise,,,",
            "start_sample is \"-1\", must be a whole number from 0 to 2^53",
        );
        row(",10,2,0.5,noise,,,", "start_sample is empty, must be a whole number");
        row("20,10,,0.5,noise,,,", "pulse is empty, must be a whole number");
        row("20,10,2,nan,noise,,,", "drive_mpa is \"nan\", must be a finite number");
        row("20,10,2,-1,noise,,,", "drive_mpa is -1, must not be negative");
        row("20,10,2,1,Noise,,,", "stage is \"Noise\", must be noise, baseline or exposure");
        row("20,10,2,1,,,,", "stage is \"\", must be noise, baseline or exposure");
        row("20,10,2,1,noise,,4294967296,", "exposure is 4294967296, must be below 2^32");
        row("20,10,2,1,noise,,,19", "trigger_sample is 19, before start_sample 20");
        row("20,10,2,1,noise", "5 fields, the first line has 8");
    }

    #[test]
    fn a_field_that_is_not_utf_8_is_shown_with_its_line() {
        let mut text = format!("{HEAD}\n0,10,1,0.5,noi").into_bytes();
        text.extend_from_slice(b"\xff\n");
        let fault = "line 2: stage is \"noi\u{fffd}\", which is not UTF-8";
        assert_eq!(parse(&text).unwrap_err(), fault);
    }

    #[test]
    fn a_cue_list_cut_at_any_byte_does_not_panic() {
        let text = format!("{HEAD},target\n0,10,1,0.5,noise,\"a \"\"b\"\n20,10,2,0.5,noise,c\n");
        let rows: Vec<_> = (0..=text.len())
            .map(|end| parse(&text.as_bytes()[..end]).map(|r| r.candidates.len()))
            .collect();
        assert_eq!(rows.last(), Some(&Ok(2)));
    }

    // from memory: Levenshtein's distance of kitten and sitting is 3
    #[test]
    fn kitten_is_three_edits_from_sitting() {
        assert_eq!(edits("kitten", "sitting"), 3);
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_after_the_head_do_not_panic(
            bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200),
        ) {
            let mut text = format!("{HEAD}\n").into_bytes();
            text.extend(bytes);
            if let Ok(cues) = parse(&text) {
                proptest::prop_assert!(cues.candidates.iter().all(|cue| cue.start <= MAX_WHOLE));
            }
        }
    }
}
