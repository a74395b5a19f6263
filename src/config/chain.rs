//! Reads `[drive]`, `[receive]` and `[spectrum]`: the chain from amplifier to spectrum.
//!
//! Bounds of single keys only; what two keys say together is looked at in [`super::crossing`].

use std::path::PathBuf;

use crate::signal::{ReceiveSpec, SampleFormat, SpectrumSpec, Window};

use super::bounds::{Bounds, Plain};
use super::diagnostic::Level;
use super::field::Field;
use super::outside::PATH_CHARS;
use super::settings::{CurveFiles, DriveSettings};
use super::written::Section;

/// Longest time any key may name, s: an hour, far above any burst, and small enough that samples
/// can be counted.
const LONGEST_S: f64 = 3600.0;
/// Highest sample rate, Hz.
const FASTEST_HZ: f64 = 1e10;
/// Most receive channels.
const MOST_CHANNELS: u64 = 1024;
/// Longest text of `drive_means`, characters; it stands in every table head.
const MEANS_CHARS: usize = 200;

const POSITIVE: Bounds = Bounds::above(0.0);
const MOMENT_S: Bounds = Bounds::at_least(-LONGEST_S).at_most(LONGEST_S);

/// The table `[drive]`.
pub(super) fn drive(drive: &Section<'_, '_>) -> Option<DriveSettings> {
    let frequency_hz = drive.number("frequency_hz", POSITIVE.at_most(FASTEST_HZ));
    let pulse_s = drive.number("pulse_s", POSITIVE.at_most(LONGEST_S));
    // The slowest repetition leaves a period of LONGEST_S or a little less.
    let repetition_hz = drive.number("repetition_hz", Bounds::at_least(3e-4).at_most(1e6));
    let drive_tolerance = drive.number("drive_tolerance", POSITIVE.below(0.5));
    let drive_means = drive.required("drive_means").and_then(|field| field.line(MEANS_CHARS));
    let missing_after_periods =
        drive.number("missing_after_periods", Bounds::above(1.0).at_most(1e6));
    let calibration_file =
        drive.maybe("calibration_file", |field| field.line(PATH_CHARS).map(PathBuf::from));
    Some(DriveSettings {
        frequency_hz: frequency_hz?,
        pulse_s: pulse_s?,
        repetition_hz: repetition_hz?,
        drive_tolerance: drive_tolerance?,
        drive_means: drive_means?,
        missing_after_periods: missing_after_periods?,
        calibration_file: calibration_file?,
    })
}

/// What `[receive]` says: the chain, the tables of its receivers, the drive monitor's channel.
type Receive = (ReceiveSpec, CurveFiles, Option<usize>);

/// The table `[receive]`.
pub(super) fn receive(receive: &Section<'_, '_>) -> Option<Receive> {
    let sample_rate_hz = receive.number("sample_rate_hz", POSITIVE.at_most(FASTEST_HZ));
    let channels = receive.required("channels").and_then(|field| field.count(1..=MOST_CHANNELS));
    let sample_format = receive
        .required("sample_format")
        .and_then(|field| field.choice(&SampleFormat::ALL, SampleFormat::name));
    let volts_per_count = per_channel(receive, "volts_per_count", channels, POSITIVE);
    let full_scale_counts = receive.required("full_scale_counts").and_then(|field| {
        field.pair(Bounds::FINITE).and_then(|pair| within_format(&field, pair, sample_format))
    });
    let gain_db = per_channel(receive, "gain_db", channels, Bounds::FINITE);
    let pretrigger_s = receive.number("pretrigger_s", Bounds::at_least(0.0).at_most(LONGEST_S));
    let gate_start_s = receive.number("gate_start_s", MOMENT_S);
    let gate_end_s = receive.number("gate_end_s", MOMENT_S);
    let noise_gate_s = noise_gate(receive);
    let first_arrival_s =
        receive.maybe("first_arrival_s", |field| field.number(POSITIVE.at_most(LONGEST_S)));
    let unused_channels = receive.maybe("unused_channels", |field| unused(field, channels));
    let monitor = monitor(receive, channels, unused_channels.as_ref().and_then(Option::as_deref));
    let curves = curves(receive, channels, gain_db.as_deref());
    let spec = ReceiveSpec {
        sample_rate_hz: sample_rate_hz?,
        channels: channels?,
        sample_format: sample_format?,
        volts_per_count: volts_per_count?,
        full_scale_counts: full_scale_counts?,
        gain_db: gain_db?,
        pretrigger_s: pretrigger_s?,
        gate_start_s: gate_start_s?,
        gate_end_s: gate_end_s?,
        noise_gate_s: noise_gate_s?,
        first_arrival_s: first_arrival_s?,
        unused_channels: not_listened_to(unused_channels?.unwrap_or_default(), monitor?),
    };
    Some((spec, curves?, monitor?))
}

