//! Where each sample set lies in a file, and which device index it has.
//!
//! A file is a run of *segments*: within one, bytes and device indices go on without a break; from
//! one to the next the device index may jump (samples never stored) and foreign bytes may lie
//! between (SigMF's `core:header_bytes`).

/// A stretch without a break, up to the next segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Segment {
    /// File index of its first sample set.
    pub(super) first: u64,
    /// Place of that sample set in the file, bytes.
    pub(super) byte: u64,
    /// Device index of that sample set.
    pub(super) device: u64,
}

/// Part of a pulse within one segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    /// Place of its first sample set in the file, bytes.
    pub(super) byte: u64,
    /// Device index of its first sample set.
    pub(super) device: u64,
    /// Its sample sets.
    pub(super) samples: u64,
}

/// The segments of one file; never empty, the first begins at file index 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Layout {
    segments: Vec<Segment>,
    samples: u64,
    set_bytes: u64,
}

impl Layout {
    /// One segment of `samples` sets of `set_bytes` bytes each, as stored.
    pub(super) fn one(byte: u64, device: u64, samples: u64, set_bytes: u64) -> Self {
        Self { segments: vec![Segment { first: 0, byte, device }], samples, set_bytes }
    }

    /// Goes on with a further segment; one that joins without a break is taken into the last.
    ///
    /// # Panics
    /// When file or device index runs back: the caller has checked them.
    pub(super) fn push(&mut self, next: Segment) {
        let last = self.last();
        let past = next.first.checked_sub(last.first).expect("file indices rise");
        assert!(next.device >= last.device + past, "device indices rise");
        let joins =
            next.device == last.device + past && next.byte == last.byte + past * self.set_bytes;
        if !joins {
            self.segments.push(next);
        }
    }

    /// The segment that reaches to the end of the file.
    pub(super) fn last(&self) -> Segment {
        self.segments[self.segments.len() - 1]
    }

    /// Sample sets in the file.
    pub(super) const fn samples(&self) -> u64 {
        self.samples
    }

    /// Device index of a sample set; one past the end goes on counting.
    pub(super) fn device_of(&self, index: u64) -> u64 {
        let segment = self.segments[self.segment_of(index)];
        segment.device + (index - segment.first)
    }

    fn segment_of(&self, index: u64) -> usize {
        self.segments.partition_point(|segment| segment.first <= index) - 1
    }

    /// The stretch that begins at a file index and is at most `samples` long; what lies beyond it
    /// is the next stretch. The caller keeps within the file.
    pub(super) fn stretch(&self, index: u64, samples: u64) -> Stretch {
        let at = self.segment_of(index);
        let segment = self.segments[at];
        let end = self.segments.get(at + 1).map_or(self.samples, |next| next.first);
        let past = index - segment.first;
        Stretch {
            byte: segment.byte + past * self.set_bytes,
            device: segment.device + past,
            samples: samples.min(end - index),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jumping() -> Layout {
        let mut layout = Layout::one(100, 0, 50, 4);
        layout.push(Segment { first: 20, byte: 180, device: 1000 });
        layout
    }

    #[test]
    fn a_stretch_ends_where_the_device_index_jumps() {
        let layout = jumping();
        assert_eq!(layout.stretch(10, 30), Stretch { byte: 140, device: 10, samples: 10 });
        assert_eq!(layout.stretch(20, 20), Stretch { byte: 180, device: 1000, samples: 20 });
    }

    #[test]
    fn segments_without_a_break_are_one() {
        let mut layout = Layout::one(0, 7, 50, 4);
        layout.push(Segment { first: 20, byte: 80, device: 27 });
        assert_eq!(layout, Layout::one(0, 7, 50, 4));
    }

    #[test]
    fn the_device_index_goes_on_past_the_end() {
        assert_eq!(jumping().device_of(50), 1030);
    }
}
