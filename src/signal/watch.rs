//! The gate's samples as they arrive: the drive's tone in the gate and its outer thirds, clipping,
//! range, mean and life of the converter.
//!
//! Everything is summed over blocks of [`BLOCK`] samples on a fixed grid from each stretch's first
//! sample, so that results do not depend on how samples arrive, and little is left to do when the
//! gate ends.

use super::plan::{Plan, single};
use super::tone::{BLOCK, ToneSum};
use super::wide::widest;
use super::{Measured, as_f64};

/// Share of clipped samples in the gate above which a pulse counts as clipped.
const CLIPPED_SHARE: f64 = 1e-4;

/// Clipped samples in a row from which a pulse counts as clipped.
const CLIPPED_RUN: usize = 3;

/// Numbers of a block that are looked at beside each other.
const LANES: usize = 16;

/// What was seen of a gate so far.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Watch {
    done: usize,
    middle: f64,
    clipped: usize,
    run: usize,
    longest: usize,
    least: [f32; LANES],
    most: [f32; LANES],
    /// Σ(x − middle); not finite exactly when a sample is not: no gate of binary32 numbers overflows.
    sums: [f64; LANES],
    squares: [f64; LANES],
    whole: ToneSum,
    first_third: ToneSum,
    last_third: ToneSum,
}

impl Watch {
    /// Nothing seen.
    pub(super) fn new() -> Self {
        Self {
            done: 0,
            middle: 0.0,
            clipped: 0,
            run: 0,
            longest: 0,
            least: [f32::INFINITY; LANES],
            most: [f32::NEG_INFINITY; LANES],
            sums: [0.0; LANES],
            squares: [0.0; LANES],
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
        self.sums.iter().all(|sum| sum.is_finite())
            && so_far[self.done..].iter().all(|x| x.is_finite())
    }

    fn look(&mut self, plan: &Plan, x: &[f32]) {
        let [low, high] = plan.spec.receive.full_scale_counts.map(single);
        if self.done == 0 {
            self.middle = f64::from(x[0]);
        }
        if self.add(x, low, high) {
            for &x in x {
                self.run = if x <= low || x >= high { self.run + 1 } else { 0 };
                self.clipped += usize::from(self.run > 0);
                self.longest = self.longest.max(self.run);
            }
        } else {
            self.run = 0;
        }
    }

    /// Extremes and moments of a block, in lanes so that it is fast and its order is fixed; whether
    /// a sample is clipped.
    fn add(&mut self, x: &[f32], low: f32, high: f32) -> bool {
        let middle = self.middle;
        widest(
            #[inline(always)]
            || {
                let (mut least, mut most) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
                let (mut sums, mut squares) = ([0.0; LANES], [0.0; LANES]);
                let mut look = |lane: usize, x: f32| {
                    least[lane] = if x < least[lane] { x } else { least[lane] };
                    most[lane] = if x > most[lane] { x } else { most[lane] };
                    let off = f64::from(x) - middle;
                    sums[lane] += off;
                    squares[lane] += off * off;
                };
                let (chunks, rest) = x.as_chunks::<LANES>();
                for chunk in chunks {
                    for (lane, &x) in chunk.iter().enumerate() {
                        look(lane, x);
                    }
                }
                for (lane, &x) in rest.iter().enumerate() {
                    look(lane, x);
                }
                let mut clipped = false;
                for lane in 0..LANES {
                    self.sums[lane] += sums[lane];
                    self.squares[lane] += squares[lane];
                    self.least[lane] = self.least[lane].min(least[lane]);
                    self.most[lane] = self.most[lane].max(most[lane]);
                    clipped |= (least[lane] <= low) | (most[lane] >= high);
                }
                clipped
            },
        )
    }

    /// Writes what a whole gate showed; `square` is that of the volts per count.
    pub(super) fn write(&self, plan: &Plan, square: f64, m: &mut Measured) {
        m.gate_tone_v2 = square * plan.gate_tone.power_of(&self.whole);
        m.first_third_v2 = square * plan.third_tone.power_of(&self.first_third);
        m.last_third_v2 = square * plan.third_tone.power_of(&self.last_third);
        let [low, high] = plan.spec.receive.full_scale_counts;
        let n = as_f64(plan.gate.len);
        let [sum, squares] = [self.sums, self.squares].map(|lanes| lanes.iter().sum::<f64>());
        let least = self.least.into_iter().fold(f32::INFINITY, f32::min);
        let most = self.most.into_iter().fold(f32::NEG_INFINITY, f32::max);
        let variance = squares / n - (sum / n) * (sum / n);
        m.mean_counts = self.middle + sum / n;
        m.dead = if plan.spec.receive.sample_format.is_integer() {
            variance < 1.0 / 12.0
        } else {
            least >= most
        };
        m.clipped_share = as_f64(self.clipped) / n;
        m.clipped = self.longest >= CLIPPED_RUN || m.clipped_share > CLIPPED_SHARE;
        m.peak_share = (f64::from(most) / high).max(f64::from(least) / low);
    }
}