/// The channel of the drive's own signal: one that exists, is not unused, and not the only one left.
fn monitor(
    receive: &Section<'_, '_>,
    channels: Option<usize>,
    unused: Option<&[usize]>,
) -> Option<Option<usize>> {
    receive.maybe("drive_monitor_channel", |field| {
        let channel = field.count(0..=MOST_CHANNELS - 1)?;
        let unused = unused.unwrap_or_default();
        let refuse = |why: String, label: &str, other: &str| {
            let places = [(field.path.as_str(), label), (other, "")];
            field.written.fault(why, &places);
            None
        };
        let path = &field.path;
        if channels.is_some_and(|channels| channel >= channels) {
            let why =
                format!("`{path}` is {channel}, must be a channel that exists; the first is 0");
            return refuse(why, "no such channel", "receive.channels");
        }
        if unused.contains(&channel) {
            let why = format!("`{path}` is {channel}, must not be among the unused channels");
            return refuse(why, "looked at", "receive.unused_channels");
        }
        if channels.is_some_and(|channels| unused.len() + 1 >= channels) {
            let why = format!("`{path}` is {channel}, must leave a channel to listen to");
            return refuse(why, "the last one", "receive.channels");
        }
        Some(channel)
    })
}

/// Unused channels and the monitor's, ascending: no receiver is there.
fn not_listened_to(mut unused: Vec<usize>, monitor: Option<usize>) -> Vec<usize> {
    unused.extend(monitor);
    unused.sort_unstable();
    unused
}

/// Words for what a sensitivity table is of.
const SENSITIVITY_OF: [&str; 2] = ["receiver", "chain"];

/// Tables of the receivers. What a sensitivity is of must be said where a gain could be meant twice.
fn curves(
    receive: &Section<'_, '_>,
    channels: Option<usize>,
    gain_db: Option<&[f64]>,
) -> Option<CurveFiles> {
    let sensitivity = files(receive, "sensitivity_file", channels);
    let insertion_loss = files(receive, "insertion_loss_file", channels);
    let of = receive.maybe("sensitivity_of", |field| field.choice(&SENSITIVITY_OF, |word| word));
    let gained = gain_db.is_some_and(|gains| gains.iter().any(|gain| gain.abs() > 0.0));
    if gained && receive.has("sensitivity_file") && !receive.has("sensitivity_of") {
        let message =
            "`receive.sensitivity_of` must say what the sensitivity is of, as `gain_db` is not 0";
        let places = [("receive.sensitivity_file", ""), ("receive.gain_db", "")];
        let help = "\"receiver\": gain_db comes on top; \"chain\": gain_db is in it";
        receive.written().say(Level::Fault, message.to_owned(), &places, Some(help));
        return None;
    }
    Some(CurveFiles {
        sensitivity: sensitivity?,
        insertion_loss: insertion_loss?,
        gain_included: of? == Some("chain"),
    })
}

/// One path for all channels, or an array with one a channel in which \"\" stands for none.
fn files(
    receive: &Section<'_, '_>,
    key: &'static str,
    channels: Option<usize>,
) -> Option<Vec<Option<PathBuf>>> {
    let Some(field) = receive.optional(key) else {
        return Some(vec![None; channels.unwrap_or_default()]);
    };
    if !field.is_array() {
        let path = PathBuf::from(field.line(PATH_CHARS)?);
        return channels.map(|channels| vec![Some(path); channels]);
    }
    let paths = field.each("one path, or one a channel", |element| {
        let path = element.text()?;
        Some((!path.is_empty()).then(|| PathBuf::from(path)))
    })?;
    let channels = channels?;
    if paths.len() == channels {
        return Some(paths);
    }
    not_one_a_channel(receive, &field, ("path", paths.len()), channels);
    None
}

