//! Arrays as recordings: which axis is what, and samples of any order of axes, interleaved.
//!
//! An array has an axis of samples and may have one of pulses and one of channels. Where samples of
//! a pulse lie interleaved they are read in place; where each channel lies in one run, channel by
//! channel; where pulses or channels run fastest (arrays in Fortran order), pulses are gathered a
//! group at a time, as many as fit into [`GROUP_BYTES`], so that memory stays bounded.

use std::io::{self, BufReader, Read, Seek, SeekFrom};

use super::layout::{Layout, Segment};
use super::npy::Array;
use crate::signal::Axis;

/// Memory for pulses that are gathered together, bytes.
const GROUP_BYTES: u64 = 32 << 20;
/// Longest pulse that is gathered, bytes.
const MAX_GATHERED: u64 = 128 << 20;
/// Most pulses in one recording.
pub(super) const MAX_PULSES: u64 = 1 << 20;

/// Names of axes as messages show them.
pub(super) fn listed(axes: &[Axis]) -> String {
    axes.iter().map(|axis| axis.name()).collect::<Vec<_>>().join(" × ")
}

/// The axes an array most probably has, by its shape. `channels` is what the configuration says.
fn by_rule(shape: &[u64], channels: Option<u64>) -> Result<Vec<Axis>, String> {
    use Axis::{Channels, Pulses, Samples};
    match (shape, channels) {
        ([_], _) => Ok(vec![Samples]),
        // A single column is one channel; else rows of one channel are pulses.
        ([_, 1], None | Some(1)) => Ok(vec![Samples, Channels]),
        // Nobody said how many channels: a few long columns are channels.
        ([first, last], None) if *last <= 64 && *first > 64 * *last => Ok(vec![Samples, Channels]),
        ([_, _], None | Some(1)) => Ok(vec![Pulses, Samples]),
        ([_, last], Some(channels)) if *last == channels => Ok(vec![Samples, Channels]),
        ([first, _], Some(channels)) if *first == channels => Ok(vec![Channels, Samples]),
        ([_, _], Some(channels)) => Err(format!("neither axis has the {channels} channels")),
        ([_, _, _], _) => Ok(vec![Pulses, Channels, Samples]),
        ([], _) => Err("it has no axis".to_owned()),
        _ => Err("arrays of one to three axes are read".to_owned()),
    }
}

/// Where the numbers of an array lie, by pulse, channel and sample.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Grid {
    pub(super) axes: Vec<Axis>,
    /// Whether there is an axis of pulses.
    pub(super) pulsed: bool,
    pulses: u64,
    pub(super) channels: u64,
    samples: u64,
    /// Place of the first number, bytes.
    byte: u64,
    /// Bytes from one to the next.
    pulse_step: u64,
    channel_step: u64,
    sample_step: u64,
    /// Bytes of a number.
    size: u64,
}

impl Grid {
    /// Of an array whose numbers begin at `byte`; its axes as said or, where nothing is, by rule.
    pub(super) fn new(
        array: &Array,
        byte: u64,
        said: Option<&[Axis]>,
        channels: Option<usize>,
    ) -> Result<Self, String> {
        let shape = &array.shape;
        let axes = match said {
            Some(axes) if axes.len() != shape.len() => {
                Err(format!("recordings.array_axes names {} axes ({})", axes.len(), listed(axes)))
            }
            Some(axes) => Ok(axes.to_vec()),
            None => by_rule(shape, channels.map(|channels| channels as u64)),
        };
        let why = |fault: String| format!("array of shape {}: {fault}", array.shape_text());
        let axes = axes.map_err(why)?;
        let size = array.stored.bytes() as u64;
        let step_of = |at: usize| {
            let faster = if array.fortran { &shape[..at] } else { &shape[at + 1..] };
            // The product of the whole shape was found to be far below 2^64.
            faster.iter().fold(size, |step, axis| step.saturating_mul(*axis))
        };
        let place = |axis| axes.iter().position(|other| *other == axis);
        let length = |axis| place(axis).map_or(1, |at| shape[at]);
        let step = |axis| place(axis).map_or(0, step_of);
        let grid = Self {
            pulsed: place(Axis::Pulses).is_some(),
            pulses: length(Axis::Pulses),
            channels: length(Axis::Channels),
            samples: length(Axis::Samples),
            byte,
            pulse_step: step(Axis::Pulses),
            channel_step: step(Axis::Channels),
            sample_step: step(Axis::Samples),
            size,
            axes,
        };
        grid.check().map_err(why)?;
        Ok(grid)
    }

