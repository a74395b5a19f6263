//! Where pulses lie that nobody marked: rows of an array, records cut by repetition or by the
//! drive's envelope; and who they are, by a cue list without places or for all alike.

use std::num::NonZeroU32;
use std::path::Path;
use std::sync::Arc;

use super::array::{Grid, MAX_PULSES};
use super::cues::CueList;
use super::error::RecordingError;
use super::pulses::{Candidate, Place};
use super::recording::{Arrangement, Recording};
use super::source::Source;
use crate::engine::{Input, PulseTag, SampleIndex, Stage};
use crate::signal::{Bursts, CutBy, Cutting, as_f64, pcm};

/// Bytes read at a time while the envelope is looked at.
const BLOCK_BYTES: usize = 1 << 20;

/// Who pulses are, and where a cue list is, beside the recording itself.
#[derive(Debug, Clone, Copy, Default)]
pub struct Hints<'a> {
    /// The cue list.
    pub cues: Option<&'a Path>,
    /// Stage of pulses that are found and that no list names.
    pub stage: Option<Stage>,
    /// Their drive, MPa.
    pub drive_mpa: Option<f64>,
    /// Number of the first of them.
    pub first_number: u64,
}

/// Where a pulse lies: its first sample set, and how many.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Spot {
    pub(super) start: u64,
    pub(super) samples: u64,
}

/// The rows of an array of pulses.
pub(super) fn of_rows(grid: &Grid) -> Vec<Spot> {
    let samples = grid.samples();
    (0..grid.pulses()).map(|row| Spot { start: row * samples, samples }).collect()
}

/// Cuts a recording without marks.
pub(super) fn cut(
    recording: &Recording,
    arrangement: &Arrangement,
    cutting: &Cutting,
    warnings: &mut Vec<String>,
) -> Result<Vec<Spot>, RecordingError> {
    let rate = recording.stream.sample_rate_hz;
    let bad = |fault: String| RecordingError::bad(&recording.path, fault);
    let Some(samples) = samples_of(cutting.record_s * rate).filter(|samples| *samples > 0) else {
        return Err(bad(format!("recordings.record_s is {}, no sample long", cutting.record_s)));
    };
    let spots = match cutting.by {
        CutBy::Repetition { first_pulse_s } => {
            let end = recording.layout.samples();
            repeated(first_pulse_s * rate, rate / arrangement.repetition_hz, samples, end)
        }
        CutBy::Envelope { channel, threshold_v, trigger_after_crossing_s } => {
            let before = (trigger_after_crossing_s - arrangement.pretrigger_s) * rate;
            let crossings = crossings(
                recording,
                arrangement,
                (channel, threshold_v),
                (samples, before),
                warnings,
            )?;
            by_envelope(&crossings, before, samples, warnings)
        }
    };
    if spots.len() as u64 > MAX_PULSES {
        return Err(bad(format!("more than {MAX_PULSES} pulses by cutting")));
    }
    Ok(spots)
}

/// Whole records, one a period; the period need not be a whole number of samples.
fn repeated(first: f64, period: f64, samples: u64, end: u64) -> Vec<Spot> {
    (0..=MAX_PULSES)
        .map_while(|pulse| samples_of(first + period * whole(pulse)))
        .map(|start| Spot { start, samples })
        .take_while(|spot| spot.start.saturating_add(spot.samples) <= end)
        .collect()
}

/// Records that begin `before` (mostly below 0) the crossings.
fn by_envelope(
    crossings: &[u64],
    before: f64,
    samples: u64,
    warnings: &mut Vec<String>,
) -> Vec<Spot> {
    let mut spots: Vec<Spot> = Vec::new();
    let mut early = 0;
    for crossing in crossings {
        let end = spots.last().map_or(0, |spot| spot.start + spot.samples);
        match samples_of(whole(*crossing) + before).filter(|start| *start >= end) {
            Some(start) => spots.push(Spot { start, samples }),
            None => early += 1,
        }
    }
    if early > 0 {
        warnings.push(format!(
            "{early} bursts begin before the record that belongs to them can; they are left out"
        ));
    }
    spots
}

