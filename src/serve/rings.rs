//! What is kept for readers: bounded rings, each item with its index in this run.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::detect::{Row, Stage};

/// Items of a run, the oldest dropped; index 0 is the first that ever was.
#[derive(Debug)]
pub(super) struct Ring<T> {
    items: VecDeque<T>,
    first: u64,
    most: usize,
}

impl<T: Clone> Ring<T> {
    /// An empty ring of at most `most` items.
    pub(super) fn new(most: usize) -> Self {
        Self { items: VecDeque::new(), first: 0, most: most.max(1) }
    }

    /// Adds an item; what had to go.
    pub(super) fn push(&mut self, item: T) -> Option<T> {
        let gone = if self.items.len() >= self.most { self.pop() } else { None };
        self.items.push_back(item);
        gone
    }

    /// Drops the oldest.
    pub(super) fn pop(&mut self) -> Option<T> {
        let gone = self.items.pop_front()?;
        self.first += 1;
        Some(gone)
    }

    /// Index of the oldest that is kept.
    pub(super) const fn first(&self) -> u64 {
        self.first
    }

    /// Index of the next that comes.
    pub(super) fn end(&self) -> u64 {
        self.first + self.items.len() as u64
    }

    pub(super) fn len(&self) -> usize {
        self.items.len()
    }

    pub(super) fn newest(&self) -> Option<&T> {
        self.items.back()
    }

    /// All that are kept, oldest first.
    pub(super) fn iter(&self) -> impl DoubleEndedIterator<Item = &T> {
        self.items.iter()
    }

    pub(super) fn get(&self, index: u64) -> Option<&T> {
        self.items.get(usize::try_from(index.checked_sub(self.first)?).ok()?)
    }

    /// Index of the first item for which `is_past` holds, where it holds for all after it.
    pub(super) fn find(&self, is_past: impl Fn(&T) -> bool) -> u64 {
        self.first + self.items.partition_point(|item| !is_past(item)) as u64
    }

    /// The next items from `from` on, at most `most`, while `fits` says so but at least one.
    pub(super) fn next(
        &self,
        from: u64,
        most: usize,
        mut fits: impl FnMut(&T) -> bool,
    ) -> Batch<T> {
        let begin = from.max(self.first);
        let skip = usize::try_from(begin - self.first).unwrap_or(usize::MAX);
        let mut items: Vec<T> = Vec::new();
        for item in self.items.iter().skip(skip).take(most) {
            if !fits(item) && !items.is_empty() {
                break;
            }
            items.push(item.clone());
        }
        Batch { missed: begin - from, next: begin + items.len() as u64, items }
    }
}

/// Some items, how many were dropped before them, and where to go on.
#[derive(Debug)]
pub(super) struct Batch<T> {
    pub(super) missed: u64,
    pub(super) items: Vec<T>,
    pub(super) next: u64,
}

/// One pulse with its rows.
#[derive(Debug)]
pub(super) struct PulseRecord {
    /// Count of pulses in this run, from 0.
    pub(super) n: u64,
    pub(super) pulse: u64,
    pub(super) time_s: f64,
    pub(super) target: Arc<str>,
    pub(super) drive_mpa: Option<f64>,
    pub(super) stage: Stage,
    /// As in the table: a pulse that never came first, channels, `all` last.
    pub(super) rows: Vec<Row>,
}

impl PulseRecord {
    /// The row that stands for the whole receiver: `all`, else the only channel.
    pub(super) fn whole(&self) -> Option<&Row> {
        self.rows.last().filter(|row| row.pulse.is_some())
    }

    /// Rows of this pulse, those of a pulse that never came left out.
    pub(super) fn own_rows(&self) -> impl Iterator<Item = &Row> {
        self.rows.iter().filter(|row| row.pulse.is_some())
    }
}

/// Spectra of the newest pulses, bounded by their bytes; the newest is always there.
#[derive(Debug)]
pub(super) struct Spectra {
    ring: Ring<Arc<Vec<f32>>>,
    bytes: u64,
    most_bytes: u64,
}

impl Spectra {
    pub(super) fn new(most_bytes: u64) -> Self {
        Self { ring: Ring::new(usize::MAX), bytes: 0, most_bytes }
    }

    /// Adds a pulse's spectra, V²/Hz, channel after channel; what had to go.
    pub(super) fn push(&mut self, spectra: Arc<Vec<f32>>) -> Vec<Arc<Vec<f32>>> {
        let bytes = |spectra: &Vec<f32>| spectra.len() as u64 * 4;
        let mut gone = Vec::new();
        self.bytes += bytes(&spectra);
        while self.bytes > self.most_bytes {
            let Some(oldest) = self.ring.pop() else { break };
            self.bytes -= bytes(&oldest);
            gone.push(oldest);
        }
        gone.extend(self.ring.push(spectra));
        gone
    }

    /// The spectra of the pulse with count `n`.
    pub(super) fn get(&self, n: u64) -> Option<Arc<Vec<f32>>> {
        self.ring.get(n).cloned()
    }

    /// Pulses and bytes that are kept.
    pub(super) fn kept(&self) -> (usize, u64) {
        (self.ring.len(), self.bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ring_keeps_the_newest_and_says_what_was_missed() {
        let mut ring = Ring::new(3);
        for item in 0..5 {
            assert_eq!(ring.push(item), (item >= 3).then(|| item - 3));
        }
        assert_eq!((ring.first(), ring.end(), ring.len()), (2, 5, 3));
        assert_eq!((ring.get(1), ring.get(2), ring.get(5)), (None, Some(&2), None));
        let batch = ring.next(0, 2, |_| true);
        assert_eq!((batch.missed, batch.items, batch.next), (2, vec![2, 3], 4));
        let batch = ring.next(4, 2, |_| true);
        assert_eq!((batch.missed, batch.items, batch.next), (0, vec![4], 5));
        let ahead = ring.next(u64::MAX, 2, |_| true);
        assert_eq!((ahead.missed, ahead.items, ahead.next), (0, Vec::<i32>::new(), u64::MAX));
        assert_eq!((ring.find(|item| *item > 3), ring.find(|item| *item > 9)), (4, 5));
    }

    #[test]
    fn a_batch_has_one_item_even_when_none_fits() {
        let mut ring = Ring::new(3);
        ring.push(1);
        ring.push(2);
        let batch = ring.next(0, 9, |_| false);
        assert_eq!((batch.items, batch.next), (vec![1], 1));
    }

    #[test]
    fn spectra_are_bounded_by_their_bytes_and_the_newest_stays() {
        let mut spectra = Spectra::new(100);
        let of = |bins: usize| Arc::new(vec![0.0_f32; bins]);
        for _ in 0..4 {
            spectra.push(of(10));
        }
        assert_eq!(spectra.kept(), (2, 80));
        assert!(spectra.get(1).is_none() && spectra.get(2).is_some());
        // Larger than everything that may be kept
        let gone = spectra.push(of(50));
        assert_eq!((gone.len(), spectra.kept()), (2, (1, 200)));
        assert!(spectra.get(4).is_some());
        spectra.push(of(1));
        assert_eq!(spectra.kept(), (1, 4));
    }
}
