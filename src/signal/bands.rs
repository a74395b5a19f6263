//! Which bins of a spectrum are lines, flanks and broadband, and every fault of such a plan.
//!
//! Edges are compared in bins of Δf = fs/N with a slack of 1e-6 bin, inclusive. A line at h·f0 is
//! the bins within the line half width; the broadband is the bins inside its stretches that keep
//! the guard from every multiple of f0/2 and lie outside every notch; the flanks of a line are all
//! bins near it that keep the guard and avoid the notches.

use std::ops::Range;

use super::{BandSpec, Quantity, SpecFault, as_f64};

/// Slack of every comparison of an edge with a bin, in bins.
pub(super) const SLACK_BINS: f64 = 1e-6;

/// Fewer flank bins than this on either side of a line: no contrast.
pub const FLANK_BINS_NEEDED: usize = 8;

/// One line of the drive and where it is looked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// The line's place in halves of the drive frequency: 1 subharmonic, 2 fundamental, 3 is 1.5 f0.
    pub halves: u32,
    /// The line's bins.
    pub bins: Range<usize>,
    /// The floor beside it, as runs of bins, ascending; empty when one side has too few.
    pub flanks: Vec<Range<usize>>,
}

impl Line {
    /// Number of flank bins; 0 when the line has no contrast.
    #[must_use]
    pub fn flank_bins(&self) -> usize {
        count(&self.flanks)
    }

    /// The line's order h, its frequency over the drive's.
    #[must_use]
    pub fn order(&self) -> f64 {
        f64::from(self.halves) / 2.0
    }
}

/// The bins of everything that is measured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bands {
    /// The drive's own line.
    pub fundamental: Line,
    /// Lines of all quantities, ascending within each: harmonics, ultraharmonics, subharmonic.
    pub lines: Vec<Line>,
    /// Where in `lines` each line quantity lies; broadband has an empty stretch.
    pub of: [Range<usize>; 4],
    /// The broadband, as runs of bins, ascending.
    pub broadband: Vec<Range<usize>>,
}

impl Bands {
    /// The lines of a quantity; none for broadband.
    #[must_use]
    pub fn lines_of(&self, quantity: Quantity) -> &[Line] {
        &self.lines[self.of[quantity as usize].clone()]
    }

    /// Number of bins of a quantity.
    #[must_use]
    pub fn bins_of(&self, quantity: Quantity) -> usize {
        match quantity {
            Quantity::Broadband => count(&self.broadband),
            _ => self.lines_of(quantity).iter().map(|line| line.bins.len()).sum(),
        }
    }

    /// The highest order h among the lines looked at.
    #[must_use]
    pub fn highest_order(&self) -> f64 {
        self.lines.iter().map(Line::order).fold(1.0, f64::max)
    }
}

/// Bins in a list of runs.
#[must_use]
pub fn count(runs: &[Range<usize>]) -> usize {
    runs.iter().map(Range::len).sum()
}

/// A grid of bins: `k` stands for k·fs/N, k = 0 … N/2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Segment length N.
    pub n: usize,
    /// Bin width Δf, Hz.
    pub bin_hz: f64,
}

impl Grid {
    /// Bins within both edges in hertz, inclusive with the slack, held inside 0 … N/2.
    #[must_use]
    pub fn between(&self, low_hz: f64, high_hz: f64) -> Range<usize> {
        let first = (low_hz / self.bin_hz - SLACK_BINS).ceil().max(0.0);
        let last = (high_hz / self.bin_hz + SLACK_BINS).floor().min(as_f64(self.n / 2));
        if last < first {
            return 0..0;
        }
        bin(first)..bin(last) + 1
    }

    fn inside(&self, k: usize, [low_hz, high_hz]: [f64; 2]) -> bool {
        let at = as_f64(k);
        at >= low_hz / self.bin_hz - SLACK_BINS && at <= high_hz / self.bin_hz + SLACK_BINS
    }
}

/// A non-negative whole number as an index.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "callers hold the value between 0 and N/2"
)]
fn bin(value: f64) -> usize {
    value as usize
}

