//! A frame's header: 96 bytes, little-endian, then the target's name; two CRCs.
//!
//! The layout is the table of `PROTOCOL.md`. A header is checked against itself and against what
//! hello and reply fixed ([`Layout`]), before room for a payload is made.

use std::num::NonZeroU32;

use super::JSON_INTEGER_END;
use super::flags::{Flags, MAX_TARGET_BYTES, Target};
use super::hello::{Hello, StageFrom};
use super::reply::{ErrorCode, Refusal};
use crate::detect::Stage;

/// Bytes of a header without the target's name.
pub const FIXED_BYTES: usize = 96;

const MAGIC: [u8; 4] = *b"smr1";

/// End of device times, ns: 292 years, so that sums of times stay inside 64 bits.
const TIME_END_NS: u64 = 1 << 63;

/// What hello and reply fix for all frames of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    set_bytes: u32,
    max_payload_bytes: u32,
    payload_crc: bool,
    stage_from: StageFrom,
}

impl Layout {
    /// The layout of a stream.
    ///
    /// # Errors
    /// `channels`, when one sample set is larger than the largest payload.
    pub fn new(hello: &Hello, max_payload_bytes: u32) -> Result<Self, Refusal> {
        let set = u32::try_from(hello.channels.saturating_mul(hello.sample_format.bytes())).ok();
        match set.filter(|set| (1..=max_payload_bytes).contains(set)) {
            Some(set_bytes) => Ok(Self {
                set_bytes,
                max_payload_bytes,
                payload_crc: hello.payload_crc,
                stage_from: hello.stage_from,
            }),
            None => Err(Refusal::new(
                ErrorCode::Channels,
                format!(
                    "channels is {}, one sample of each must fit {max_payload_bytes} bytes",
                    hello.channels
                ),
            )),
        }
    }

    /// Bytes of one sample of every channel.
    #[must_use]
    pub const fn set_bytes(&self) -> u32 {
        self.set_bytes
    }

    /// Largest payload, bytes.
    #[must_use]
    pub const fn max_payload_bytes(&self) -> u32 {
        self.max_payload_bytes
    }

    /// Whether payloads carry a CRC.
    #[must_use]
    pub const fn payload_crc(&self) -> bool {
        self.payload_crc
    }
}

/// What a header says. Magic, sizes and CRCs follow from it and the payload.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Header {
    /// The flags, without the two that tell a drive: those are `Some` below.
    pub flags: Flags,
    /// Number of the frame in its stream, from 0; below 2^53.
    pub sequence: u64,
    /// Device index of the frame's first sample; below 2^53.
    pub first_sample: u64,
    /// The pulse's number; below 2^53.
    pub pulse: u64,
    /// Device index of the pulse's first sample; at most `first_sample` inside a pulse.
    pub pulse_first_sample: u64,
    /// Device time of that sample since start_utc, ns; below 2^63.
    pub pulse_time_ns: u64,
    /// Drive, MPa; finite.
    pub drive_mpa: Option<f64>,
    /// Drive as set at the generator, in hello's unit; finite.
    pub drive_setting: Option<f64>,
    /// The exposure's number.
    pub exposure: Option<NonZeroU32>,
    /// Samples per channel.
    pub samples: u32,
    /// What the pulse is for; `None` is the operator's.
    pub stage: Option<Stage>,
    /// The target's name.
    pub target: Target,
}

/// A header that was read, and what it says of the bytes around it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decoded {
    /// The header.
    pub header: Header,
    /// Bytes from the magic to the payload; what is beyond the target's name is to be skipped.
    pub header_bytes: u16,
    /// Bytes of the payload; samples × bytes of a sample set, at most the layout's largest.
    pub payload_bytes: u32,
    /// CRC of the payload; 0 when the layout has none.
    pub payload_crc32: u32,
}

impl Header {
    /// Appends header and payload to `out`.
    ///
    /// # Panics
    /// When the payload is not `samples` sample sets, or larger than the layout allows.
    pub fn encode(&self, layout: &Layout, payload: &[u8], out: &mut Vec<u8>) {
        let bytes = u64::from(self.samples) * u64::from(layout.set_bytes);
        assert_eq!(u64::try_from(payload.len()), Ok(bytes), "payload is {} samples", self.samples);
        let payload_bytes = u32::try_from(payload.len()).unwrap_or(u32::MAX);
        assert!(payload_bytes <= layout.max_payload_bytes, "payload is {payload_bytes} bytes");
        let start = out.len();
        let target = self.target.as_str().as_bytes();
        let mut flags = self.flags;
        if self.drive_mpa.is_some() {
            flags = flags.with(Flags::DRIVE_MPA);
        }
        if self.drive_setting.is_some() {
            flags = flags.with(Flags::DRIVE_SETTING);
        }
        out.extend_from_slice(&MAGIC);
        out.extend_from_slice(&(96 + u16::from(self.target.length())).to_le_bytes());
        out.extend_from_slice(&flags.bits().to_le_bytes());
        for field in [
            self.sequence,
            self.first_sample,
            self.pulse,
            self.pulse_first_sample,
            self.pulse_time_ns,
            self.drive_mpa.unwrap_or(0.0).to_bits(),
            self.drive_setting.unwrap_or(0.0).to_bits(),
        ] {
            out.extend_from_slice(&field.to_le_bytes());
        }
        let exposure = self.exposure.map_or(0, NonZeroU32::get);
        for field in [exposure, self.samples, payload_bytes] {
            out.extend_from_slice(&field.to_le_bytes());
        }
        out.extend_from_slice(&[stage_number(self.stage), self.target.length(), 0, 0]);
        let crc = if layout.payload_crc { crc32fast::hash(payload) } else { 0 };
        out.extend_from_slice(&crc.to_le_bytes());
        out.extend_from_slice(&[0; 8]);
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(&out[start..]);
        hasher.update(target);
        out.extend_from_slice(&hasher.finalize().to_le_bytes());
        out.extend_from_slice(target);
        out.extend_from_slice(payload);
    }

