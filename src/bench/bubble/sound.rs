//! The sound of many bubbles at receivers, from the cells of a library.
//!
//! A bubble at place x is met by the drive when that has run from the source to the focus and on by z/c,
//! and is heard |x − receiver|/c later, lowered by that distance. What a cell holds is read between its
//! points by Lagrange's polynomial through six. Bubbles with a period are first added up over one stretch of 24 cycles, in
//! which all their periods close; that chorus is then read once for all of them, between the last head's
//! end and the first tail's start.

use super::super::noise::{generator, share};
use super::cell::{Body, Cell, PERIODS};
use super::filter::{AROUND, Stretch, narrow, usize_of};
use super::library::Library;
use super::liquid::{BubbleError, within};
use super::population::Present;
use crate::signal::as_f64;

/// Nearest that a receiver may be to a bubble, m.
pub const NEAREST_M: f64 = 1e-3;
/// Cycles of the chorus.
const CHORUS: usize = PERIODS[PERIODS.len() - 1];

/// What is true of a pulse.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Truth {
    /// Bubbles in the volume, also where no drive is on.
    pub bubbles: u32,
    /// Those with a shell when the pulse came.
    pub coated: u32,
    /// Shells that broke in it.
    pub broken: u32,
    /// Bubbles destroyed in it.
    pub destroyed: u32,
    /// Largest radius over that at rest of any; none where there is no bubble.
    pub largest_ratio: Option<f64>,
    /// Inertial collapses of all.
    pub inertial_collapses: u64,
}

/// One bubble as one receiver hears it.
struct Voice<'a> {
    script: &'a [Piece<'a>],
    /// Sample at which its cycle 0 is heard, and its weight, 1/m.
    start: f64,
    weight: f64,
}

/// A part of a stretch, and where it is played.
struct Piece<'a> {
    stretch: &'a Stretch,
    /// Cycles after which the stretch begins anew.
    period: Option<usize>,
    /// First cycle in the stretch, cycle of the burst it starts at, and its cycles.
    from: usize,
    at: usize,
    cycles: usize,
    /// Whether its first cycle fades in and its last one out.
    rises: bool,
    falls: bool,
}

/// How stretches are read: points and samples a cycle.
#[derive(Clone, Copy)]
struct Reader {
    grid: usize,
    cycle: f64,
}

impl Library {
    /// Adds the sound of a pulse's bubbles to each receiver's pressure, Pa; `ears_pa[i][0]` is the
    /// trigger, and sound beyond a buffer's end is not heard. `travel_s` is the drive's way from the
    /// trigger to the focus.
    ///
    /// # Errors
    /// [`BubbleError`]: a cell that cannot be made, a number out of bounds, a receiver within 1 mm of
    /// a bubble, as many buffers as receivers not given.
    pub fn sound(
        &self,
        all: &[Present],
        travel_s: f64,
        receivers_m: &[[f64; 3]],
        ears_pa: &mut [Vec<f64>],
    ) -> Result<Truth, BubbleError> {
        let receivers = as_f64(receivers_m.len());
        within("buffers", as_f64(ears_pa.len()), [receivers, receivers])?;
        within("travel_s", travel_s, [0.0, 1.0])?;
        let (spec, mould) = (self.spec(), &self.mould);
        let reader =
            Reader { grid: mould.filter.grid, cycle: spec.sample_rate_hz / spec.frequency_hz };
        let mut scripts = Vec::with_capacity(all.len());
        let presents = || all.iter().filter(|present| present.pressure_pa > 0.0);
        for present in presents() {
            let end = mould.burst_cycles.saturating_sub(mould.ramp_cycles);
            scripts.push(self.cell(present.cell)?.script(present, end));
        }
        for (receiver, ear) in receivers_m.iter().zip(ears_pa) {
            let mut voices = Vec::with_capacity(scripts.len());
            for (present, script) in presents().zip(&scripts) {
                let away = [0, 1, 2].map(|axis| present.position_m[axis] - receiver[axis]);
                let distance = libm::sqrt(away.iter().map(|part| part * part).sum());
                within("distance_m from bubble to receiver", distance, [NEAREST_M, 100.0])?;
                let way = present.position_m[2] + distance;
                let heard_s = travel_s + way / spec.liquid.sound_speed_m_per_s;
                let start = heard_s * spec.sample_rate_hz;
                let weight = self.gain(present.pressure_pa) / distance;
                voices.push(Voice { script, start, weight });
            }
            reader.sing(&voices, ear);
        }
        self.truth(all)
    }