/// Collects bins into runs.
pub(super) fn runs(bins: impl Iterator<Item = usize>) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for k in bins {
        match runs.last_mut() {
            Some(run) if run.end == k => run.end += 1,
            _ => runs.push(k..k + 1),
        }
    }
    runs
}

/// Bins inside both edges and outside every notch.
pub(super) fn without_notches(
    grid: Grid,
    [low_hz, high_hz]: [f64; 2],
    notches: &[[f64; 2]],
) -> Vec<Range<usize>> {
    runs(
        grid.between(low_hz, high_hz)
            .filter(|&k| !notches.iter().any(|&notch| grid.inside(k, notch))),
    )
}

/// Lays the bands of a specification on a grid.
///
/// # Errors
/// Every fault of the plan, each with the keys it touches; with them the warnings.
pub(super) fn lay(
    spec: &BandSpec,
    drive_hz: f64,
    grid: Grid,
    warnings: &mut Vec<SpecFault>,
) -> Result<Bands, Vec<SpecFault>> {
    let mut layer = Layer { spec, half_hz: drive_hz / 2.0, grid, faults: Vec::new() };
    layer.check_guard();
    let fundamental = layer.line(2, "drive.frequency_hz");
    let mut lines = Vec::new();
    let mut of = [0..0, 0..0, 0..0, 0..0];
    for quantity in [Quantity::Harmonic, Quantity::Ultraharmonic, Quantity::Subharmonic] {
        let start = lines.len();
        let mut halves = layer.halves(quantity);
        halves.sort_by_key(|(half, _)| *half);
        lines.extend(halves.into_iter().map(|(half, key)| layer.line(half, &key)));
        of[quantity as usize] = start..lines.len();
    }
    let broadband = layer.broadband();
    layer.check_shared(&fundamental, &lines);
    layer.check_notches(&fundamental, &lines, warnings);
    let bands = Bands { fundamental, lines, of, broadband };
    layer.warn_flanks(&bands, warnings);
    if layer.faults.is_empty() { Ok(bands) } else { Err(layer.faults) }
}

struct Layer<'a> {
    spec: &'a BandSpec,
    half_hz: f64,
    grid: Grid,
    faults: Vec<SpecFault>,
}

