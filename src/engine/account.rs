//! The sample account: what came in, what was used, what was lost and why. It closes.

/// Samples per channel and pulses of one run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Account {
    /// Pulses that were opened.
    pub pulses: u64,
    /// Frames that came in.
    pub frames: u64,
    /// Samples that came in, per channel: used and outside the gates together.
    pub received: u64,
    /// Samples between the first and last gate of all pulses.
    pub wanted: u64,
    /// Samples of these that came in.
    pub used: u64,
    /// Samples outside of them.
    pub outside_gates: u64,
    /// Samples that holes in the stream skipped inside a pulse.
    pub lost_in_holes: u64,
    /// Samples of these between a pulse's first and last gate.
    pub lost_in_gates: u64,
    /// Samples the device said it lost.
    pub lost_by_device: u64,
    /// Samples of a gate that the record did not reach.
    pub not_recorded: u64,
    /// Pulses whose samples were not all there.
    pub incomplete_pulses: u64,
}

impl Account {
    /// Whether everything that came in is accounted for.
    #[must_use]
    pub const fn closes(&self) -> bool {
        self.received == self.used + self.outside_gates
            && self.wanted == self.used + self.lost_in_gates + self.not_recorded
    }
}