    /// What is true of a pulse, without its sound.
    ///
    /// # Errors
    /// [`BubbleError`]: a cell that cannot be made.
    pub fn truth(&self, presents: &[Present]) -> Result<Truth, BubbleError> {
        let mut truth = Truth::default();
        let mut collapses = 0.0;
        let burst = self.mould.burst_cycles;
        for present in presents {
            truth.bubbles += 1;
            truth.coated += u32::from(present.coated);
            if present.pressure_pa <= 0.0 {
                truth.largest_ratio = truth.largest_ratio.or(Some(1.0));
                continue;
            }
            let cell = self.cell(present.cell)?;
            truth.broken += u32::from(cell.broken_cycle.is_some());
            truth.destroyed += u32::from(present.ends_cycle.is_some());
            let largest = truth.largest_ratio.unwrap_or(1.0).max(cell.largest_ratio);
            truth.largest_ratio = Some(largest);
            collapses += cell.collapses(present.ends_cycle.unwrap_or(burst).min(burst));
        }
        truth.inertial_collapses = whole(collapses);
        Ok(truth)
    }
}

impl Cell {
    /// Inertial collapses up to a cycle of the burst.
    pub(super) fn collapses(&self, cycle: usize) -> f64 {
        let (early, within) = (f64::from(self.early_collapses), as_f64(self.early_cycles.max(1)));
        let cycle = as_f64(cycle);
        let steady = if matches!(self.body_kind, Body::Whole) { 0.0 } else { cycle - within };
        early * (cycle / within).min(1.0) + self.collapses_per_cycle * steady.max(0.0)
    }

    /// What a bubble plays in a burst whose last ramp starts at cycle `end`.
    fn script(&self, present: &Present, end: usize) -> Vec<Piece<'_>> {
        let head = self.head_cycles;
        let whole = Piece::new(&self.head, [0, 0, head]);
        let (body, tail) = (&self.body, Piece::new(&self.tail, [0, end, self.tail_cycles]));
        let dies = present.ends_cycle.map(|cycle| cycle.min(end));
        if let Some(last) = dies.filter(|last| *last <= head) {
            return vec![Piece::new(&self.head, [0, 0, (last + 1).min(head)]).falling()];
        }
        match (&self.body_kind, dies) {
            (Body::Whole, _) => vec![whole],
            (Body::Loop(period), Some(last)) => {
                let body = Piece::new(body, [0, head, last + 1 - head]).falling();
                vec![whole, Piece { period: Some(*period), ..body }]
            }
            (Body::Loop(period), None) => {
                let body = Piece::new(body, [0, head, end - head]);
                vec![whole, Piece { period: Some(*period), ..body }, tail]
            }
            (Body::Pool(kept), _) => {
                let mut script = vec![Piece::new(&self.head, [0, 0, head + 1]).falling()];
                self.pieces(*kept, (present.seed, dies), end, &mut script);
                if dies.is_none() {
                    script.push(tail);
                }
                script
            }
        }
    }

    /// Pieces of a stretch without period, picked at random.
    fn pieces<'a>(
        &'a self,
        kept: usize,
        (seed, dies): (u64, Option<usize>),
        end: usize,
        script: &mut Vec<Piece<'a>>,
    ) {
        let mut random = generator([seed, 0, 0]);
        let mut pick = |most: usize| usize_of(share(&mut random) * as_f64(most));
        let mut now = self.head_cycles;
        let last = dies.unwrap_or(end);
        while now < last {
            let left = last - now;
            let length = if left > kept / 2 { kept / 4 + pick(kept / 4) } else { left };
            let piece = if length == left && dies.is_none() {
                // The tail goes on where the stretch ends.
                Piece::new(&self.body, [kept - left, now, left])
            } else {
                let from = pick(kept - length - 2);
                // Odd and even cycles stay what they are, for motions close to a period of 2.
                let from = from + (self.head_cycles + from + now) % 2;
                Piece::new(&self.body, [from, now, length + 1]).falling()
            };
            script.push(Piece { rises: true, ..piece });
            now += length;
        }
    }
}