/// The table `[spectrum]`.
pub(super) fn spectrum(spectrum: &Section<'_, '_>) -> Option<SpectrumSpec> {
    let resolution_hz = spectrum.number("resolution_hz", POSITIVE.at_most(FASTEST_HZ));
    let window =
        spectrum.required("window").and_then(|field| field.choice(&Window::ALL, Window::name));
    let overlap = spectrum.number("overlap", Bounds::at_least(0.0).at_most(0.95));
    Some(SpectrumSpec { resolution_hz: resolution_hz?, window: window?, overlap: overlap? })
}

/// One number for all channels, or an array with one a channel; always one a channel afterwards.
fn per_channel(
    receive: &Section<'_, '_>,
    key: &'static str,
    channels: Option<usize>,
    bounds: Bounds,
) -> Option<Vec<f64>> {
    let field = receive.required(key)?;
    if !field.is_array() {
        let number = field.number(bounds)?;
        return channels.map(|channels| vec![number; channels]);
    }
    let numbers = field.each("one number, or one a channel", |element| element.number(bounds))?;
    let channels = channels?;
    if numbers.len() == channels {
        return Some(numbers);
    }
    not_one_a_channel(receive, &field, ("number", numbers.len()), channels);
    None
}

/// An array that has not one element a channel.
fn not_one_a_channel(
    receive: &Section<'_, '_>,
    field: &Field<'_, '_>,
    (what, found): (&str, usize),
    channels: usize,
) {
    let message = format!(
        "`{}` has {found} {what}s, must be one {what} or an array of {channels}, one a channel",
        field.path
    );
    let here = format!("{found} {what}s");
    receive.written().fault(message, &[(&field.path, &here), ("receive.channels", "channels")]);
}

/// Full-scale counts that the format can hold; of a floating-point format, any.
fn within_format(
    field: &Field<'_, '_>,
    pair: [f64; 2],
    format: Option<SampleFormat>,
) -> Option<[f64; 2]> {
    let format = format?;
    let half = match format {
        SampleFormat::Rf32Le | SampleFormat::Rf64Le => return Some(pair),
        SampleFormat::Ri8 => 128.0,
        SampleFormat::Ri16Le | SampleFormat::Ri16Be => 32_768.0,
        SampleFormat::Ri32Le => 2_147_483_648.0,
    };
    if pair.iter().any(|count| count.fract() != 0.0) {
        return field.refused(&format!("whole numbers, as {} holds counts", format.name()));
    }
    if pair[0] >= -half && pair[1] <= half - 1.0 {
        return Some(pair);
    }
    let message = format!(
        "`{}` is [{}, {}], beyond what {} can hold, -{half} to {}",
        field.path,
        Plain(pair[0]),
        Plain(pair[1]),
        format.name(),
        half - 1.0
    );
    let places =
        [(field.path.as_str(), "beyond the format"), ("receive.sample_format", "the format")];
    field.written.fault(message, &places);
    None
}

/// Both ends of the noise gate or neither; one alone means that the other is missing.
fn noise_gate(receive: &Section<'_, '_>) -> Option<Option<[f64; 2]>> {
    let ends = ["noise_gate_start_s", "noise_gate_end_s"];
    let fields = ends.map(|key| receive.optional(key));
    if let [None, None] = fields {
        return Some(None);
    }
    if let [Some(_), None] | [None, Some(_)] = fields {
        receive.miss(ends.into_iter().filter(|key| !receive.has(key)).collect());
    }
    let [start, end] = fields.map(|field| field.and_then(|field| field.number(MOMENT_S)));
    Some(Some([start?, end?]))
}

/// Channels that are not looked at: ascending, none twice, at least one left.
fn unused(field: &Field<'_, '_>, channels: Option<usize>) -> Option<Vec<usize>> {
    let unused = field.each("an array of channels", |element| {
        let channel = element.count(0..=MOST_CHANNELS - 1)?;
        if channels.is_some_and(|channels| channel >= channels) {
            let message = format!(
                "`{}` is {channel}, must be a channel that exists; the first is 0",
                element.path
            );
            let places = [(element.path.as_str(), "no such channel"), ("receive.channels", "")];
            element.written.fault(message, &places);
            return None;
        }
        Some(channel)
    })?;
    if !unused.is_sorted_by(|one, next| one < next) {
        return field.refused("ascending, with no channel twice");
    }
    if channels.is_some_and(|channels| unused.len() >= channels) {
        return field.refused("at least one channel short of all of them");
    }
    Some(unused)
}
