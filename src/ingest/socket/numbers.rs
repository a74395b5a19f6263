//! Pulse numbers that rise over all streams of a session.
//!
//! A digitiser that starts again counts from 0. Its pulses then go on from the last number of the
//! session, and the record says by how much they are shifted.

use std::sync::Arc;

use crate::engine::{Frame, Input, PulseTag};

/// Shifts the numbers of one stream after the other.
#[derive(Debug, Default)]
pub(super) struct Numbers {
    highest: Option<u64>,
    /// By how much this stream's numbers are raised; unknown before its first pulse.
    shift: Option<u64>,
    /// The open pulse as it came and as it is handed on.
    tag: Option<(Arc<PulseTag>, Arc<PulseTag>)>,
}

impl Numbers {
    /// A new stream begins.
    pub(super) fn begin(&mut self) {
        self.shift = None;
        self.tag = None;
    }

    /// The input with its number in the session, and what to say of it.
    pub(super) fn take(&mut self, input: Input) -> (Input, Option<String>) {
        let Input::Frame(frame) = input else { return (input, None) };
        let number = frame.tag.number;
        let gap = if self.shift.is_none() { self.begin_at(number) } else { None };
        let shift = self.shift.unwrap_or(0);
        self.highest = self.highest.max(Some(number + shift));
        if shift == 0 {
            return (Input::Frame(frame), None);
        }
        let known = self.tag.take().filter(|(came, _)| Arc::ptr_eq(came, &frame.tag));
        let (came, tag) = known.unwrap_or_else(|| {
            let tag = PulseTag { number: number + shift, ..(*frame.tag).clone() };
            (Arc::clone(&frame.tag), Arc::new(tag))
        });
        self.tag = Some((came, Arc::clone(&tag)));
        (Input::Frame(Frame { tag, ..frame }), gap)
    }

    fn begin_at(&mut self, number: u64) -> Option<String> {
        let shift = self.highest.map_or(0, |highest| (highest + 1).saturating_sub(number));
        self.shift = Some(shift);
        (shift > 0).then(|| {
            let first = number + shift;
            format!("the stream begins with pulse {number}, which is pulse {first} of this session: its numbers are raised by {shift}")
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::wire::JSON_INTEGER_END;
    use super::*;

    fn frame(number: u64) -> Input {
        Input::Frame(Frame::bare(number))
    }

    #[track_caller]
    fn check(streams: &[&[u64]], expected: &[u64], said: usize) {
        let (mut numbers, mut found, mut gaps) = (Numbers::default(), Vec::new(), 0);
        for stream in streams {
            numbers.begin();
            for number in *stream {
                let (input, gap) = numbers.take(frame(*number));
                let Input::Frame(frame) = input else { panic!("no frame") };
                found.push(frame.tag.number);
                gaps += usize::from(gap.is_some());
            }
        }
        assert_eq!((found.as_slice(), gaps), (expected, said));
    }

    #[test]
    fn streams_that_go_on_keep_their_numbers_and_others_are_raised() {
        check(&[&[3, 4, 9]], &[3, 4, 9], 0);
        check(&[&[3, 4], &[5, 8]], &[3, 4, 5, 8], 0);
        check(&[&[3, 4], &[0, 1, 7], &[0]], &[3, 4, 5, 6, 12, 13], 2);
        check(&[&[], &[2], &[]], &[2], 0);
        check(&[&[JSON_INTEGER_END - 1], &[1]], &[JSON_INTEGER_END - 1, JSON_INTEGER_END], 1);
    }

    #[test]
    fn all_frames_of_a_raised_pulse_share_one_tag() {
        let mut numbers = Numbers::default();
        numbers.begin();
        numbers.take(frame(5));
        numbers.begin();
        let Input::Frame(first) = frame(0) else { panic!("no frame") };
        let tags: Vec<_> = (0..3)
            .map(|_| match numbers.take(Input::Frame(first.clone())).0 {
                Input::Frame(frame) => frame.tag,
                other => panic!("{other:?}"),
            })
            .collect();
        assert!(Arc::ptr_eq(&tags[0], &tags[1]) && Arc::ptr_eq(&tags[1], &tags[2]));
    }
}