impl<'a> Piece<'a> {
    const fn new(stretch: &'a Stretch, [from, at, cycles]: [usize; 3]) -> Self {
        Self { stretch, period: None, from, at, cycles, rises: false, falls: false }
    }

    const fn falling(self) -> Self {
        Self { falls: true, ..self }
    }
}

impl Voice<'_> {
    /// The part that a chorus can sing: a period that nothing ends.
    fn chorus(&self) -> Option<(&Piece<'_>, usize)> {
        let mut lasting = self.script.iter().filter(|piece| !piece.falls);
        lasting.find_map(|piece| piece.period.map(|period| (piece, period)))
    }
}

impl Reader {
    fn sing(self, voices: &[Voice<'_>], ear: &mut [f64]) {
        let singers = || voices.iter().filter_map(|voice| Some((voice, voice.chorus()?)));
        let begin = |(voice, (piece, _)): (&Voice<'_>, (&Piece<'_>, usize))| {
            self.sample(voice.start, piece.at)
        };
        let finish = |(voice, (piece, _)): (&Voice<'_>, (&Piece<'_>, usize))| {
            self.sample(voice.start, piece.at + piece.cycles)
        };
        let from = singers().map(begin).max().unwrap_or(0);
        let to = singers().map(finish).min().unwrap_or(0).max(from);
        let mut chorus = vec![0.0; CHORUS * self.grid];
        for voice in voices {
            let sung = voice.chorus().filter(|_| from < to);
            for piece in voice.script {
                match sung {
                    Some((part, period)) if piece.period.is_some() => {
                        self.join(&mut chorus, (voice, part, period));
                        self.play(ear, (voice, piece), [i64::MIN, from]);
                        self.play(ear, (voice, piece), [to, i64::MAX]);
                    }
                    _ => self.play(ear, (voice, piece), [i64::MIN, i64::MAX]),
                }
            }
        }
        let points = chorus.len();
        let around = (points - AROUND[0]..points).chain(0..points).chain(0..AROUND[1]);
        let table: Vec<f32> = around.map(|point| narrow(chorus[point])).collect();
        let (start, cycles) = (0.0, CHORUS * self.grid);
        self.read(ear, (&table, Some(cycles)), (start, [from, to]), [1.0, 0.0]);
    }

    /// The sample at or after the start of a voice's cycle.
    #[allow(clippy::cast_possible_truncation, reason = "the cast saturates far outside any buffer")]
    fn sample(self, start: f64, cycle: usize) -> i64 {
        libm::ceil(start + as_f64(cycle) * self.cycle) as i64
    }

    /// Adds a voice's period to the chorus, whose point q is heard at sample q/grid·cycle and every 24
    /// cycles after it.
    fn join(self, chorus: &mut [f64], (voice, piece, period): (&Voice<'_>, &Piece<'_>, usize)) {
        let length = period * self.grid;
        let points = &piece.stretch.points;
        let late = (voice.start / self.cycle + as_f64(piece.at)) * as_f64(self.grid);
        let first = -late - as_f64(length) * libm::floor(-late / as_f64(length));
        let whole = libm::floor(first);
        let weights = lagrange(first - whole).map(|weight| weight * voice.weight);
        let mut place = usize_of(whole).min(length - 1);
        for sum in chorus {
            if let Some(near) = points.get(place..place + 6) {
                *sum += blend(near, weights);
            }
            place = if place + 1 == length { 0 } else { place + 1 };
        }
    }

    /// Plays a piece as far as it lies between two samples.
    fn play(
        self,
        ear: &mut [f64],
        (voice, piece): (&Voice<'_>, &Piece<'_>),
        [low, high]: [i64; 2],
    ) {
        let Piece { at, cycles, from, .. } = *piece;
        let (first, last) = (usize::from(piece.rises), usize::from(piece.falls));
        let parts = [
            (at, at + first, [0.0, 1.0]),
            (at + first, at + cycles.max(first + last) - last, [1.0, 0.0]),
            (at + cycles.max(first + last) - last, at + cycles, [1.0, -1.0]),
        ];
        // Where the stretch's first point would be heard.
        let start = voice.start + (as_f64(at) - as_f64(from)) * self.cycle;
        for (begin, end, [loudness, growth]) in parts {
            let bounds = [begin, end].map(|cycle| self.sample(voice.start, cycle).clamp(low, high));
            let entered = voice.start + as_f64(begin) * self.cycle;
            let slope = growth * voice.weight / self.cycle;
            let base = loudness * voice.weight - slope * entered;
            let table = (piece.stretch.points.as_slice(), piece.period.map(|p| p * self.grid));
            self.read(ear, table, (start, bounds), [base, slope]);
        }
    }

    /// Adds a table from sample to sample; its first point is heard at sample `start`, its loudness is
    /// base + slope·sample.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "samples lie within the buffer"
    )]
    fn read(
        self,
        ear: &mut [f64],
        (table, period): (&[f32], Option<usize>),
        (start, [from, to]): (f64, [i64; 2]),
        [base, slope]: [f64; 2],
    ) {
        let length = ear.len() as i64;
        let (mut now, to) = (from.clamp(0, length) as usize, to.clamp(0, length) as usize);
        let step = as_f64(self.grid) / self.cycle;
        while now < to {
            let mut place = (as_f64(now) - start) * step;
            let mut end = to;
            if let Some(period) = period {
                let period = as_f64(period);
                place -= period * libm::floor(place / period);
                end = end.min(now + usize_of(libm::ceil((period - place) / step)).max(1));
            }
            for (count, value) in ear[now..end].iter_mut().enumerate() {
                let place = place + as_f64(count) * step;
                let whole = place as usize;
                if let Some(near) = table.get(whole..whole + 6) {
                    let loudness = base + slope * as_f64(now + count);
                    *value += loudness * blend(near, lagrange(place - as_f64(whole)));
                }
            }
            now = end;
        }
    }
}

/// Lagrange's weights of the points at −2 to 3 for a place from 0 to 1. Six points, since images of what
/// is close to half the sample rate would stand in the spectrum as lines: with four of them at −75 dB.
#[inline]
fn lagrange(t: f64) -> [f64; 6] {
    let (a, b, d, e, f) = (t + 2.0, t + 1.0, t - 1.0, t - 2.0, t - 3.0);
    let (low, high) = (a * b, e * f);
    let (inner, ends) = (t * d, b * high);
    [
        inner * ends * (-1.0 / 120.0),
        a * inner * high * (1.0 / 24.0),
        low * d * high * (-1.0 / 12.0),
        low * t * high * (1.0 / 12.0),
        low * inner * f * (-1.0 / 24.0),
        low * inner * e * (1.0 / 120.0),
    ]
}

#[inline]
fn blend(near: &[f32], weights: [f64; 6]) -> f64 {
    near.iter().zip(weights).map(|(point, weight)| f64::from(*point) * weight).sum()
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a count of collapses is not negative and stays far below 2^53"
)]
fn whole(value: f64) -> u64 {
    libm::round(value) as u64
}
