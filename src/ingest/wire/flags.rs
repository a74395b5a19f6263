//! The small parts of a header: its flags and its target's name.

use std::fmt;

/// Longest target name, bytes.
pub const MAX_TARGET_BYTES: usize = 32;

/// The flags of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Flags(u16);

impl Flags {
    /// A frame in the middle of a pulse.
    pub const NONE: Self = Self(0);
    /// First frame of the pulse.
    pub const FIRST: Self = Self(1);
    /// Last frame of the pulse.
    pub const LAST: Self = Self(2);
    /// drive_mpa is known; a [`super::Header`] says it by its `drive_mpa` instead.
    pub(super) const DRIVE_MPA: Self = Self(4);
    /// The device lost samples before this frame.
    pub const DEVICE_LOST: Self = Self(8);
    /// Says only that the sender is alive.
    pub const KEEPALIVE: Self = Self(16);
    /// End of stream.
    pub const END: Self = Self(32);
    /// Samples outside any pulse.
    pub const OUTSIDE: Self = Self(64);
    /// drive_setting is known; a [`super::Header`] says it by its `drive_setting` instead.
    pub(super) const DRIVE_SETTING: Self = Self(128);
    /// Trigger without drive.
    pub const SHAM: Self = Self(256);
    /// The sender pauses after this frame.
    pub const PAUSE: Self = Self(512);
    /// The sender goes on with this frame.
    pub const GO_ON: Self = Self(1024);
    /// The exposure is over with this frame.
    pub const EXPOSURE_ENDED: Self = Self(2048);
    /// The exposure was aborted with this frame.
    pub const ABORT: Self = Self(4096);

    pub(super) const KNOWN_BITS: u16 = 0x1fff;

    /// The flags of these bits, if all of them are known.
    #[must_use]
    pub const fn from_bits(bits: u16) -> Option<Self> {
        if bits & !Self::KNOWN_BITS == 0 { Some(Self(bits)) } else { None }
    }

    /// The bits as they are sent.
    #[must_use]
    pub const fn bits(self) -> u16 {
        self.0
    }

    /// Whether all of these are set.
    #[must_use]
    pub const fn has(self, flags: Self) -> bool {
        self.0 & flags.0 == flags.0
    }

    /// These and those.
    #[must_use]
    pub const fn with(self, flags: Self) -> Self {
        Self(self.0 | flags.0)
    }

    pub(super) const fn without(self, flags: Self) -> Self {
        Self(self.0 & !flags.0)
    }

    /// Whether the frame carries no samples and uses no sequence up.
    #[must_use]
    pub const fn is_bare(self) -> bool {
        self.has(Self::KEEPALIVE) || self.has(Self::END)
    }
}

/// A target's name as a frame carries it: at most 32 bytes of UTF-8 without control characters.
#[derive(Clone, Copy, PartialEq, Eq, Default)]
pub struct Target {
    bytes: [u8; MAX_TARGET_BYTES],
    length: u8,
}

impl Target {
    /// No name: there is only one target.
    pub const NONE: Self = Self { bytes: [0; MAX_TARGET_BYTES], length: 0 };

    /// The name, if a frame can carry it.
    #[must_use]
    pub fn new(name: &str) -> Option<Self> {
        let mut target = Self { length: u8::try_from(name.len()).ok()?, ..Self::default() };
        target.bytes.get_mut(..name.len())?.copy_from_slice(name.as_bytes());
        (!name.chars().any(char::is_control)).then_some(target)
    }

    pub(super) const fn length(&self) -> u8 {
        self.length
    }

    /// The name; empty when there is only one target.
    #[must_use]
    pub fn as_str(&self) -> &str {
        // Only whole UTF-8 is ever stored.
        std::str::from_utf8(&self.bytes[..usize::from(self.length)]).unwrap_or_default()
    }
}

impl fmt::Debug for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.as_str().fmt(f)
    }
}
