//! The fmt chunk of a WAV file: how its samples are kept.
//!
//! Source: Microsoft's `WAVEFORMATEX` and `WAVEFORMATEXTENSIBLE`. In big-endian files (RIFX) every
//! number of it is big-endian, the parts of the `SubFormat` GUID as well.

use super::stored::{Number, Stored};

/// Most bytes of the chunk that are looked at.
pub(super) const MAX_BYTES: usize = 40;
/// `wFormatTag` of integers, floating point, and of the extended header.
const PCM: u32 = 1;
const IEEE_FLOAT: u32 = 3;
const EXTENSIBLE: u32 = 0xfffe;
/// What follows the format tag in the `SubFormat` GUID of the extended header.
const GUID_TAIL: [u8; 12] =
    [0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71];

/// What the chunk says.
#[derive(Debug)]
pub(super) struct Fmt {
    pub(super) channels: u16,
    pub(super) sample_rate_hz: u32,
    pub(super) stored: Stored,
    pub(super) warning: Option<String>,
}

/// Numbers of the chunk in the byte order of its file.
struct Body<'a> {
    bytes: &'a [u8],
    big_endian: bool,
}

impl Body<'_> {
    fn u16_at(&self, at: usize) -> u16 {
        let bytes = [self.bytes[at], self.bytes[at + 1]];
        if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
    }

    fn u32_at(&self, at: usize) -> u32 {
        let [first, second] = [self.u16_at(at), self.u16_at(at + 2)].map(u32::from);
        if self.big_endian { first << 16 | second } else { second << 16 | first }
    }

    /// The format tag and the bits used of a sample, from the extended header if there is one.
    fn tag_and_bits(&self) -> Result<(u32, u16), String> {
        let (tag, bits) = (u32::from(self.u16_at(0)), self.u16_at(14));
        if tag != EXTENSIBLE {
            return Ok((tag, bits));
        }
        let held = self.bytes.len();
        if held < MAX_BYTES {
            return Err(format!("WAV fmt chunk of {held} bytes, the extended one has {MAX_BYTES}"));
        }
        let mut tail = GUID_TAIL;
        if self.big_endian {
            tail[..2].reverse();
            tail[2..4].reverse();
        }
        if self.bytes[28..40] != tail {
            return Err("WAV fmt chunk with a SubFormat that is not read".to_owned());
        }
        let bits = if self.u16_at(18) == 0 { bits } else { self.u16_at(18) };
        Ok((self.u32_at(24), bits))
    }
}

impl Fmt {
    pub(super) fn parse(bytes: &[u8], big_endian: bool) -> Result<Self, String> {
        if bytes.len() < 16 {
            return Err(format!("WAV fmt chunk of {} bytes, at least 16 are needed", bytes.len()));
        }
        let body = Body { bytes, big_endian };
        let (channels, block, sample_rate_hz) = (body.u16_at(2), body.u16_at(12), body.u32_at(4));
        let (tag, bits) = body.tag_and_bits()?;
        if channels == 0 || sample_rate_hz == 0 {
            return Err(format!(
                "WAV header says {channels} channels at {sample_rate_hz} Hz, both must be above 0"
            ));
        }
        if block == 0 || block % channels != 0 {
            return Err(format!(
                "WAV header says {block} bytes for {channels} channels, not a whole number each"
            ));
        }
        let width = block / channels;
        let number = match (tag, width) {
            (PCM, 1) => Number::Offset8,
            (PCM, 2) => Number::I16,
            (PCM, 3) => Number::I24,
            (PCM, 4) => Number::I32,
            (IEEE_FLOAT, 4) => Number::F32,
            (IEEE_FLOAT, 8) => Number::F64,
            _ => {
                return Err(format!(
                    "WAV samples of format tag {tag} in {width} bytes are not read, only integers \
                     (tag 1) of 1 to 4 bytes and floating point (tag 3) of 4 or 8 are"
                ));
            }
        };
        let held = u32::from(width) * 8;
        if bits == 0 || u32::from(bits) > held {
            return Err(format!("WAV header says {bits} bits in samples of {held}"));
        }
        let warning = (u32::from(bits) < held).then(|| {
            format!("WAV header says {bits} of {held} bits are used; counts are those of {held}")
        });
        Ok(Self { channels, sample_rate_hz, stored: Stored { number, big_endian }, warning })
    }
}
