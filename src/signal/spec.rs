//! What a session asks of the signal room: the receive chain, the gates, the spectrum, the bands.
//!
//! Plain checked-by-nobody numbers, units last in each name. [`crate::signal::Plan::new`] turns them
//! into bins and samples and names every fault with the keys it touches.

/// How one sample is written in a recording or a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SampleFormat {
    /// Signed 8-bit counts.
    Ri8,
    /// Signed 16-bit counts, little-endian.
    Ri16Le,
    /// Signed 16-bit counts, big-endian.
    Ri16Be,
    /// Signed 32-bit counts, little-endian.
    Ri32Le,
    /// IEEE 754 binary32, little-endian.
    Rf32Le,
    /// IEEE 754 binary64, little-endian.
    Rf64Le,
}

impl SampleFormat {
    /// Every format, in the order of the documentation.
    pub const ALL: [Self; 6] =
        [Self::Ri8, Self::Ri16Le, Self::Ri16Be, Self::Ri32Le, Self::Rf32Le, Self::Rf64Le];

    /// The name as SigMF's `core:datatype` writes it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ri8 => "ri8",
            Self::Ri16Le => "ri16_le",
            Self::Ri16Be => "ri16_be",
            Self::Ri32Le => "ri32_le",
            Self::Rf32Le => "rf32_le",
            Self::Rf64Le => "rf64_le",
        }
    }

    /// The format of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|format| format.name() == name)
    }

    /// Bytes one sample of one channel takes.
    #[must_use]
    pub const fn bytes(self) -> usize {
        match self {
            Self::Ri8 => 1,
            Self::Ri16Le | Self::Ri16Be => 2,
            Self::Ri32Le | Self::Rf32Le => 4,
            Self::Rf64Le => 8,
        }
    }

    /// Whether samples are counts of a converter rather than floating-point values.
    #[must_use]
    pub const fn is_integer(self) -> bool {
        !matches!(self, Self::Rf32Le | Self::Rf64Le)
    }
}

/// The receive chain and the gates. Gate times count from the trigger (drive onset), in seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct ReceiveSpec {
    /// Samples a second of each channel, Hz.
    pub sample_rate_hz: f64,
    /// Interleaved channels, used or not.
    pub channels: usize,
    /// How samples are written.
    pub sample_format: SampleFormat,
    /// Volts one count stands for, one number a channel.
    pub volts_per_count: Vec<f64>,
    /// The converter's lowest and highest count; at or beyond them a sample is clipped.
    pub full_scale_counts: [f64; 2],
    /// Gain of the receive chain, one number a channel, dB; for the record.
    pub gain_db: Vec<f64>,
    /// Trigger after the pulse's first sample, s.
    pub pretrigger_s: f64,
    /// Start of the analysed stretch after the trigger, s.
    pub gate_start_s: f64,
    /// End of the analysed stretch after the trigger, s.
    pub gate_end_s: f64,
    /// The stretch without drive and echo, start and end, s; the broadband's reference.
    pub noise_gate_s: Option<[f64; 2]>,
    /// Trigger to first arrival through the water, s: until then only feed-through.
    pub first_arrival_s: Option<f64>,
    /// Channels that are in the recording but not looked at, ascending.
    pub unused_channels: Vec<usize>,
}

/// Window of the segments; all periodic.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Window {
    /// Hann.
    Hann,
    /// Four-term Blackman–Harris, −92 dB.
    BlackmanHarris,
    /// Rectangular.
    Rectangular,
}

impl Window {
    /// Every window, in the order of the documentation.
    pub const ALL: [Self; 3] = [Self::Hann, Self::BlackmanHarris, Self::Rectangular];

    /// The name as the configuration writes it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hann => "hann",
            Self::BlackmanHarris => "blackman-harris",
            Self::Rectangular => "rectangular",
        }
    }

    /// The window of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|window| window.name() == name)
    }
}

/// How the spectrum is estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpectrumSpec {
    /// Wanted bin width, Hz.
    pub resolution_hz: f64,
    /// Window of each segment.
    pub window: Window,
    /// Share of a segment that the next one covers again, 0 to below 1.
    pub overlap: f64,
}