    /// Reads a header from its fixed bytes and the target's name, nothing before or behind them.
    ///
    /// # Errors
    /// `header` for a wrong magic, CRC or size, for reserved bits and bytes that are not 0, and for
    /// fields that contradict each other or the hello; `length` for a payload of the wrong size.
    ///
    /// # Panics
    /// When there are not 96 bytes and those of the name that they announce.
    pub fn decode(bytes: &[u8], layout: &Layout) -> Result<Decoded, Refusal> {
        let (fixed, target) = bytes.split_at(FIXED_BYTES);
        let length = known_bytes(fixed)?;
        assert_eq!(bytes.len(), length, "bytes of the header");
        let at = Reader(fixed);
        let mut hasher = crc32fast::Hasher::new();
        hasher.update(&fixed[..92]);
        hasher.update(target);
        let (crc, said) = (hasher.finalize(), at.u32(92));
        if crc != said {
            return header(format!("header_crc32 is {said:#010x}, the header has {crc:#010x}"));
        }
        if fixed[78..80].iter().chain(&fixed[84..92]).any(|byte| *byte != 0) {
            return header("bytes 78 to 79 and 84 to 91 must be 0".to_owned());
        }
        let bits = at.u16(6);
        let Some(flags) = Flags::from_bits(bits) else {
            let bound = Flags::KNOWN_BITS;
            return header(format!(
                "flags is {bits:#06x}, must not have bits outside {bound:#06x}"
            ));
        };
        let result = Self {
            flags: flags.without(Flags::DRIVE_MPA.with(Flags::DRIVE_SETTING)),
            sequence: at.index(8, "sequence")?,
            first_sample: at.index(16, "first_sample")?,
            pulse: at.index(24, "pulse")?,
            pulse_first_sample: at.index(32, "pulse_first_sample")?,
            pulse_time_ns: at.below(40, "pulse_time_ns", TIME_END_NS)?,
            drive_mpa: at.drive(48, "drive_mpa", flags.has(Flags::DRIVE_MPA))?,
            drive_setting: at.drive(56, "drive_setting", flags.has(Flags::DRIVE_SETTING))?,
            exposure: NonZeroU32::new(at.u32(64)),
            samples: at.u32(68),
            stage: stage(fixed[76])?,
            target: target_name(target)?,
        };
        result.check(layout)?;
        let (payload_bytes, payload_crc32) = (at.u32(72), at.u32(80));
        result.check_payload(layout, payload_bytes, payload_crc32)?;
        Ok(Decoded { header: result, header_bytes: at.u16(4), payload_bytes, payload_crc32 })
    }

    /// Whether the fields go together and with the hello.
    fn check(&self, layout: &Layout) -> Result<(), Refusal> {
        let flags = self.flags;
        let both = |a, b| flags.has(a) && flags.has(b);
        if both(Flags::KEEPALIVE, Flags::END) || both(Flags::PAUSE, Flags::GO_ON) {
            let bits = flags.bits();
            return header(format!(
                "flags is {bits:#06x}, which holds two that exclude each other"
            ));
        }
        let pulse_marks = flags.has(Flags::FIRST) || flags.has(Flags::LAST);
        if pulse_marks && (flags.has(Flags::OUTSIDE) || flags.is_bare()) {
            let bits = flags.bits();
            return header(format!("flags is {bits:#06x}, first or last of a pulse outside any"));
        }
        if flags.has(Flags::OUTSIDE) || flags.is_bare() {
            return Ok(());
        }
        if self.first_sample < self.pulse_first_sample {
            return header(format!(
                "first_sample is {}, must be at least pulse_first_sample, {}",
                self.first_sample, self.pulse_first_sample
            ));
        }
        match (layout.stage_from, self.stage) {
            (StageFrom::Sender, None) => {
                header("stage is 0, must be 1 to 3 as stage_from is sender".to_owned())
            }
            (StageFrom::Operator, Some(stage)) => {
                let stage = stage_number(Some(stage));
                header(format!("stage is {stage}, must be 0 as stage_from is operator"))
            }
            _ => Ok(()),
        }
    }

