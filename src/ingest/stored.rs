//! Samples as a file keeps them → the sample formats of the analysis.
//!
//! Every integer of up to 32 bits and every floating-point number comes through exactly; integers
//! of 64 bits become binary64, which holds them exactly up to 2^53.

use serde::{Deserialize, Serialize};

use crate::signal::SampleFormat;

/// A number as files keep it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Number {
    /// Unsigned byte, 128 is zero: 8 bits of WAV.
    Offset8,
    I8,
    U8,
    I16,
    U16,
    /// Three bytes.
    I24,
    I32,
    U32,
    I64,
    U64,
    F16,
    F32,
    F64,
}

/// A number and the order of its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Stored {
    pub(super) number: Number,
    pub(super) big_endian: bool,
}

impl Stored {
    /// What a sample format says itself.
    pub(super) const fn of(format: SampleFormat) -> Self {
        let number = match format {
            SampleFormat::Ri8 => Number::I8,
            SampleFormat::Ri16Le | SampleFormat::Ri16Be => Number::I16,
            SampleFormat::Ri32Le => Number::I32,
            SampleFormat::Rf32Le => Number::F32,
            SampleFormat::Rf64Le => Number::F64,
        };
        Self { number, big_endian: matches!(format, SampleFormat::Ri16Be) }
    }

    /// Bytes a sample takes in the file.
    pub(super) const fn bytes(self) -> usize {
        match self.number {
            Number::Offset8 | Number::I8 | Number::U8 => 1,
            Number::I16 | Number::U16 | Number::F16 => 2,
            Number::I24 => 3,
            Number::I32 | Number::U32 | Number::F32 => 4,
            Number::I64 | Number::U64 | Number::F64 => 8,
        }
    }

    /// The sample format it becomes: the smallest that holds it.
    pub(super) const fn sample_format(self) -> SampleFormat {
        match self.number {
            Number::Offset8 | Number::I8 => SampleFormat::Ri8,
            Number::U8 | Number::I16 => SampleFormat::Ri16Le,
            Number::U16 | Number::I24 | Number::I32 => SampleFormat::Ri32Le,
            Number::F16 | Number::F32 => SampleFormat::Rf32Le,
            Number::U32 | Number::I64 | Number::U64 | Number::F64 => SampleFormat::Rf64Le,
        }
    }

    /// Whether it can be read in a sample format: its own, or that with its bytes in other order.
    pub(super) fn fits(self, format: SampleFormat) -> bool {
        let own = self.sample_format();
        own == format || (own == SampleFormat::Ri16Le && format == SampleFormat::Ri16Be)
    }

    /// Whether the bytes in the file are those of the sample format.
    pub(super) fn is(self, format: SampleFormat) -> bool {
        let said = Self::of(format);
        self.number == said.number && (self.big_endian == said.big_endian || self.bytes() == 1)
    }

    /// Lowest and highest count, where these are not those of its sample format.
    pub(super) const fn full_scale_counts(self) -> Option<[i64; 2]> {
        match self.number {
            Number::U8 => Some([0, 255]),
            Number::U16 => Some([0, 65_535]),
            Number::I24 => Some([-8_388_608, 8_388_607]),
            Number::U32 => Some([0, 4_294_967_295]),
            _ => None,
        }
    }

    /// The value of one stored number; integers beyond 2^53 as the nearest.
    pub(super) fn value(self, bytes: &[u8]) -> f64 {
        let format = self.sample_format();
        let mut own = [0; 8];
        let own = &mut own[..format.bytes()];
        self.convert(format, bytes, own);
        match *own {
            [a] => f64::from(i8::from_le_bytes([a])),
            [a, b] => f64::from(i16::from_le_bytes([a, b])),
            [a, b, c, d] if format == SampleFormat::Ri32Le => {
                f64::from(i32::from_le_bytes([a, b, c, d]))
            }
            [a, b, c, d] => f64::from(f32::from_le_bytes([a, b, c, d])),
            [a, b, c, d, e, f, g, h] => f64::from_le_bytes([a, b, c, d, e, f, g, h]),
            _ => f64::NAN,
        }
    }

    /// Writes stored samples in a sample format they fit.
    pub(super) fn convert(self, format: SampleFormat, from: &[u8], into: &mut [u8]) {
        if self.is(format) {
            into.copy_from_slice(from);
            return;
        }
        let big = self.big_endian;
        match self.number {
            Number::Offset8 => each(big, from, into, |[byte]: [u8; 1]| [byte ^ 0x80]),
            Number::I8 => each(big, from, into, |byte: [u8; 1]| byte),
            Number::U8 => each(big, from, into, |[byte]: [u8; 1]| u16::from(byte).to_le_bytes()),
            Number::I16 if format == SampleFormat::Ri16Be => {
                // What is not big-endian already is to become it.
                each(true, from, into, |bytes: [u8; 2]| bytes);
            }
            Number::I16 => each(big, from, into, |bytes: [u8; 2]| bytes),
            Number::U16 => {
                each(big, from, into, |b| u32::from(u16::from_le_bytes(b)).to_le_bytes());
            }
            Number::I24 => each(big, from, into, |[a, b, c]: [u8; 3]| {
                (i32::from_le_bytes([0, a, b, c]) >> 8).to_le_bytes()
            }),
            Number::I32 | Number::F32 => each(big, from, into, |bytes: [u8; 4]| bytes),
            Number::F64 => each(big, from, into, |bytes: [u8; 8]| bytes),
            Number::U32 => {
                each(big, from, into, |b| f64::from(u32::from_le_bytes(b)).to_le_bytes());
            }
            Number::I64 => each(big, from, into, |b| signed(i64::from_le_bytes(b)).to_le_bytes()),
            Number::U64 => {
                each(big, from, into, |b| unsigned(u64::from_le_bytes(b)).to_le_bytes());
            }
            Number::F16 => {
                each(big, from, into, |b| binary16(u16::from_le_bytes(b)).to_le_bytes());
            }
        }
    }
}

