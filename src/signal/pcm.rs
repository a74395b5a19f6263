//! Interleaved samples as written → planar single-precision counts.
//!
//! Integer counts up to 24 bits and binary32 values come through exactly; 32-bit counts and
//! binary64 values are rounded to the nearest single-precision number (2⁻²⁴ relative).

use super::SampleFormat;
use super::plan::single;
use super::wide::widest;

/// Samples a tile is high and channels it is wide, so that both sides stay in the nearest cache.
const TILE: usize = 16;

/// Writes the `used` channels of interleaved `bytes` one after the other into `planar`.
///
/// `planar` is resized to `used.len()` × samples and written over; `bytes` holds whole sample sets of `channels`
/// channels.
///
/// # Panics
/// When `bytes` is not a whole number of sample sets or a used channel does not exist.
pub fn to_planar(
    format: SampleFormat,
    channels: usize,
    used: &[usize],
    bytes: &[u8],
    planar: &mut Vec<f32>,
) {
    let set = channels * format.bytes();
    assert!(set > 0 && bytes.len().is_multiple_of(set), "a frame holds whole sample sets");
    assert!(used.iter().all(|&channel| channel < channels), "a used channel exists");
    planar.resize(bytes.len() / set * used.len(), 0.0);
    match format {
        SampleFormat::Ri8 => {
            spread(channels, used, bytes, planar, |[b]| f32::from(i8::from_le_bytes([b])));
        }
        SampleFormat::Ri16Le => {
            spread(channels, used, bytes, planar, |b| f32::from(i16::from_le_bytes(b)));
        }
        SampleFormat::Ri16Be => {
            spread(channels, used, bytes, planar, |b| f32::from(i16::from_be_bytes(b)));
        }
        SampleFormat::Ri32Le => {
            spread(channels, used, bytes, planar, |b| single(f64::from(i32::from_le_bytes(b))));
        }
        SampleFormat::Rf32Le => spread(channels, used, bytes, planar, f32::from_le_bytes),
        SampleFormat::Rf64Le => {
            spread(channels, used, bytes, planar, |b| single(f64::from_le_bytes(b)));
        }
    }
}

fn spread<const B: usize>(
    channels: usize,
    used: &[usize],
    bytes: &[u8],
    planar: &mut [f32],
    decode: impl Fn([u8; B]) -> f32,
) {
    let (values, _) = bytes.as_chunks::<B>();
    if channels == 1 {
        widest(
            #[inline(always)]
            || {
                for (out, value) in planar.iter_mut().zip(values) {
                    *out = decode(*value);
                }
            },
        );
        return;
    }
    let samples = values.len() / channels;
    for first in (0..samples).step_by(TILE) {
        let last = samples.min(first + TILE);
        for group in (0..used.len()).step_by(TILE) {
            for (row, &channel) in used.iter().enumerate().skip(group).take(TILE) {
                let out = &mut planar[row * samples + first..row * samples + last];
                for (out, sample) in out.iter_mut().zip(first..last) {
                    *out = decode(values[sample * channels + channel]);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(format: SampleFormat, bytes: &[u8], expected: &[f32]) {
        let mut planar = Vec::new();
        to_planar(format, 1, &[0], bytes, &mut planar);
        assert_eq!(planar, expected);
    }

    #[test]
    fn every_format_decodes_its_extremes() {
        check(SampleFormat::Ri8, &[0x80, 0x7f], &[-128.0, 127.0]);
        check(SampleFormat::Ri16Le, &[0x00, 0x80, 0xff, 0x7f], &[-32768.0, 32767.0]);
        check(SampleFormat::Ri16Be, &[0x80, 0x00, 0x7f, 0xff], &[-32768.0, 32767.0]);
        check(SampleFormat::Ri32Le, &8_388_607_i32.to_le_bytes(), &[8_388_607.0]);
        check(SampleFormat::Rf32Le, &0.1_f32.to_le_bytes(), &[0.1]);
        check(SampleFormat::Rf64Le, &0.1_f64.to_le_bytes(), &[0.1]);
    }

    #[test]
    fn channels_come_apart_in_order() {
        let (channels, samples) = (37_u16, 53_u16);
        let bytes: Vec<u8> = (0..samples)
            .flat_map(|s| (0..channels).map(move |c| s * 100 + c))
            .flat_map(u16::to_le_bytes)
            .collect();
        let used: Vec<usize> = (0..37).filter(|c| c % 5 != 3).collect();
        let mut planar = Vec::new();
        to_planar(SampleFormat::Ri16Le, 37, &used, &bytes, &mut planar);
        for (row, &channel) in used.iter().enumerate() {
            for sample in 0..usize::from(samples) {
                let expected = u16::try_from(sample * 100 + channel).unwrap();
                assert!((planar[row * 53 + sample] - f32::from(expected)).abs() < 0.5);
            }
        }
    }

    #[test]
    #[should_panic(expected = "whole sample sets")]
    fn half_a_sample_set_is_a_fault_of_the_caller() {
        to_planar(SampleFormat::Ri16Le, 2, &[0, 1], &[0, 0, 0], &mut Vec::new());
    }
}
