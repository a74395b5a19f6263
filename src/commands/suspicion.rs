//! What a look at the samples of a recording shows of how it was made: where the drive begins in its
//! records and how far that wanders, and whether floating-point samples are counts in disguise.

use std::fmt::Write as _;

use super::{Failure, Prepared};
use crate::engine::Input;
use crate::ingest::{DEFAULT_BLOCK_BYTES, Recording, Source};
use crate::signal::{CutBy, Envelope, as_f64, pcm};

/// Most pulses, samples of one pulse, and bytes that are looked at.
const MOST_PULSES: usize = 512;
const MOST_SAMPLES: usize = 1 << 22;
const MOST_BYTES: usize = 256 << 20;
/// Above this a single-precision number is always whole, or nearly.
const MOST_COUNT: f32 = 4_194_304.0;

/// What was seen.
struct Seen {
    /// Index of the pulse and onset of the drive after the trigger, s.
    onsets_s: Vec<(f64, f64)>,
    pulses: usize,
    whole: bool,
    range: (f32, f32),
    samples: usize,
}

/// Looks at a recording's first pulses; lines for `check`.
pub(super) fn text(prepared: &Prepared, recording: &Recording) -> Result<String, Failure> {
    let channel = prepared.plan.used_channels[0];
    let seen = look(prepared, recording, channel)?;
    let mut text = String::new();
    onset_text(prepared, channel, &seen, &mut text);
    let receive = &prepared.plan.spec.receive;
    let (low, high) = seen.range;
    if !receive.sample_format.is_integer() && seen.whole && seen.samples > 0 && high > low {
        // Writing into a string cannot fail.
        writeln!(
            text,
            "  suspicious     all samples are whole numbers, {low} to {high}: counts of a converter \
             kept as {}; full_scale_counts should be the converter's, or clipping is not seen",
            receive.sample_format.name()
        )
        .ok();
    }
    Ok(text)
}

fn look(prepared: &Prepared, recording: &Recording, channel: usize) -> Result<Seen, Failure> {
    let receive = &prepared.plan.spec.receive;
    let rate = receive.sample_rate_hz;
    let mut some = recording.clone();
    some.pulses.truncate(MOST_PULSES);
    let mut seen = Seen {
        onsets_s: Vec::new(),
        pulses: 0,
        whole: true,
        range: (f32::INFINITY, f32::NEG_INFINITY),
        samples: 0,
    };
    let new = || Envelope::new(prepared.plan.spec.drive_frequency_hz / rate);
    let (mut envelope, mut squares, mut planar) = (new(), Vec::new(), Vec::new());
    let mut bytes = 0;
    for item in Source::new(vec![some], DEFAULT_BLOCK_BYTES, Vec::new)? {
        let Input::Frame(frame) = item? else { continue };
        let (format, channels) = (receive.sample_format, receive.channels);
        pcm::to_planar(format, channels, &[channel], &frame.bytes, &mut planar);
        bytes += frame.bytes.len();
        for x in &planar {
            let in_range = x.abs() < MOST_COUNT;
            seen.whole &= in_range && x.fract().abs() <= 0.0;
            seen.range = (seen.range.0.min(*x), seen.range.1.max(*x));
            if squares.len() < MOST_SAMPLES {
                squares.push(envelope.push(f64::from(*x)));
            }
        }
        seen.samples += planar.len();
        if frame.last {
            let index = as_f64(seen.pulses);
            let onset = onset(&squares, envelope.window());
            let trigger_s = frame.tag.trigger_offset.map_or(receive.pretrigger_s, |offset| {
                as_f64(usize::try_from(offset).unwrap_or(usize::MAX)) / rate
            });
            seen.onsets_s.extend(onset.map(|samples| (index, samples / rate - trigger_s)));
            seen.pulses += 1;
            (envelope, squares) = (new(), Vec::new());
            if bytes > MOST_BYTES {
                break;
            }
        }
    }
    Ok(seen)
}

/// Where the envelope passes half of its highest value, less half of what it looks back over: the
/// onset of a burst that begins at once. Nothing where a record has no silence before it.
fn onset(squares: &[f64], window: usize) -> Option<f64> {
    let highest = squares.iter().copied().fold(0.0, f64::max);
    let crossing = squares.iter().position(|square| *square >= 0.25 * highest)?;
    let quiet = squares.get(window..2 * window)?.iter().copied().fold(0.0, f64::max);
    (crossing > 2 * window && highest > 100.0 * quiet)
        .then(|| as_f64(crossing) - 0.5 * as_f64(window))
}

fn onset_text(prepared: &Prepared, channel: usize, seen: &Seen, text: &mut String) {
    let n = as_f64(seen.onsets_s.len());
    if seen.onsets_s.len() < 2 {
        let why = "not seen, no silence before it or no drive";
        writeln!(text, "  drive begins   {why}, on channel {channel}").ok();
        return;
    }
    let mean = seen.onsets_s.iter().map(|(_, onset)| onset).sum::<f64>() / n;
    let middle = seen.onsets_s.iter().map(|(index, _)| index).sum::<f64>() / n;
    let (mut square, mut slope, mut spread, mut worst) = (0.0, 0.0, 0.0, 0.0_f64);
    for (index, onset) in &seen.onsets_s {
        let (x, y) = (index - middle, onset - mean);
        square += y * y;
        slope += x * y;
        spread += x * x;
        worst = worst.max(y.abs());
    }
    let sd = (square / (n - 1.0)).sqrt();
    let receive = &prepared.plan.spec.receive;
    writeln!(
        text,
        "  drive begins   {:.4} ms after the trigger; jitter SD {:.3} us, worst {:.3} us, in {} of {} \
         pulses on channel {channel}",
        1e3 * mean,
        1e6 * sd,
        1e6 * worst,
        seen.onsets_s.len(),
        seen.pulses
    )
    .ok();
    if let Some([_, end]) = receive.noise_gate_s.filter(|[_, end]| mean < *end) {
        writeln!(
            text,
            "  suspicious     the drive begins {:.4} ms before the noise gate ends: time zero is not \
             where it should be",
            1e3 * (end - mean)
        )
        .ok();
    }
    let drift = slope / spread;
    let settings = &prepared.loaded.settings;
    let repeated = settings
        .recordings
        .cutting
        .as_ref()
        .is_some_and(|cutting| matches!(cutting.by, CutBy::Repetition { .. }));
    let period = 1.0 / settings.drive.repetition_hz;
    // Most of the jitter is a drift, and all of it is more than a sample.
    let explained = drift * drift * spread > 0.5 * square;
    if repeated && explained && drift.abs() * n > 1.0 / receive.sample_rate_hz {
        writeln!(
            text,
            "  suspicious     the drive's onset drifts by {:+.4} us a pulse: it repeats {:.9} times a \
             second, repetition_hz is {}",
            1e6 * drift,
            1.0 / (period + drift),
            settings.drive.repetition_hz
        )
        .ok();
    }
}