/// Reads each R bytes, turned round if they are big-endian, and writes W.
fn each<const R: usize, const W: usize>(
    big_endian: bool,
    from: &[u8],
    into: &mut [u8],
    convert: impl Fn([u8; R]) -> [u8; W],
) {
    let pairs = into.as_chunks_mut::<W>().0.iter_mut().zip(from.as_chunks::<R>().0);
    // Two loops, so that neither asks for each sample.
    if big_endian {
        pairs.for_each(|(out, bytes)| {
            let mut bytes = *bytes;
            bytes.reverse();
            *out = convert(bytes);
        });
    } else {
        pairs.for_each(|(out, bytes)| *out = convert(*bytes));
    }
}

#[allow(clippy::cast_precision_loss, reason = "beyond 2^53 the nearest number is meant")]
const fn signed(value: i64) -> f64 {
    value as f64
}

#[allow(clippy::cast_precision_loss, reason = "beyond 2^53 the nearest number is meant")]
const fn unsigned(value: u64) -> f64 {
    value as f64
}

/// IEEE 754 binary16: sign, 5 bits of exponent with bias 15, 10 bits of fraction. In the places of
/// binary32 it is too small by 2^112, the difference of the biases.
fn binary16(bits: u16) -> f32 {
    /// 2^112.
    const BIAS: f32 = f32::from_bits(0x7780_0000);
    let in_place = u32::from(bits & 0x7fff) << 13;
    let size = if bits & 0x7c00 == 0x7c00 {
        f32::from_bits(0x7f80_0000 | in_place)
    } else {
        f32::from_bits(in_place) * BIAS
    };
    if bits & 0x8000 == 0 { size } else { -size }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(number: Number, little: &[u8], expected: &[u8]) {
        for big_endian in [false, true] {
            let stored = Stored { number, big_endian };
            let mut from = little.to_vec();
            if big_endian {
                from.chunks_mut(stored.bytes()).for_each(<[u8]>::reverse);
            }
            let format = stored.sample_format();
            let mut into = vec![0; from.len() / stored.bytes() * format.bytes()];
            stored.convert(format, &from, &mut into);
            assert_eq!(into, expected, "{stored:?}");
        }
    }

    #[test]
    fn every_number_comes_through_exactly_in_both_byte_orders() {
        let le = |counts: &[i32]| -> Vec<u8> {
            counts.iter().flat_map(|count| count.to_le_bytes()).collect()
        };
        let reals = |values: &[f64]| -> Vec<u8> {
            values.iter().flat_map(|value| value.to_le_bytes()).collect()
        };
        check(Number::Offset8, &[0, 128, 255], &[0x80, 0, 0x7f]);
        check(Number::I8, &[0x80, 0x7f], &[0x80, 0x7f]);
        check(Number::U8, &[0, 255], &[0, 0, 255, 0]);
        check(Number::I16, &[0, 0x80, 1, 0], &[0, 0x80, 1, 0]);
        check(Number::U16, &[0xff, 0xff, 1, 0], &le(&[65_535, 1]));
        check(Number::I24, &[0, 0, 0x80, 0xff, 0xff, 0x7f], &le(&[-8_388_608, 8_388_607]));
        check(Number::I32, &le(&[i32::MIN, 7]), &le(&[i32::MIN, 7]));
        check(Number::U32, &u32::MAX.to_le_bytes(), &reals(&[4_294_967_295.0]));
        check(Number::I64, &(-1_i64 << 53).to_le_bytes(), &reals(&[-9_007_199_254_740_992.0]));
        check(Number::U64, &(1_u64 << 63).to_le_bytes(), &reals(&[9_223_372_036_854_775_808.0]));
        check(Number::F32, &0.1_f32.to_le_bytes(), &0.1_f32.to_le_bytes());
        check(Number::F64, &reals(&[0.1]), &reals(&[0.1]));
    }

    // COMPUTED with NumPy: numpy.array(bits, "<u2").view("<f2").astype("<f4").
    #[test]
    fn half_precision_is_widened_as_numpy_does() {
        for (bits, value) in [
            (0x3c00_u16, 1.0_f32),
            (0xc000, -2.0),
            (0x7bff, 65_504.0),
            (0x0400, 6.103_515_6e-5),
            (0x0001, 5.960_464_5e-8),
            (0x2e66, 0.099_975_586),
            (0x7c00, f32::INFINITY),
        ] {
            assert_eq!(binary16(bits).to_bits(), value.to_bits(), "{bits:#x}");
        }
        assert!(binary16(0x7e00).is_nan());
        assert!(binary16(0x8000).is_sign_negative());
    }

    #[test]
    fn sixteen_bits_fit_both_byte_orders_of_the_analysis() {
        for (big_endian, format, expected) in [
            (false, SampleFormat::Ri16Be, [1, 2]),
            (true, SampleFormat::Ri16Be, [2, 1]),
            (true, SampleFormat::Ri16Le, [1, 2]),
            (false, SampleFormat::Ri16Le, [2, 1]),
        ] {
            let stored = Stored { number: Number::I16, big_endian };
            let mut into = [0; 2];
            stored.convert(format, &[2, 1], &mut into);
            assert_eq!(into, expected, "{stored:?} {format:?}");
        }
    }
}