/// Where the drive's envelope passes its threshold and stays.
fn crossings(
    recording: &Recording,
    arrangement: &Arrangement,
    (channel, threshold_v): (usize, f64),
    (samples, before): (u64, f64),
    warnings: &mut Vec<String>,
) -> Result<Vec<u64>, RecordingError> {
    let stream = &recording.stream;
    let (rate, channels) = (stream.sample_rate_hz, stream.channels);
    let Some(volts) = recording.volts_per_count.get(channel) else {
        let fault = format!("recordings.envelope_channel is {channel}, of {channels} channels");
        return Err(RecordingError::bad(&recording.path, fault));
    };
    let burst = samples_of(arrangement.pulse_s * rate).unwrap_or(1);
    let hold = samples_of(whole(samples) + before).unwrap_or(0);
    let threshold = threshold_v / volts;
    let mut bursts = Bursts::new(arrangement.frequency_hz / rate, threshold, burst, hold);
    let mut all = recording.clone();
    all.pulses = vec![recording.whole()];
    let (mut planar, mut found) = (Vec::new(), Vec::new());
    for item in Source::new(vec![all], BLOCK_BYTES, Vec::new)? {
        let Input::Frame(frame) = item? else { continue };
        pcm::to_planar(stream.sample_format, channels, &[channel], &frame.bytes, &mut planar);
        found.extend(planar.iter().filter_map(|x| bursts.push(f64::from(*x))));
        if found.len() as u64 > MAX_PULSES {
            break;
        }
    }
    found.extend(bursts.finish());
    if bursts.passed_over() > 0 {
        warnings.push(format!(
            "the drive's envelope passed {threshold_v} V {} times for less than half a burst; these \
             are passed over",
            bursts.passed_over()
        ));
    }
    Ok(found)
}

/// Pulses at spots, named by a list's rows in their order or, without a list, all alike.
pub(super) fn named(
    spots: &[Spot],
    list: Option<CueList>,
    hints: &Hints<'_>,
) -> Result<Vec<Candidate>, String> {
    let Some(list) = list else {
        let stage = hints.stage.ok_or(
            "nothing says what its pulses are for: give --stage, or --cues with a list of the \
             columns pulse,drive_mpa,stage and a row for each pulse in order",
        )?;
        let pulses = (hints.first_number..).zip(spots).zip(0..);
        return Ok(pulses
            .map(|((number, spot), index)| Candidate {
                place: Place::Found(index),
                start: spot.start,
                samples: spot.samples,
                first: None,
                tag: tag(number, stage, hints.drive_mpa),
                unknown: None,
            })
            .collect());
    };
    if list.placed {
        return Err("line 1: start_sample, sample_count and trigger_sample have no meaning here, \
                    where rows of an array or the cutting of the configuration say where pulses \
                    lie; leave them out"
            .to_owned());
    }
    if list.candidates.len() != spots.len() {
        return Err(format!(
            "has {} rows, but {} pulses were found; a row is a pulse",
            list.candidates.len(),
            spots.len()
        ));
    }
    let at = |(candidate, spot): (Candidate, &Spot)| Candidate {
        start: spot.start,
        samples: spot.samples,
        ..candidate
    };
    Ok(list.candidates.into_iter().zip(spots).map(at).collect())
}

fn tag(number: u64, stage: Stage, drive_mpa: Option<f64>) -> PulseTag {
    PulseTag {
        number,
        first: SampleIndex(0),
        time: None,
        trigger_offset: None,
        drive_mpa,
        drive_setting: None,
        target: Arc::from(""),
        exposure: None::<NonZeroU32>,
        stage,
        sham: false,
        lost_samples: 0,
    }
}

/// Whole samples, to the nearest; nothing below 0 or from 2^53 on.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "from 0 to 2^53, which was just checked"
)]
fn samples_of(samples: f64) -> Option<u64> {
    // The product of a time and a rate is first rounded to a millionth of a sample.
    let samples = ((samples * 1e6).round() / 1e6).round();
    (0.0..9e15).contains(&samples).then_some(samples as u64)
}