impl Layer<'_> {
    fn fault(&mut self, keys: &[&str], message: String, help: Option<String>) {
        self.faults.push(SpecFault {
            keys: keys.iter().map(|key| (*key).to_owned()).collect(),
            message,
            help,
        });
    }

    fn check_guard(&mut self) {
        let (guard, line) = (self.spec.guard_half_width_hz, self.spec.line_half_width_hz);
        let needed = line + self.grid.bin_hz;
        if guard / self.grid.bin_hz < needed / self.grid.bin_hz - SLACK_BINS {
            self.fault(
                &["bands.guard_half_width_hz", "bands.line_half_width_hz"],
                format!(
                    "guard_half_width_hz is {guard}, at least line_half_width_hz + one bin = {needed} is needed"
                ),
                Some("otherwise the floor would be measured inside the lines".into()),
            );
        }
        if self.spec.flank_half_width_hz <= guard {
            let flank = self.spec.flank_half_width_hz;
            self.fault(
                &["bands.flank_half_width_hz", "bands.guard_half_width_hz"],
                format!(
                    "flank_half_width_hz is {flank}, it must exceed guard_half_width_hz = {guard}"
                ),
                None,
            );
        }
    }

    fn halves(&self, quantity: Quantity) -> Vec<(u32, String)> {
        let keyed = |list: &[u32], factor: u32, key: &str| {
            list.iter()
                .enumerate()
                .map(|(i, h)| (h * factor, format!("bands.{key}[{i}]")))
                .collect::<Vec<_>>()
        };
        match quantity {
            Quantity::Harmonic => keyed(&self.spec.harmonics, 2, "harmonics"),
            Quantity::Ultraharmonic => keyed(&self.spec.ultraharmonic_halves, 1, "ultraharmonics"),
            Quantity::Subharmonic if self.spec.subharmonic => {
                vec![(1, "bands.subharmonic".to_owned())]
            }
            Quantity::Subharmonic | Quantity::Broadband => Vec::new(),
        }
    }

    fn line(&mut self, halves: u32, key: &str) -> Line {
        let centre = f64::from(halves) * self.half_hz;
        let width = self.spec.line_half_width_hz;
        let nyquist = self.grid.bin_hz * as_f64(self.grid.n) / 2.0;
        let order = f64::from(halves) / 2.0;
        let (low, high) = (centre - width, centre + width);
        let bins = self.grid.between(low, high);
        if high / self.grid.bin_hz > as_f64(self.grid.n / 2) + SLACK_BINS {
            self.fault(
                &[key, "receive.sample_rate_hz"],
                format!("the line at {order} f0 ends at {high} Hz, above fs/2 = {nyquist} Hz"),
                None,
            );
        } else if low / self.grid.bin_hz < 1.0 - SLACK_BINS {
            self.fault(
                &[key, "bands.line_half_width_hz"],
                format!(
                    "the line at {order} f0 begins at {low} Hz, below the first bin at {} Hz",
                    self.grid.bin_hz
                ),
                None,
            );
        } else if bins.is_empty() {
            self.fault(
                &["bands.line_half_width_hz", "spectrum.resolution_hz", key],
                format!(
                    "the line at {order} f0 holds no bin: its half width is {width} Hz, bins are {} Hz apart",
                    self.grid.bin_hz
                ),
                None,
            );
        }
        let flanks = self.flanks(centre);
        Line { halves, bins, flanks }
    }

    fn flanks(&self, centre_hz: f64) -> Vec<Range<usize>> {
        let reach = self.spec.flank_half_width_hz;
        let near = self.grid.between(centre_hz - reach, centre_hz + reach);
        let bins: Vec<usize> = near.filter(|&k| self.is_floor(k)).collect();
        let below = bins.iter().filter(|&&k| as_f64(k) * self.grid.bin_hz < centre_hz).count();
        if below < FLANK_BINS_NEEDED || bins.len() - below < FLANK_BINS_NEEDED {
            return Vec::new();
        }
        runs(bins.into_iter())
    }

    /// Whether a bin keeps the guard from every multiple of f0/2 and avoids the notches.
    fn is_floor(&self, k: usize) -> bool {
        self.keeps_guard(k) && !self.spec.notches_hz.iter().any(|&notch| self.grid.inside(k, notch))
    }

    /// Whether a bin would be measured without notches: as broadband, flank or noise reference.
    fn is_used(&self, k: usize, fundamental: &Line, lines: &[Line]) -> bool {
        let hz = as_f64(k) * self.grid.bin_hz;
        let nyquist = self.grid.bin_hz * as_f64(self.grid.n) / 2.0;
        let noise = self.spec.noise_band_hz.unwrap_or([0.02 * nyquist, 0.95 * nyquist]);
        let beside = |line: &Line| {
            let centre = f64::from(line.halves) * self.half_hz;
            (hz - centre).abs() <= self.spec.flank_half_width_hz + SLACK_BINS * self.grid.bin_hz
        };
        let broadband = self.spec.broadband_hz.iter().any(|&band| self.grid.inside(k, band));
        self.grid.inside(k, noise)
            || self.keeps_guard(k) && (broadband || lines.iter().chain([fundamental]).any(beside))
    }

    fn keeps_guard(&self, k: usize) -> bool {
        let step = self.half_hz / self.grid.bin_hz;
        let nearest = (as_f64(k) / step).round().max(1.0);
        let distance = (as_f64(k) - nearest * step).abs();
        distance >= self.spec.guard_half_width_hz / self.grid.bin_hz - SLACK_BINS
    }

    fn broadband(&mut self) -> Vec<Range<usize>> {
        let nyquist = self.grid.bin_hz * as_f64(self.grid.n) / 2.0;
        let mut all = Vec::new();
        for (i, &[low, high]) in self.spec.broadband_hz.iter().enumerate() {
            let key = format!("bands.broadband_hz[{i}]");
            let bins: Vec<usize> =
                self.grid.between(low, high).filter(|&k| self.is_floor(k)).collect();
            if high <= low {
                self.fault(&[&key], format!("the stretch runs from {low} to {high} Hz"), None);
            } else if high / self.grid.bin_hz > as_f64(self.grid.n / 2) + SLACK_BINS {
                self.fault(
                    &[&key, "receive.sample_rate_hz"],
                    format!("the stretch ends at {high} Hz, above fs/2 = {nyquist} Hz"),
                    None,
                );
            } else if low / self.grid.bin_hz < 1.0 - SLACK_BINS {
                self.fault(
                    &[&key],
                    format!(
                        "the stretch begins at {low} Hz, below the first bin at {} Hz",
                        self.grid.bin_hz
                    ),
                    None,
                );
            } else if bins.is_empty() {
                self.fault(
                    &[&key, "bands.guard_half_width_hz"],
                    format!("no bin of {low} to {high} Hz is left between guards and notches"),
                    None,
                );
            }
            all.push((key, bins));
        }
        for (i, (key, bins)) in all.iter().enumerate() {
            for (other, before) in &all[..i] {
                if let Some(k) = bins.iter().find(|k| before.contains(k)) {
                    let shared = as_f64(*k) * self.grid.bin_hz;
                    self.fault(
                        &[key, other],
                        format!("two broadband stretches share the bin at {shared} Hz"),
                        None,
                    );
                }
            }
        }
        let mut bins: Vec<usize> = all.into_iter().flat_map(|(_, bins)| bins).collect();
        bins.sort_unstable();
        bins.dedup();
        runs(bins.into_iter())
    }

    fn check_shared(&mut self, fundamental: &Line, lines: &[Line]) {
        let mut sorted: Vec<&Line> = lines.iter().chain([fundamental]).collect();
        sorted.sort_by_key(|line| line.halves);
        for pair in sorted.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            if a.bins.end > b.bins.start && !a.bins.is_empty() && !b.bins.is_empty() {
                self.fault(
                    &["bands.line_half_width_hz", "drive.frequency_hz"],
                    format!(
                        "the lines at {} f0 and {} f0 share the bin at {} Hz",
                        a.order(),
                        b.order(),
                        as_f64(b.bins.start) * self.grid.bin_hz
                    ),
                    Some(format!(
                        "line_half_width_hz must stay below f0/4 = {} Hz",
                        self.half_hz / 2.0
                    )),
                );
                return;
            }
        }
    }

    fn check_notches(&mut self, fundamental: &Line, lines: &[Line], warnings: &mut Vec<SpecFault>) {
        for (i, &[low, high]) in self.spec.notches_hz.iter().enumerate() {
            let key = format!("bands.notches_hz[{i}]");
            if high < low {
                self.fault(&[&key], format!("the notch runs from {low} to {high} Hz"), None);
                continue;
            }
            let bins = self.grid.between(low, high);
            let inside = |line: &&Line| line.bins.start < bins.end && bins.start < line.bins.end;
            let in_a_line = lines.iter().chain([fundamental]).find(inside);
            if in_a_line.is_none() && !bins.clone().any(|k| self.is_used(k, fundamental, lines)) {
                warnings.push(SpecFault {
                    keys: vec![key],
                    message: format!("the notch from {low} to {high} Hz removes no bin"),
                    help: Some(format!("bins are {} Hz apart", self.grid.bin_hz)),
                });
                continue;
            }
            if let Some(line) = in_a_line {
                let order = line.order();
                self.fault(
                    &[&key, "bands.line_half_width_hz"],
                    format!("the notch from {low} to {high} Hz lies inside the line at {order} f0"),
                    Some("a line that is disturbed cannot be measured; leave it out".into()),
                );
            }
        }
    }

    fn warn_flanks(&self, bands: &Bands, warnings: &mut Vec<SpecFault>) {
        for line in bands.lines.iter().chain([&bands.fundamental]) {
            if line.flanks.is_empty() {
                warnings.push(SpecFault {
                    keys: vec!["bands.flank_half_width_hz".into()],
                    message: format!(
                        "the line at {} f0 has no contrast: fewer than {FLANK_BINS_NEEDED} flank bins on one side",
                        line.order()
                    ),
                    help: Some("a wider flank_half_width_hz or a finer resolution_hz gives more".into()),
                });
            }
        }
    }
}