    fn check(&self) -> Result<(), String> {
        if self.pulses > MAX_PULSES {
            return Err(format!("{} pulses, at most {MAX_PULSES} are read", self.pulses));
        }
        let bytes = self.samples.saturating_mul(self.channels).saturating_mul(self.size);
        if self.gathered() && bytes > MAX_GATHERED {
            return Err(format!(
                "a pulse of {bytes} bytes, whose samples do not lie together, at most \
                 {MAX_GATHERED} are held; store it with numpy.ascontiguousarray"
            ));
        }
        Ok(())
    }

    /// Samples of one pulse, or of all where there is no axis of pulses.
    pub(super) const fn samples(&self) -> u64 {
        self.samples
    }

    pub(super) const fn pulses(&self) -> u64 {
        self.pulses
    }

    /// Whether sample sets lie as the analysis takes them.
    pub(super) const fn interleaved(&self) -> bool {
        (self.channels <= 1 || self.channel_step == self.size)
            && (self.samples <= 1 || self.sample_step == self.channels * self.size)
    }

    fn in_runs(&self) -> bool {
        self.sample_step == self.size || self.samples <= 1
    }

    fn gathered(&self) -> bool {
        !self.interleaved() && !self.in_runs()
    }

    /// Where each pulse lies; one begins `period` device samples after the other, or where the one
    /// before it ends when that is later.
    pub(super) fn layout(&self, period: f64) -> Layout {
        let set_bytes = self.size * self.channels;
        let all = self.pulses * self.samples;
        let mut layout = Layout::one(self.byte, 0, all, set_bytes);
        if self.samples == 0 {
            return layout;
        }
        for pulse in 1..self.pulses {
            let device = on_the_clock(pulse, period).max(pulse * self.samples);
            let first = pulse * self.samples;
            let byte = self.byte + pulse * self.pulse_step;
            // What joins in the file is a pulse of its own in time.
            let last = layout.last();
            let device = device.max(last.device + (first - last.first));
            layout.push(Segment { first, byte, device });
        }
        layout
    }

    /// Reads `count` sample sets from one on, interleaved, into `out`; they lie in one pulse.
    pub(super) fn read(
        &self,
        file: &mut (impl Read + Seek),
        group: &mut Group,
        first: u64,
        out: &mut [u8],
    ) -> io::Result<()> {
        let (pulse, sample) = (first / self.samples, first % self.samples);
        if self.gathered() {
            return self.of_group(file, group, (pulse, sample), out);
        }
        let (size, set) = (index(self.size), index(self.size * self.channels));
        let begin = self.byte + pulse * self.pulse_step + sample * self.sample_step;
        let count = out.len() / set;
        group.bytes.resize(count * size, 0);
        for channel in 0..self.channels {
            file.seek(SeekFrom::Start(begin + channel * self.channel_step))?;
            file.read_exact(&mut group.bytes)?;
            let at = index(channel) * size;
            scatter(&group.bytes, size, &mut out[at..], set);
        }
        Ok(())
    }

    fn of_group(
        &self,
        file: &mut (impl Read + Seek),
        group: &mut Group,
        (pulse, sample): (u64, u64),
        out: &mut [u8],
    ) -> io::Result<()> {
        let pulse_bytes = self.samples * self.channels * self.size;
        if !group.holds.contains(&pulse) {
            let count = (GROUP_BYTES / pulse_bytes.max(1)).max(1).min(self.pulses - pulse);
            self.gather(file, pulse, count, &mut group.bytes)?;
            group.holds = pulse..pulse + count;
        }
        let at = (pulse - group.holds.start) * pulse_bytes;
        let at = index(at + sample * self.channels * self.size);
        out.copy_from_slice(&group.bytes[at..][..out.len()]);
        Ok(())
    }