fn whole(count: u64) -> f64 {
    as_f64(usize::try_from(count).unwrap_or(usize::MAX))
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;
    use std::fs;

    use super::super::Expect;
    use super::super::specimen::{expect, frames, without};
    use super::*;
    use crate::signal::SampleFormat;

    /// A recording of 12 bursts of 100 periods, one each 4000.4 samples, and what cuts it.
    fn bursts(folder: &std::path::Path, by: CutBy) -> (std::path::PathBuf, Expect) {
        let mut counts = vec![0_i16; 49_000];
        for pulse in 0..12_u32 {
            let begin = (700.0 + 4000.4 * f64::from(pulse)).ceil();
            for n in 0..2000_u32 {
                let at = samples_of(begin).unwrap() + u64::from(n);
                let value = 1000.0 * (TAU * 0.05 * f64::from(n)).sin();
                counts[usize::try_from(at).unwrap()] = format!("{value:.0}").parse().unwrap();
            }
        }
        let path = folder.join("bursts.raw");
        let bytes: Vec<u8> = counts.iter().flat_map(|count| count.to_le_bytes()).collect();
        fs::write(&path, bytes).unwrap();
        let mut expect = expect(SampleFormat::Ri16Le, 1);
        let rate = expect.sample_rate_hz;
        expect.arrangement = Arrangement {
            axes: None,
            cutting: Some(Cutting { record_s: 3000.0 / rate, by }),
            frequency_hz: 0.05 * rate,
            pulse_s: 2000.0 / rate,
            repetition_hz: rate / 4000.4,
            pretrigger_s: 500.0 / rate,
        };
        (path, expect)
    }

    const ENVELOPE: CutBy = CutBy::Envelope {
        channel: 0,
        // A hundred counts, a tenth of the burst.
        threshold_v: 100.0 * 6.103_515_625e-5,
        trigger_after_crossing_s: 0.0,
    };

    #[test]
    fn bursts_are_cut_where_their_envelope_begins() {
        let folder = tempfile::tempdir().unwrap();
        let (path, expect) = bursts(folder.path(), ENVELOPE);
        let hints = Hints { stage: Some(Stage::Baseline), first_number: 7, ..Hints::default() };
        let recording = Recording::open_with(&path, &expect, &hints).unwrap();
        assert_eq!(recording.pulses.len(), 12);
        for (pulse, index) in recording.pulses.iter().zip(0_u32..) {
            let begin = (200.0 + 4000.4 * f64::from(index)).ceil();
            // A tenth of two periods of the drive is 4 samples.
            let late = whole(pulse.start) - begin;
            assert!((0.0..8.0).contains(&late), "pulse {index} is {late} samples late");
            assert_eq!((pulse.samples, pulse.tag.number), (3000, u64::from(index) + 7));
        }
        assert!(recording.found && recording.warnings.is_empty(), "{:?}", recording.warnings);
        assert_eq!(frames(&recording, 1 << 20).len(), 12);
    }

    #[test]
    fn records_cut_by_repetition_stay_with_a_period_that_is_no_whole_number() {
        let folder = tempfile::tempdir().unwrap();
        let by = CutBy::Repetition { first_pulse_s: 200.0 / 20e6 };
        let (path, expect) = bursts(folder.path(), by);
        let hints = Hints { stage: Some(Stage::Noise), ..Hints::default() };
        let recording = Recording::open_with(&path, &expect, &hints).unwrap();
        let starts: Vec<u64> = recording.pulses.iter().map(|pulse| pulse.start).collect();
        assert_eq!((starts[0], starts[1], starts[11], starts.len()), (200, 4200, 44_204, 12));
    }

    #[test]
    fn a_list_without_places_names_what_was_cut_row_by_row() {
        let folder = tempfile::tempdir().unwrap();
        let (path, expect) = bursts(folder.path(), ENVELOPE);
        let cues = folder.path().join("cues.csv");
        let told = |text: &str| {
            fs::write(&cues, text).unwrap();
            let error = Recording::open(&path, &expect, Some(&cues)).unwrap_err();
            without(&error.to_string(), folder.path())
        };
        let rows: String = (0..12).map(|n| format!("{},0.{n},baseline,{n}°\n", 90 + n)).collect();
        fs::write(&cues, format!("pulse,drive_mpa,stage,bath\n{rows}")).unwrap();
        let recording = Recording::open(&path, &expect, Some(&cues)).unwrap();
        assert_eq!(recording.pulses[3].tag.number, 93);
        assert_eq!(recording.kept.rows[3], (93, vec!["3°".to_owned()]));
        let short = "cues.csv: has 1 rows, but 12 pulses were found; a row is a pulse";
        assert_eq!(told("pulse,drive_mpa,stage\n90,0.1,noise\n"), short);
        let placed = "start_sample,sample_count,pulse,drive_mpa,stage\n0,10,1,,noise\n";
        assert!(told(placed).contains("have no meaning here"));
        let error = Recording::open(&path, &expect, None).unwrap_err();
        assert!(error.to_string().contains("give --stage, or --cues"), "{error}");
    }

    #[test]
    fn records_come_once_a_period_as_long_as_they_are_whole() {
        let starts: Vec<u64> =
            repeated(5.0, 33.4, 20, 130).into_iter().map(|spot| spot.start).collect();
        assert_eq!(starts, [5, 38, 72, 105]);
        assert!(repeated(5.0, 33.4, 20, 24).is_empty());
    }

    #[test]
    fn bursts_whose_record_begins_before_the_file_are_left_out_and_said() {
        let mut warnings = Vec::new();
        let spots = by_envelope(&[30, 200, 260, 400], -50.0, 100, &mut warnings);
        let starts: Vec<u64> = spots.iter().map(|spot| spot.start).collect();
        assert_eq!(starts, [150, 350]);
        assert!(warnings[0].starts_with("2 bursts begin before"), "{warnings:?}");
    }
}
