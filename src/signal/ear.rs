//! Hearing one channel of one pulse: samples in as they arrive, measured powers out.

use super::measure::{self, ChannelReading, Running, Void};
use super::plan::{Plan, Stretch, single};
use super::spectrum::Averager;
use super::watch::Watch;
use super::{Quantity, as_f64, bands};

/// One gate being filled.
struct Region {
    start: i64,
    samples: Vec<f32>,
    filled: usize,
    hole: bool,
}

impl Region {
    fn new(len: usize) -> Self {
        Self { start: 0, samples: vec![0.0; len], filled: 0, hole: false }
    }

    fn begin(&mut self, start: i64) {
        self.start = start;
        self.filled = 0;
        self.hole = false;
    }

    /// Takes what belongs to the region from samples that begin `offset` after the pulse's first.
    fn take(&mut self, offset: i64, x: &[f32]) {
        let missing = self.samples.len() - self.filled;
        let want = self.start + i64::try_from(self.filled).unwrap_or(i64::MAX);
        let end = want + i64::try_from(missing).unwrap_or(i64::MAX);
        if missing == 0 || offset >= end || self.hole {
            self.hole |= missing > 0 && offset >= end;
            return;
        }
        let Ok(skip) = usize::try_from(want - offset) else {
            self.hole = true;
            return;
        };
        let Some(fresh) = x.get(skip..) else { return };
        let count = fresh.len().min(missing);
        self.samples[self.filled..][..count].copy_from_slice(&fresh[..count]);
        self.filled += count;
    }

    fn whole(&self) -> bool {
        !self.hole && self.filled == self.samples.len()
    }

    fn so_far(&self) -> &[f32] {
        &self.samples[..self.filled]
    }
}

/// Memory and scratch to hear one channel of one pulse at a time; nothing is kept across pulses.
pub struct Ear {
    gate: Region,
    noise: Option<Region>,
    feed: Option<Region>,
    welch: Averager,
    noise_welch: Option<Averager>,
    noise_heard: bool,
    /// Density in the noise gate, counts²/Hz, once it is heard.
    noise_spectrum: Vec<f64>,
    watch: Watch,
    spectrum: Vec<f64>,
    quarters: [f64; 4],
    /// λ after each quarter, in counts where it is a level; how many there are.
    running_db: Running,
    passed: usize,
}

