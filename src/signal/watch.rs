//! The gate's samples as they arrive: the drive's tone in the gate and its outer thirds, clipping,
//! range, mean and life of the converter.
//!
//! Everything is summed over blocks of [`BLOCK`] samples on a fixed grid from each stretch's first
//! sample, so that results do not depend on how samples arrive, and little is left to do when the
//! gate ends.

use super::plan::{Plan, single};
use super::tone::{BLOCK, ToneSum};
use super::{Measured, as_f64};

/// Share of clipped samples in the gate above which a pulse counts as clipped.
const CLIPPED_SHARE: f64 = 1e-4;

/// Clipped samples in a row from which a pulse counts as clipped.
const CLIPPED_RUN: usize = 3;

/// What was seen of a gate so far.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Watch {
    done: usize,
    finite: bool,
    middle: f64,
    clipped: usize,
    run: usize,
    longest: usize,
    least: f32,
    most: f32,
    sum: f64,
    squares: f64,
    whole: ToneSum,
    first_third: ToneSum,
    last_third: ToneSum,
}

impl Watch {
    /// Nothing seen.
    pub(super) fn new() -> Self {
        Self {
            done: 0,
            finite: true,
            middle: 0.0,
            clipped: 0,
            run: 0,
            longest: 0,
            least: f32::INFINITY,
            most: f32::NEG_INFINITY,
            sum: 0.0,
            squares: 0.0,
            whole: ToneSum::default(),
            first_third: ToneSum::default(),
            last_third: ToneSum::default(),
        }
    }

    /// Looks at what has come of the gate since the last time, block by block; what is left of a
    /// block only when the gate is whole.
    pub(super) fn advance(&mut self, plan: &Plan, so_far: &[f32]) {
        let (len, third) = (plan.gate.len, plan.gate.len / 3);
        while self.done + BLOCK <= so_far.len() || (so_far.len() == len && self.done < len) {
            let end = (self.done + BLOCK).min(so_far.len());
            self.look(plan, &so_far[self.done..end]);
            self.done = end;
            let seen = &so_far[..end];
            plan.gate_tone.add(&mut self.whole, seen);
            plan.third_tone.add(&mut self.first_third, &seen[..end.min(third)]);
            if let Some(last) = seen.get(len - third..) {
                plan.third_tone.add(&mut self.last_third, last);
            }
        }
    }

    /// Whether every sample of the gate so far is a finite number.
    pub(super) fn is_finite(&self, so_far: &[f32]) -> bool {
        self.finite && so_far[self.done..].iter().all(|x| x.is_finite())
    }

    fn look(&mut self, plan: &Plan, block: &[f32]) {
        let [low, high] = plan.spec.receive.full_scale_counts.map(single);
        if self.done == 0 {
            self.middle = f64::from(block[0]);
        }
        self.finite &= block.iter().fold(true, |all, x| all & x.is_finite());
        let (least, most) = extremes(block);
        (self.least, self.most) = (self.least.min(least), self.most.max(most));
        if least <= low || most >= high {
            for &x in block {
                self.run = if x <= low || x >= high { self.run + 1 } else { 0 };
                self.clipped += usize::from(self.run > 0);
                self.longest = self.longest.max(self.run);
            }
        } else {
            self.run = 0;
        }
        let (sum, squares) = moments(block, self.middle);
        self.sum += sum;
        self.squares += squares;
    }

    /// Writes what a whole gate showed; `square` is that of the volts per count.
    pub(super) fn write(&self, plan: &Plan, square: f64, m: &mut Measured) {
        m.gate_tone_v2 = square * plan.gate_tone.power_of(&self.whole);
        m.first_third_v2 = square * plan.third_tone.power_of(&self.first_third);
        m.last_third_v2 = square * plan.third_tone.power_of(&self.last_third);
        let [low, high] = plan.spec.receive.full_scale_counts;
        let n = as_f64(plan.gate.len);
        let variance = self.squares / n - (self.sum / n) * (self.sum / n);
        m.mean_counts = self.middle + self.sum / n;
        m.dead = if plan.spec.receive.sample_format.is_integer() {
            variance < 1.0 / 12.0
        } else {
            self.least >= self.most
        };
        m.clipped_share = as_f64(self.clipped) / n;
        m.clipped = self.longest >= CLIPPED_RUN || m.clipped_share > CLIPPED_SHARE;
        m.peak_share = (f64::from(self.most) / high).max(f64::from(self.least) / low);
    }
}

/// Sum and sum of squares of a block about `middle`, in eight lanes so that the order is fixed.
fn moments(block: &[f32], middle: f64) -> (f64, f64) {
    let (mut sums, mut squares) = ([0.0; 8], [0.0; 8]);
    let (eights, rest) = block.as_chunks::<8>();
    for eight in eights {
        for lane in 0..8 {
            let off = f64::from(eight[lane]) - middle;
            sums[lane] += off;
            squares[lane] += off * off;
        }
    }
    for &x in rest {
        let off = f64::from(x) - middle;
        sums[0] += off;
        squares[0] += off * off;
    }
    (sums.iter().sum(), squares.iter().sum())
}

/// Lowest and highest of a block, in eight lanes.
fn extremes(block: &[f32]) -> (f32, f32) {
    let (mut least, mut most) = ([f32::INFINITY; 8], [f32::NEG_INFINITY; 8]);
    let (eights, rest) = block.as_chunks::<8>();
    for eight in eights {
        for lane in 0..8 {
            least[lane] = if eight[lane] < least[lane] { eight[lane] } else { least[lane] };
            most[lane] = if eight[lane] > most[lane] { eight[lane] } else { most[lane] };
        }
    }
    let low = least.iter().chain(rest).copied().fold(f32::INFINITY, f32::min);
    let high = most.iter().chain(rest).copied().fold(f32::NEG_INFINITY, f32::max);
    (low, high)
}