    fn check_payload(&self, layout: &Layout, bytes: u32, crc32: u32) -> Result<(), Refusal> {
        let length = |detail| Err(Refusal::new(ErrorCode::Length, detail));
        let (samples, set_bytes) = (self.samples, layout.set_bytes);
        if self.flags.is_bare() && (samples != 0 || bytes != 0) {
            let detail = "must be 0 in a keepalive or end of stream";
            return length(format!("samples is {samples}, payload_bytes {bytes}, {detail}"));
        }
        if u64::from(bytes) != u64::from(samples) * u64::from(set_bytes) {
            return length(format!(
                "payload_bytes is {bytes}, must be {samples} samples of {set_bytes} bytes"
            ));
        }
        if bytes > layout.max_payload_bytes {
            let bound = layout.max_payload_bytes;
            return length(format!("payload_bytes is {bytes}, must be at most {bound}"));
        }
        if !layout.payload_crc && crc32 != 0 {
            let detail = "must be 0 as payload_crc is false";
            return header(format!("payload_crc32 is {crc32:#010x}, {detail}"));
        }
        Ok(())
    }

    /// The sample after the frame's last.
    #[must_use]
    pub fn end_sample(&self) -> u64 {
        self.first_sample + u64::from(self.samples)
    }
}

/// Whether these first bytes may become a header.
///
/// # Errors
/// `header`, when they cannot.
pub(super) fn check_magic(bytes: &[u8]) -> Result<(), Refusal> {
    let seen = &bytes[..bytes.len().min(MAGIC.len())];
    if MAGIC.starts_with(seen) {
        return Ok(());
    }
    let seen = seen.escape_ascii();
    header(format!("magic is \"{seen}\", must be \"{}\"", MAGIC.escape_ascii()))
}

/// How many bytes of this header are known here: the fixed ones and the target's name.
///
/// # Errors
/// `header`, when the magic is wrong or the sizes cannot be.
///
/// # Panics
/// When there are fewer than 96 bytes.
pub(super) fn known_bytes(fixed: &[u8]) -> Result<usize, Refusal> {
    check_magic(fixed)?;
    let (header_bytes, target) = (usize::from(Reader(fixed).u16(4)), usize::from(fixed[77]));
    if target > MAX_TARGET_BYTES {
        return header(format!("target_bytes is {target}, must be at most {MAX_TARGET_BYTES}"));
    }
    if header_bytes < FIXED_BYTES + target {
        let least = FIXED_BYTES + target;
        return header(format!("header_bytes is {header_bytes}, must be at least {least}"));
    }
    Ok(FIXED_BYTES + target)
}

struct Reader<'a>(&'a [u8]);

impl Reader<'_> {
    fn bytes<const N: usize>(&self, at: usize) -> [u8; N] {
        std::array::from_fn(|k| self.0[at + k])
    }

    fn u16(&self, at: usize) -> u16 {
        u16::from_le_bytes(self.bytes(at))
    }

    fn u32(&self, at: usize) -> u32 {
        u32::from_le_bytes(self.bytes(at))
    }

    fn below(&self, at: usize, name: &str, end: u64) -> Result<u64, Refusal> {
        let value = u64::from_le_bytes(self.bytes(at));
        if value < end {
            return Ok(value);
        }
        header(format!("{name} is {value}, must be below 2^{}", end.trailing_zeros()))
    }

    /// A number that also goes into JSON.
    fn index(&self, at: usize, name: &str) -> Result<u64, Refusal> {
        self.below(at, name, JSON_INTEGER_END)
    }

    fn drive(&self, at: usize, name: &str, known: bool) -> Result<Option<f64>, Refusal> {
        let value = f64::from_le_bytes(self.bytes(at));
        if !value.is_finite() {
            return header(format!("{name} is {value}, must be finite"));
        }
        if !known && value.abs() > 0.0 {
            return header(format!("{name} is {value}, must be 0 without its flag"));
        }
        Ok(known.then_some(value))
    }
}

fn header<T>(detail: String) -> Result<T, Refusal> {
    Err(Refusal::new(ErrorCode::Header, detail))
}

fn stage(number: u8) -> Result<Option<Stage>, Refusal> {
    match number {
        0 => Ok(None),
        1 => Ok(Some(Stage::Noise)),
        2 => Ok(Some(Stage::Baseline)),
        3 => Ok(Some(Stage::Exposure)),
        _ => header(format!("stage is {number}, must be 0 to 3")),
    }
}

const fn stage_number(stage: Option<Stage>) -> u8 {
    match stage {
        None => 0,
        Some(Stage::Noise) => 1,
        Some(Stage::Baseline) => 2,
        Some(Stage::Exposure) => 3,
    }
}

fn target_name(bytes: &[u8]) -> Result<Target, Refusal> {
    match std::str::from_utf8(bytes).ok().and_then(Target::new) {
        Some(target) => Ok(target),
        None => header(format!(
            "target is \"{}\", must be utf-8 without control characters",
            bytes.escape_ascii()
        )),
    }
}