/// Which bins belong to what.
#[derive(Debug, Clone, PartialEq)]
pub struct BandSpec {
    /// Harmonics of the drive looked at: 2, 3, … .
    pub harmonics: Vec<u32>,
    /// Ultraharmonics looked at, in halves of the drive frequency: 3 is 1.5 f0, 5 is 2.5 f0, … .
    pub ultraharmonic_halves: Vec<u32>,
    /// Whether the subharmonic, half the drive frequency, is looked at.
    pub subharmonic: bool,
    /// A line is the bins this close to its frequency, Hz.
    pub line_half_width_hz: f64,
    /// The broadband and the flanks stay this far from every multiple of f0/2, Hz.
    pub guard_half_width_hz: f64,
    /// The flanks of a line reach this far from it, Hz.
    pub flank_half_width_hz: f64,
    /// Broadband stretches, low and high edge, Hz.
    pub broadband_hz: Vec<[f64; 2]>,
    /// Stretches left out everywhere, low and high edge, Hz.
    pub notches_hz: Vec<[f64; 2]>,
    /// Band of the noise gate's density, low and high edge, Hz; 0.02 to 0.95 of fs/2 when absent.
    pub noise_band_hz: Option<[f64; 2]>,
}

/// All the signal room needs to plan its bins: the specification of one session.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalSpec {
    /// Drive frequency f0, Hz.
    pub drive_frequency_hz: f64,
    /// The receive chain and gates.
    pub receive: ReceiveSpec,
    /// The spectrum.
    pub spectrum: SpectrumSpec,
    /// The bands.
    pub bands: BandSpec,
}

/// A fault or a warning of a specification, with the configuration keys it touches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpecFault {
    /// Key paths as in the configuration, such as `bands.guard_half_width_hz` or
    /// `bands.broadband_hz[1]`; the first is where the fault is shown, the others beside it.
    pub keys: Vec<String>,
    /// What is wrong, naming value and bound; lower case, no full stop.
    pub message: String,
    /// What to do about it, if one thing is likely.
    pub help: Option<String>,
}

/// What is measured of a pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// Lines at 2 f0, 3 f0, … .
    Harmonic,
    /// Lines at 3/2 f0, 5/2 f0, … .
    Ultraharmonic,
    /// The line at f0/2.
    Subharmonic,
    /// The floor between the lines.
    Broadband,
}

impl Quantity {
    /// Every quantity, in the order of the pulse table's columns.
    pub const ALL: [Self; 4] =
        [Self::Harmonic, Self::Ultraharmonic, Self::Subharmonic, Self::Broadband];

    /// Every quantity in the order in which it is spoken of: what decides most comes first.
    pub const SPOKEN: [Self; 4] =
        [Self::Broadband, Self::Ultraharmonic, Self::Subharmonic, Self::Harmonic];

    /// The name as configuration and tables write it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Harmonic => "harmonic",
            Self::Ultraharmonic => "ultraharmonic",
            Self::Subharmonic => "subharmonic",
            Self::Broadband => "broadband",
        }
    }

    /// The quantity of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|quantity| quantity.name() == name)
    }

    /// Whether the quantity is the power of lines.
    #[must_use]
    pub const fn is_line(self) -> bool {
        !matches!(self, Self::Broadband)
    }
}

/// One value for each [`Quantity`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PerQuantity<T>(pub [T; 4]);

impl<T> PerQuantity<T> {
    /// Makes each value from its quantity.
    pub fn from_fn(mut make: impl FnMut(Quantity) -> T) -> Self {
        Self(Quantity::ALL.map(&mut make))
    }

    /// Quantity and value, in the order of the columns.
    pub fn iter(&self) -> impl Iterator<Item = (Quantity, &T)> {
        Quantity::ALL.into_iter().zip(&self.0)
    }
}

impl<T> std::ops::Index<Quantity> for PerQuantity<T> {
    type Output = T;
    fn index(&self, quantity: Quantity) -> &T {
        &self.0[quantity as usize]
    }
}

impl<T> std::ops::IndexMut<Quantity> for PerQuantity<T> {
    fn index_mut(&mut self, quantity: Quantity) -> &mut T {
        &mut self.0[quantity as usize]
    }
}