impl Ear {
    /// Makes room for the gates of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        Self {
            gate: Region::new(plan.gate.len),
            noise: plan.noise.as_ref().map(|noise| Region::new(noise.gate.len)),
            feed: plan.feed_through.map(|stretch| Region::new(stretch.len)),
            welch: Averager::new(plan.segments, &*plan.transform),
            noise_welch: plan
                .noise
                .as_ref()
                .map(|noise| Averager::new(noise.segments, &*noise.transform)),
            noise_heard: false,
            noise_spectrum: plan
                .noise
                .as_ref()
                .map_or_else(Vec::new, |noise| vec![0.0; noise.segments.n / 2 + 1]),
            watch: Watch::new(),
            spectrum: vec![0.0; plan.bins()],
            quarters: [0.0; 4],
            running_db: Running::default(),
            passed: 0,
        }
    }

    /// Starts a pulse whose trigger is `trigger` samples after its first, or where the plan says.
    pub fn begin(&mut self, plan: &Plan, trigger: Option<u64>) {
        let place = |stretch: Stretch| plan.place(stretch, trigger);
        self.gate.begin(place(plan.gate));
        if let (Some(region), Some(noise)) = (&mut self.noise, &plan.noise) {
            region.begin(place(noise.gate));
        }
        if let (Some(region), Some(stretch)) = (&mut self.feed, plan.feed_through) {
            region.begin(place(stretch));
        }
        self.welch.begin();
        self.noise_heard = false;
        self.watch = Watch::new();
        self.quarters = [0.0; 4];
        self.running_db = Running::default();
        self.passed = 0;
    }

    /// Takes the next samples of the pulse, in counts; `offset` counts from its first sample.
    pub fn push(&mut self, plan: &Plan, offset: i64, x: &[f32]) {
        self.gate.take(offset, x);
        if let Some(region) = &mut self.noise {
            region.take(offset, x);
        }
        if let Some(region) = &mut self.feed {
            region.take(offset, x);
        }
        self.hear_noise(plan);
        while self.welch.step(self.gate.so_far(), &plan.window, &*plan.transform) {
            self.note_quarter(plan);
            self.note_running(plan);
        }
        self.watch.advance(plan, self.gate.so_far());
    }

    /// Hears the noise gate once it is whole, so that this is not left to the end of the gate.
    fn hear_noise(&mut self, plan: &Plan) {
        let (Some(region), Some(noise), Some(welch), false) =
            (&self.noise, &plan.noise, &mut self.noise_welch, self.noise_heard)
        else {
            return;
        };
        if region.whole() {
            welch.begin();
            while welch.step(&region.samples, &noise.window, &*noise.transform) {}
            welch.density(noise.scale, &mut self.noise_spectrum);
            self.noise_heard = true;
        }
    }

    /// Remembers the broadband's running sum where a quarter of the segments ends.
    fn note_quarter(&mut self, plan: &Plan) {
        for (k, sum) in self.quarters.iter_mut().enumerate() {
            if self.welch.done() == quarter_end(plan.segments.count, k) {
                *sum = measure::power(self.welch.sums(), &plan.bands.broadband);
            }
        }
    }

    /// Takes λ of the segments so far where one of the first three quarters ends.
    fn note_running(&mut self, plan: &Plan) {
        let at = |quarter: usize| quarter_end(plan.segments.count, quarter) == self.welch.done();
        // In a short gate the first quarter has no segments: nothing is looked at there.
        while self.passed < 2 && quarter_end(plan.segments.count, self.passed) == 0 {
            self.passed += 1;
        }
        if !plan.running_pulse || self.passed == 3 || !at(self.passed) {
            return;
        }
        self.welch.density(plan.scale, &mut self.spectrum);
        // A noise gate that ends later is not looked at, or chunks of samples would decide.
        let heard = (self.welch.done() - 1) * plan.segments.hop + plan.segments.n;
        let ends =
            |stretch: Stretch| stretch.start + i64::try_from(stretch.len).unwrap_or(i64::MAX);
        let so_far = Stretch { len: heard, ..plan.gate };
        let before = plan.noise.as_ref().is_some_and(|n| ends(n.gate) <= ends(so_far));
        let noise = self.noise_mean(plan, 1.0).filter(|_| before);
        self.running_db[self.passed] = measure::running_db(plan, &self.spectrum, noise);
        self.passed += 1;
    }

    /// Quarters of the running pulse that are heard, 0 to 3.
    #[must_use]
    pub const fn passed(&self) -> usize {
        self.passed
    }

    /// λ after the quarters that are heard; `volts_per_count` is the channel's.
    #[must_use]
    pub fn running_db(&self, plan: &Plan, volts_per_count: f64) -> Running {
        let mut running = self.running_db;
        // Ratios know no volts, the level of an unreferenced broadband does.
        if plan.noise.is_none() {
            let volts_db = 20.0 * libm::log10(volts_per_count.abs());
            for lambda in running.iter_mut().map(|lambdas| &mut lambdas[Quantity::Broadband]) {
                *lambda = lambda.map(|db| db + volts_db);
            }
        }
        running
    }

    /// Ends the pulse and writes what was heard; `volts_per_count` is the channel's.
    pub fn finish(
        &mut self,
        plan: &Plan,
        volts_per_count: f64,
        device_lost_samples: bool,
        out: &mut ChannelReading,
    ) {
        out.spectrum.clear();
        out.noise_spectrum.clear();
        if device_lost_samples || self.gate.hole && self.gate.start >= 0 {
            return out.set_void(Void::SamplesLost);
        }
        if !self.watch.is_finite(self.gate.so_far()) {
            return out.set_void(Void::NotFinite);
        }
        if !self.gate.whole() {
            return out.set_void(Void::GateIncomplete);
        }
        let square = volts_per_count * volts_per_count;
        self.welch.density(plan.scale * square, &mut self.spectrum);
        let noise_v2_per_hz = self.noise_mean(plan, square);
        if noise_v2_per_hz.is_some() {
            out.noise_spectrum.extend(self.noise_spectrum.iter().map(|s| single(s * square)));
        }
        let sides = 2.0 * plan.scale * square;
        measure::measure(
            plan,
            &measure::Raw {
                spectrum: &self.spectrum,
                watch: &self.watch,
                feed: self.feed.as_ref().filter(|r| r.whole()).map(|r| r.samples.as_slice()),
                noise_v2_per_hz,
                broadband_sums: self.quarters.map(|sum| sum * sides),
                volts_per_count,
                running_db: self.running_db(plan, volts_per_count),
            },
            out,
        );
    }

    /// Mean density in the noise gate's band, once it is heard.
    fn noise_mean(&self, plan: &Plan, square: f64) -> Option<f64> {
        let noise = plan.noise.as_ref().filter(|_| self.noise_heard)?;
        let sum = measure::power(&self.noise_spectrum, &noise.band);
        let mean = square * sum / as_f64(bands::count(&noise.band));
        (mean.is_finite() && mean > 0.0).then_some(mean)
    }
}

/// Segments after which the quarter `k` = 0 … 3 of the gate ends: 2⌊(k + 1)·M/8⌋, at last M.
pub(super) const fn quarter_end(segments: usize, k: usize) -> usize {
    if k == 3 { segments } else { 2 * ((k + 1) * segments / 8) }
}