    /// Gathers whole pulses, each with its sample sets interleaved. The file is walked forwards,
    /// along the axis that runs fastest in one go.
    fn gather(
        &self,
        file: &mut (impl Read + Seek),
        pulse: u64,
        count: u64,
        out: &mut Vec<u8>,
    ) -> io::Result<()> {
        let set = self.size * self.channels;
        out.resize(index(count * self.samples * set), 0);
        // Length, step in the file, step in `out`; the fastest axis first.
        let mut axes = [
            (count, self.pulse_step, self.samples * set),
            (self.channels, self.channel_step, self.size),
            (self.samples, self.sample_step, set),
        ];
        axes.sort_by_key(|(length, step, _)| if *length > 1 { *step } else { u64::MAX });
        let [(run, _, run_step), (inner, inner_file, inner_out), (outer, outer_file, outer_out)] =
            axes;
        let (size, mut at) = (index(self.size), u64::MAX);
        let mut bytes = vec![0; index(run) * size];
        let mut file = BufReader::with_capacity(256 << 10, file);
        for slow in 0..outer {
            for fast in 0..inner {
                let place = self.byte + pulse * self.pulse_step;
                let place = place + slow * outer_file + fast * inner_file;
                if at == u64::MAX {
                    file.seek(SeekFrom::Start(place))?;
                } else {
                    let ahead = i64::try_from(i128::from(place) - i128::from(at));
                    file.seek_relative(ahead.map_err(io::Error::other)?)?;
                }
                file.read_exact(&mut bytes)?;
                at = place + bytes.len() as u64;
                let begin = index(slow * outer_out + fast * inner_out);
                scatter(&bytes, size, &mut out[begin..], index(run_step));
            }
        }
        Ok(())
    }
}

/// Device sample of a pulse that comes each `period` samples; none are that late.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "at most 2^20 pulses of at most 2^45 samples, which was just checked"
)]
fn on_the_clock(pulse: u64, period: f64) -> u64 {
    let at = (pulse as f64 * period).round();
    if at > 0.0 && at < 3.6e13 { at as u64 } else { 0 }
}

/// Writes numbers of `size` bytes each `step` bytes.
fn scatter(numbers: &[u8], size: usize, out: &mut [u8], step: usize) {
    fn each<const N: usize>(numbers: &[u8], out: &mut [u8], step: usize) {
        for (number, place) in numbers.as_chunks::<N>().0.iter().zip(out.chunks_mut(step)) {
            place[..N].copy_from_slice(number);
        }
    }
    match size {
        1 => each::<1>(numbers, out, step),
        2 => each::<2>(numbers, out, step),
        4 => each::<4>(numbers, out, step),
        _ => each::<8>(numbers, out, step),
    }
}

/// A place in memory that was bounded before.
fn index(bytes: u64) -> usize {
    usize::try_from(bytes).unwrap_or(usize::MAX)
}

/// Samples on their way out of an array: pulses that were gathered, or one channel's run.
#[derive(Debug, Default)]
pub(super) struct Group {
    holds: std::ops::Range<u64>,
    bytes: Vec<u8>,
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::super::stored::{Number, Stored};
    use super::Axis::{Channels, Pulses, Samples};
    use super::*;

    fn array(shape: &[u64], fortran: bool) -> Array {
        Array {
            stored: Stored { number: Number::I16, big_endian: false },
            name: "<i2".to_owned(),
            fortran,
            shape: shape.to_vec(),
            head_bytes: 0,
            data_bytes: 2 * shape.iter().product::<u64>(),
        }
    }

    /// The number at pulse, channel and sample.
    fn value(pulse: u64, channel: u64, sample: u64) -> u16 {
        u16::try_from(1000 * pulse + 100 * channel + sample).unwrap()
    }

    /// Bytes of an array with those axes, each number telling where it stands.
    fn bytes(axes: &[Axis], shape: &[u64], fortran: bool) -> Vec<u8> {
        let count: u64 = shape.iter().product();
        let mut order: Vec<usize> = (0..shape.len()).collect();
        if !fortran {
            order.reverse();
        }
        let mut bytes = Vec::new();
        for mut left in 0..count {
            let mut at = [0; 3];
            for axis in &order {
                let which = Axis::ALL.iter().position(|other| *other == axes[*axis]).unwrap();
                at[which] = left % shape[*axis];
                left /= shape[*axis];
            }
            bytes.extend(value(at[0], at[1], at[2]).to_le_bytes());
        }
        bytes
    }

