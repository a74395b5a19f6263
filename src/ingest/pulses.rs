//! Pulses of one recording: from what annotations or cues say to where their samples lie.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::layout::Layout;
use crate::engine::{PulseTag, SampleIndex};

/// Greatest whole number read from a file, 2^53 − 1: JSON numbers are exact up to there
/// (RFC 8259, section 6), and no sum of two overflows.
pub(super) const MAX_WHOLE: u64 = (1 << 53) - 1;
/// Longest name of a target, bytes.
const MAX_TARGET_BYTES: usize = 256;
/// Most unknown keys warned of.
const MAX_UNKNOWN: usize = 20;

/// A pulse of a recording and where it lies in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulse {
    /// Everything known of it.
    pub tag: Arc<PulseTag>,
    /// File index of its first stored sample set.
    pub start: u64,
    /// Sample sets it should have in the file by its annotation or cue.
    pub samples: u64,
    /// Sample sets of it the file holds; fewer than `samples` when the file ends early.
    pub stored: u64,
}

/// Where a pulse is said to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    /// Index in SigMF's `annotations`.
    Annotation(usize),
    /// Line of a cue list, from 1.
    Line(u64),
    /// Pulse found by cutting or in an array, from 0.
    Found(u64),
}

impl std::fmt::Display for Place {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Annotation(index) => write!(out, "annotations[{index}]"),
            Self::Line(line) => write!(out, "line {line}"),
            Self::Found(index) => write!(out, "pulse {index} from the beginning"),
        }
    }
}

impl Place {
    const fn start_key(self) -> &'static str {
        match self {
            Self::Annotation(_) => "core:sample_start",
            Self::Line(_) | Self::Found(_) => "start_sample",
        }
    }

    const fn count_key(self) -> &'static str {
        match self {
            Self::Annotation(_) => "core:sample_count",
            Self::Line(_) | Self::Found(_) => "sample_count",
        }
    }

    const fn number_key(self) -> &'static str {
        match self {
            Self::Annotation(_) => "simmer:pulse",
            Self::Line(_) | Self::Found(_) => "pulse",
        }
    }
}

/// A pulse as it is written down, not yet held against the data.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Candidate {
    pub(super) place: Place,
    /// Index of the first sample set, counted as the place counts (SigMF: from `core:offset`).
    pub(super) start: u64,
    pub(super) samples: u64,
    /// Device index of the pulse's first sample where that one was never stored.
    pub(super) first: Option<u64>,
    /// The tag; its `first` is found when the candidate is held against the data.
    pub(super) tag: PulseTag,
    /// A key of ours that is not known, with what may have been meant.
    pub(super) unknown: Option<String>,
}

/// Checks a target's name.
pub(super) fn check_target(name: &str) -> Result<(), String> {
    if name.len() > MAX_TARGET_BYTES {
        return Err(format!("is {} bytes long, at most {MAX_TARGET_BYTES} are read", name.len()));
    }
    match name.chars().find(|letter| letter.is_control()) {
        Some(letter) => Err(format!("is {name:?}, which holds the control character {letter:?}")),
        None => Ok(()),
    }
}

/// Holds candidates against the data: order, overlap, ends. `offset` is the index the first sample
/// set of the file has where the candidates count. A pulse that begins in the data and ends beyond
/// is cut short, with a warning.
pub(super) fn lay_out(
    candidates: Vec<Candidate>,
    layout: &Layout,
    offset: u64,
    warnings: &mut Vec<String>,
) -> Result<Vec<Pulse>, String> {
    let mut pulses: Vec<Pulse> = Vec::with_capacity(candidates.len());
    let mut device_end = 0;
    let mut unknown = BTreeSet::new();
    for mut candidate in candidates {
        let place = candidate.place;
        if let Some(key) = candidate.unknown.take()
            && unknown.len() < MAX_UNKNOWN
            && unknown.insert(key.clone())
        {
            warnings.push(format!("{place}: {key}; it is passed over"));
        }
        let pulse = lay_out_one(candidate, layout, offset, pulses.last(), device_end)
            .map_err(|fault| format!("{place}: {fault}"))?;
        device_end = pulse.tag.first.0;
        if pulse.stored > 0 {
            device_end = layout.device_of(pulse.start + pulse.stored - 1) + 1;
        }
        if pulse.stored < pulse.samples {
            warnings.push(format!(
                "{place}: pulse {} reaches to sample {}, the data ends at {}: it is cut short",
                pulse.tag.number,
                offset + pulse.start + pulse.samples,
                offset + layout.samples()
            ));
        }
        pulses.push(pulse);
    }
    Ok(pulses)
}

fn lay_out_one(
    candidate: Candidate,
    layout: &Layout,
    offset: u64,
    before: Option<&Pulse>,
    device_end: u64,
) -> Result<Pulse, String> {
    let Candidate { place, start: said, samples, first, mut tag, .. } = candidate;
    let (start_key, count_key) = (place.start_key(), place.count_key());
    let Some(start) = said.checked_sub(offset) else {
        return Err(format!("{start_key} is {said}, the file begins at core:offset {offset}"));
    };
    if samples == 0 && tag.lost_samples == 0 {
        return Err(format!("{count_key} is 0, a pulse without lost samples has at least 1"));
    }
    let (end, data_end) = (start + samples, layout.samples());
    if start > data_end || (start == data_end && samples > 0) {
        return Err(format!("{start_key} is {said}, the data ends at {}", offset + data_end));
    }
    if let Some(before) = before {
        check_order(place, said, (start, &tag), offset, before)?;
    }
    let device = layout.device_of(start);
    let first = first.unwrap_or(device);
    if samples > 0 && first > device {
        return Err(format!("simmer:first_sample is {first}, its first stored sample is {device}"));
    }
    if first < device_end {
        return Err(format!(
            "simmer:first_sample is {first}, the pulse before reaches to {device_end}"
        ));
    }
    tag.first = SampleIndex(first);
    let stored = end.min(data_end) - start;
    Ok(Pulse { tag: Arc::new(tag), start, samples, stored })
}

fn check_order(
    place: Place,
    said: u64,
    (start, tag): (u64, &PulseTag),
    offset: u64,
    before: &Pulse,
) -> Result<(), String> {
    let (start_key, number_key) = (place.start_key(), place.number_key());
    let was = &before.tag;
    if tag.number <= was.number {
        return Err(format!(
            "{number_key} is {} after {}, numbers must rise",
            tag.number, was.number
        ));
    }
    if start < before.start {
        return Err(format!(
            "{start_key} is {said} after {}, pulses must be in order",
            offset + before.start
        ));
    }
    if start < before.start + before.samples {
        return Err(format!(
            "{start_key} is {said}, but pulse {} reaches to {}, pulses may not overlap",
            was.number,
            offset + before.start + before.samples
        ));
    }
    if let (Some(time), Some(earlier)) = (tag.time, was.time)
        && time < earlier
    {
        return Err(format!("simmer:time_ns is {} after {}, time must rise", time.0, earlier.0));
    }
    Ok(())
}