    #[test]
    fn every_order_of_axes_comes_out_interleaved() {
        let length = |axis| match axis {
            Pulses => 5,
            Channels => 3,
            Samples => 7,
        };
        let orders: [&[Axis]; 12] = [
            &[Samples],
            &[Pulses, Samples],
            &[Samples, Pulses],
            &[Channels, Samples],
            &[Samples, Channels],
            &[Pulses, Channels, Samples],
            &[Pulses, Samples, Channels],
            &[Samples, Pulses, Channels],
            &[Samples, Channels, Pulses],
            &[Channels, Pulses, Samples],
            &[Channels, Samples, Pulses],
            &[Samples],
        ];
        for axes in orders {
            for fortran in [false, true] {
                let shape: Vec<u64> = axes.iter().map(|axis| length(*axis)).collect();
                let mut data = vec![0xee; 9];
                data.extend(bytes(axes, &shape, fortran));
                let grid = Grid::new(&array(&shape, fortran), 9, Some(axes), None).unwrap();
                let layout = grid.layout(100.0);
                let mut file = Cursor::new(&data);
                let mut group = Group::default();
                for pulse in 0..grid.pulses {
                    let first = pulse * 7 + 2;
                    let mut out = vec![0; index(4 * 2 * grid.channels)];
                    if grid.interleaved() {
                        let begin = index(layout.stretch(first, 4).byte);
                        let end = begin + out.len();
                        out.copy_from_slice(&data[begin..end]);
                    } else {
                        grid.read(&mut file, &mut group, first, &mut out).unwrap();
                    }
                    let expected: Vec<u8> = (2..6)
                        .flat_map(|s| (0..grid.channels).map(move |c| value(pulse, c, s)))
                        .flat_map(u16::to_le_bytes)
                        .collect();
                    assert_eq!(out, expected, "{axes:?}, Fortran {fortran}, pulse {pulse}");
                    assert_eq!(layout.device_of(first), 100 * pulse + 2);
                }
            }
        }
    }

    #[test]
    fn axes_are_found_by_the_shape_and_the_channels() {
        let check = |shape: &[u64], channels, expected: &[Axis]| {
            let grid = Grid::new(&array(shape, false), 0, None, channels).unwrap();
            assert_eq!(grid.axes, expected, "{shape:?} {channels:?}");
        };
        check(&[900], Some(1), &[Samples]);
        check(&[90, 10], Some(1), &[Pulses, Samples]);
        check(&[900, 1], Some(1), &[Samples, Channels]);
        check(&[900, 2], Some(2), &[Samples, Channels]);
        check(&[2, 900], Some(2), &[Channels, Samples]);
        check(&[90, 2, 10], Some(2), &[Pulses, Channels, Samples]);
        check(&[100_000, 4], None, &[Samples, Channels]);
        check(&[90, 10], None, &[Pulses, Samples]);
        let fault = |shape: &[u64], channels, said: Option<&[Axis]>| {
            Grid::new(&array(shape, false), 0, said, channels).unwrap_err()
        };
        let neither = "array of shape (90, 10): neither axis has the 3 channels";
        assert_eq!(fault(&[90, 10], Some(3), None), neither);
        let four = "array of shape (1, 2, 3, 4): arrays of one to three axes are read";
        assert_eq!(fault(&[1, 2, 3, 4], Some(1), None), four);
        assert_eq!(fault(&[], Some(1), None), "array of shape (): it has no axis");
        let two = "array of shape (9,): recordings.array_axes names 2 axes (pulses × samples)";
        assert_eq!(fault(&[9], Some(1), Some(&[Pulses, Samples])), two);
        let many = "array of shape (2000000, 4): 2000000 pulses, at most 1048576 are read";
        assert_eq!(fault(&[2_000_000, 4], Some(1), None), many);
    }
}
