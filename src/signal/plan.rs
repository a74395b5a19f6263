//! A specification turned into samples and bins: all that hearing a pulse needs, made once.

use std::ops::Range;
use std::sync::Arc;

use rustfft::{Fft, FftPlanner};

use super::bands::{self, Bands, Grid, Line};
use super::calibration::{Calibration, ReceiverCurves};
use super::segment::{self, Correlation, Segments};
use super::tone::ToneTable;
use super::{DriveTable, Quantity, SignalSpec, SpecFault, as_f64};

/// A stretch of samples counted from the trigger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// First sample after the trigger; negative before it.
    pub start: i64,
    /// Number of samples.
    pub len: usize,
}

/// The noise gate's own spectrum.
pub struct NoisePlan {
    /// Where the gate lies.
    pub gate: Stretch,
    /// Its segments; N' may be shorter than the gate's N.
    pub segments: Segments,
    /// Its bin width, Hz.
    pub bin_hz: f64,
    /// Bins of the reference band.
    pub band: Vec<Range<usize>>,
    pub(super) window: Vec<f32>,
    pub(super) scale: f64,
    pub(super) transform: Arc<dyn Fft<f32>>,
}

/// Degrees of freedom of the bands on a white floor.
#[derive(Debug, Clone, PartialEq)]
pub struct Freedom {
    /// K of each line, as in [`Bands::lines`].
    pub lines: Vec<f64>,
    /// K of each line's flanks.
    pub flanks: Vec<f64>,
    /// K of the broadband.
    pub broadband: f64,
    /// K of the noise gate's band, where there is one.
    pub noise: Option<f64>,
}

impl Freedom {
    /// ΣK over a quantity's lines, or the broadband's K.
    #[must_use]
    pub fn of(&self, quantity: Quantity, bands: &Bands) -> f64 {
        match quantity {
            Quantity::Broadband => self.broadband,
            _ => self.lines[bands.of[quantity as usize].clone()].iter().sum(),
        }
    }

    /// ΣK over the flanks of a quantity's lines.
    #[must_use]
    pub fn of_flanks(&self, quantity: Quantity, bands: &Bands) -> f64 {
        self.flanks[bands.of[quantity as usize].clone()].iter().sum()
    }
}

/// Everything needed to hear a pulse.
pub struct Plan {
    /// What it was made of.
    pub spec: SignalSpec,
    /// The gate.
    pub gate: Stretch,
    /// The gate's segments.
    pub segments: Segments,
    /// Bin width Δf, Hz.
    pub bin_hz: f64,
    /// Whether f0/2 and its multiples fall on bins.
    pub bin_locked: bool,
    /// The noise gate, where one can be used.
    pub noise: Option<NoisePlan>,
    /// From trigger to first arrival, where configured.
    pub feed_through: Option<Stretch>,
    /// Which bins are what.
    pub bands: Bands,
    /// Degrees of freedom of the bands.
    pub freedom: Freedom,
    /// Curves of the used channels; none until [`Plan::calibrated`].
    pub calibration: Arc<Calibration>,
    /// What the amplifier is set to → MPa; nothing until [`Plan::driven_by`].
    pub drive_table: Option<Arc<DriveTable>>,
    /// What a person should know before relying on this plan.
    pub warnings: Vec<SpecFault>,
    /// Channels looked at, ascending.
    pub used_channels: Vec<usize>,
    /// Whether λ is taken at three points of the running pulse, too, see [`Plan::running`].
    pub running_pulse: bool,
    /// The channel that carries the drive's own signal; none until [`Plan::monitored`].
    pub drive_monitor: Option<usize>,
    pub(super) window: Vec<f32>,
    /// 1/(fs·Σw²), the factor from |X|² to V²/Hz for counts of one volt.
    pub(super) scale: f64,
    pub(super) transform: Arc<dyn Fft<f32>>,
    pub(super) gate_tone: ToneTable,
    pub(super) third_tone: ToneTable,
    pub(super) feed_tone: Option<ToneTable>,
}

/// Rounds half to even after rounding to a millionth of a sample.
fn sample(value: f64) -> f64 {
    ((value * 1e6).round_ties_even() / 1e6).round_ties_even()
}

#[allow(clippy::cast_possible_truncation, reason = "gate times are bounded to 2^53 samples")]
fn whole(value: f64) -> i64 {
    value as i64
}

impl Plan {
    /// Plans a specification whose single fields have been checked.
    ///
    /// # Errors
    /// Every fault of the plan, each with the configuration keys it touches.
    pub fn new(spec: &SignalSpec) -> Result<Self, Vec<SpecFault>> {
        let receive = &spec.receive;
        let rate = receive.sample_rate_hz;
        let mut warnings = Vec::new();
        let gate = stretch(receive.gate_start_s, receive.gate_end_s, spec);
        let choice = segment_length(spec, gate, &mut warnings).map_err(|fault| vec![fault])?;
        let n = choice.n;
        let segments = Segments::fit(n, spec.spectrum.overlap, gate.len);
        let bin_hz = rate / as_f64(n);
        let mut faults = Vec::new();
        if segments.count < 2 {
            faults.push(short_gate(gate, segments));
        }
        let grid = Grid { n, bin_hz };
        let bands = bands::lay(&spec.bands, spec.drive_frequency_hz, grid, &mut warnings);
        let mut planner = FftPlanner::new();
        let noise = match noise_plan(spec, segments, &mut planner, &mut warnings) {
            Ok(noise) => noise,
            Err(fault) => {
                faults.push(fault);
                None
            }
        };
        let bands = match bands {
            Ok(bands) if faults.is_empty() => bands,
            Ok(_) => return Err(faults),
            Err(more) => return Err(faults.into_iter().chain(more).collect()),
        };
        let freedom = freedom(spec, segments, &bands, noise.as_ref());
        let feed_through = receive
            .first_arrival_s
            .map(|end| stretch(0.0, end, spec))
            .filter(|stretch| stretch.len > 0);
        warn_noise_gate(spec, (gate, segments), noise.as_ref(), &freedom, &mut warnings);
        let (window, scale) = window_and_scale(spec, n);
        let cycles = spec.drive_frequency_hz / rate;
        Ok(Self {
            gate,
            segments,
            bin_hz,
            bin_locked: choice.locked,
            feed_through,
            freedom,
            calibration: Arc::default(),
            drive_table: None,
            running_pulse: false,
            drive_monitor: None,
            warnings,
            used_channels: (0..receive.channels)
                .filter(|channel| !receive.unused_channels.contains(channel))
                .collect(),
            window,
            scale,
            transform: planner.plan_fft_forward(n),
            gate_tone: ToneTable::new(cycles, gate.len),
            third_tone: ToneTable::new(cycles, gate.len / 3),
            feed_tone: feed_through.map(|stretch| ToneTable::new(cycles, stretch.len)),
            noise,
            bands,
            spec: spec.clone(),
        })
    }

    /// The same plan with curves, one for each used channel.
    ///
    /// # Panics
    /// When there are not as many curves as used channels.
    #[must_use]
    pub fn calibrated(mut self, curves: &[ReceiverCurves]) -> Self {
        assert_eq!(curves.len(), self.used_channels.len(), "curves, one for each used channel");
        self.calibration =
            Arc::new(Calibration::new(curves, &self.bands, self.bin_hz, self.bins()));
        self
    }

    /// The same plan with a drive known from its setting.
    #[must_use]
    pub fn driven_by(mut self, table: Option<DriveTable>) -> Self {
        self.drive_table = table.map(Arc::new);
        self
    }

    /// The same plan with a channel that carries the drive's own signal.
    #[must_use]
    pub fn monitored(mut self, channel: Option<usize>) -> Self {
        self.drive_monitor = channel;
        self
    }

    /// The same plan with another's drive table, drive monitor and look at the running pulse.
    #[must_use]
    pub fn equipped_as(mut self, other: &Self) -> Self {
        self.drive_table.clone_from(&other.drive_table);
        self.drive_monitor = other.drive_monitor;
        self.running_pulse = other.running_pulse;
        self
    }

    /// The same plan that looks at the running pulse or does not.
    #[must_use]
    pub fn running(mut self, running_pulse: bool) -> Self {
        self.running_pulse = running_pulse;
        self
    }

    /// Channels whose samples are needed: the ones looked at, and the drive monitor's last.
    #[must_use]
    pub fn heard_channels(&self) -> Vec<usize> {
        self.used_channels.iter().copied().chain(self.drive_monitor).collect()
    }

    /// Gate length over the sample rate, T, s.
    #[must_use]
    pub fn gate_s(&self) -> f64 {
        as_f64(self.gate.len) / self.spec.receive.sample_rate_hz
    }

    /// Number of bins of a spectrum, N/2 + 1.
    #[must_use]
    pub const fn bins(&self) -> usize {
        self.segments.n / 2 + 1
    }

    /// The trigger in samples after the pulse's first when the recording does not say.
    #[must_use]
    pub fn pretrigger_samples(&self) -> f64 {
        let receive = &self.spec.receive;
        (receive.pretrigger_s * receive.sample_rate_hz * 1e6).round_ties_even() / 1e6
    }

    /// Where a stretch begins in a pulse, in samples after its first.
    ///
    /// `trigger` is the recording's own trigger; without it the configuration's pretrigger holds.
    #[must_use]
    pub fn place(&self, stretch: Stretch, trigger: Option<u64>) -> i64 {
        let configured = whole(sample(self.pretrigger_samples()));
        let trigger = trigger.map_or(configured, |t| i64::try_from(t).unwrap_or(i64::MAX / 2));
        stretch.start.saturating_add(trigger)
    }

    /// Everything that changes the numbers, by name, as text.
    #[must_use]
    pub fn identity(&self) -> Vec<(&'static str, String)> {
        let bands = &self.bands;
        let runs = |bins: &[Range<usize>]| {
            let words: Vec<String> =
                bins.iter().map(|run| format!("{}-{}", run.start, run.end - 1)).collect();
            words.join(" ")
        };
        let line = |line: &Line| {
            format!(
                "{} f0: {} flanks {}",
                line.order(),
                runs(std::slice::from_ref(&line.bins)),
                runs(&line.flanks)
            )
        };
        let lines = |quantity: Quantity| {
            bands.lines_of(quantity).iter().map(line).collect::<Vec<_>>().join(", ")
        };
        let stretch = |s: Stretch| format!("{} samples from {} after the trigger", s.len, s.start);
        let noise = self.noise.as_ref().map_or_else(
            || "none".to_owned(),
            |n| format!("{}, N = {}, bins {}", stretch(n.gate), n.segments.n, runs(&n.band)),
        );
        let Segments { n, hop, .. } = self.segments;
        vec![
            ("segments", format!("N = {n}, hop {hop}, {}", self.spec.spectrum.window.name())),
            ("gate", stretch(self.gate)),
            ("noise_gate", noise),
            ("feed_through", self.feed_through.map_or_else(|| "none".to_owned(), stretch)),
            ("fundamental", line(&bands.fundamental)),
            ("harmonics", lines(Quantity::Harmonic)),
            ("ultraharmonics", lines(Quantity::Ultraharmonic)),
            ("subharmonic", lines(Quantity::Subharmonic)),
            ("broadband", runs(&bands.broadband)),
        ]
    }
}

/// The instructions the transforms use on this processor.
#[must_use]
pub fn transform_path() -> &'static str {
    if rustfft::FftPlannerAvx::<f32>::new().is_ok() {
        "rustfft f32 avx+fma"
    } else if rustfft::FftPlannerSse::<f32>::new().is_ok() {
        "rustfft f32 sse4.1"
    } else if rustfft::FftPlannerNeon::<f32>::new().is_ok() {
        "rustfft f32 neon"
    } else {
        "rustfft f32 scalar"
    }
}

/// Samples r((pretrigger + start)·fs) to r((pretrigger + end)·fs) − 1, counted from the trigger's.
fn stretch(start_s: f64, end_s: f64, spec: &SignalSpec) -> Stretch {
    let receive = &spec.receive;
    let at = |seconds: f64| sample((receive.pretrigger_s + seconds) * receive.sample_rate_hz);
    let trigger = sample(receive.pretrigger_s * receive.sample_rate_hz);
    let len = usize::try_from(whole(at(end_s) - at(start_s))).unwrap_or(0);
    Stretch { start: whole(at(start_s) - trigger), len }
}

fn segment_length(
    spec: &SignalSpec,
    gate: Stretch,
    warnings: &mut Vec<SpecFault>,
) -> Result<segment::Choice, SpecFault> {
    let rate = spec.receive.sample_rate_hz;
    let resolution = spec.spectrum.resolution_hz;
    let choice =
        segment::choose(rate, spec.drive_frequency_hz, resolution).ok_or_else(|| SpecFault {
            keys: vec!["spectrum.resolution_hz".into(), "receive.sample_rate_hz".into()],
            message: format!(
                "no segment length gives {resolution} Hz bins within a quarter at {rate} samples a second"
            ),
            help: None,
        })?;
    if choice.n > gate.len {
        return Err(SpecFault {
            keys: vec![
                "spectrum.resolution_hz".into(),
                "receive.gate_start_s".into(),
                "receive.gate_end_s".into(),
            ],
            message: format!(
                "a segment of {} samples is longer than the gate of {}",
                choice.n, gate.len
            ),
            help: Some("a coarser resolution_hz or a longer gate is needed".into()),
        });
    }
    if !choice.locked {
        warnings.push(SpecFault {
            keys: vec!["spectrum.resolution_hz".into(), "drive.frequency_hz".into()],
            message: format!("lines fall between bins: no segment length near {resolution} Hz holds whole cycles of f0/2"),
            help: None,
        });
    }
    Ok(choice)
}

fn short_gate(gate: Stretch, segments: Segments) -> SpecFault {
    SpecFault {
        keys: vec![
            "receive.gate_end_s".into(),
            "receive.gate_start_s".into(),
            "spectrum.resolution_hz".into(),
        ],
        message: format!(
            "the gate of {} samples is shorter than two segments: {} are needed",
            gate.len,
            segments.n + segments.hop
        ),
        help: None,
    }
}

fn noise_plan(
    spec: &SignalSpec,
    gate_segments: Segments,
    planner: &mut FftPlanner<f32>,
    warnings: &mut Vec<SpecFault>,
) -> Result<Option<NoisePlan>, SpecFault> {
    let Some([start_s, end_s]) = spec.receive.noise_gate_s else { return Ok(None) };
    let gate = stretch(start_s, end_s, spec);
    let overlap = spec.spectrum.overlap;
    let same = gate_segments.n + gate_segments.hop <= gate.len;
    let length =
        if same { Some(gate_segments.n) } else { segment::longest_holding_two(overlap, gate.len) };
    let Some(n) = length else {
        warnings.push(SpecFault {
            keys: vec!["receive.noise_gate_start_s".into(), "receive.noise_gate_end_s".into()],
            message: format!("the noise gate of {} samples holds no two segments", gate.len),
            help: Some("the broadband stays unreferenced".into()),
        });
        return Ok(None);
    };
    let rate = spec.receive.sample_rate_hz;
    let bin_hz = rate / as_f64(n);
    let edges = noise_edges_hz(spec);
    let key = || vec!["bands.noise_band_hz".to_owned()];
    if edges[1] > rate / 2.0 || edges[0] >= edges[1] {
        return Err(SpecFault {
            keys: key(),
            message: format!(
                "the noise band from {} to {} Hz does not lie below fs/2 = {} Hz",
                edges[0],
                edges[1],
                rate / 2.0
            ),
            help: None,
        });
    }
    let band = bands::without_notches(Grid { n, bin_hz }, edges, &spec.bands.notches_hz);
    if band.is_empty() {
        let message = format!(
            "the noise gate's bins are {bin_hz} Hz apart and none lies in {} to {} Hz outside the notches",
            edges[0], edges[1]
        );
        if spec.bands.noise_band_hz.is_some() {
            return Err(SpecFault { keys: key(), message, help: None });
        }
        warnings.push(SpecFault {
            keys: vec!["receive.noise_gate_end_s".into()],
            message,
            help: Some("the broadband stays unreferenced".into()),
        });
        return Ok(None);
    }
    let segments = Segments::fit(n, overlap, gate.len);
    let (window, scale) = window_and_scale(spec, n);
    let transform = planner.plan_fft_forward(n);
    Ok(Some(NoisePlan { gate, segments, bin_hz, band, window, scale, transform }))
}

/// The window in single precision and 1/(fs·Σw²).
fn window_and_scale(spec: &SignalSpec, n: usize) -> (Vec<f32>, f64) {
    let weights = spec.spectrum.window.weights(n);
    let squares: f64 = weights.iter().map(|w| w * w).sum();
    (weights.into_iter().map(single).collect(), 1.0 / (spec.receive.sample_rate_hz * squares))
}

/// The nearest single-precision number.
#[allow(clippy::cast_possible_truncation, reason = "rounding to single precision is meant")]
#[must_use]
pub const fn single(value: f64) -> f32 {
    value as f32
}

fn freedom(
    spec: &SignalSpec,
    segments: Segments,
    bands: &Bands,
    noise: Option<&NoisePlan>,
) -> Freedom {
    let correlation = Correlation::new(&spec.spectrum, segments);
    let line = |bins: &Range<usize>| correlation.half_freedom(std::slice::from_ref(bins));
    Freedom {
        lines: bands.lines.iter().map(|l| line(&l.bins)).collect(),
        flanks: bands.lines.iter().map(|l| correlation.half_freedom(&l.flanks)).collect(),
        broadband: correlation.half_freedom(&bands.broadband),
        noise: noise.map(|n| Correlation::new(&spec.spectrum, n.segments).half_freedom(&n.band)),
    }
}

/// Standard deviation of the broadband's λ on a white floor, dB: K of its bins and of the noise
/// gate's band.
#[must_use]
pub fn referenced_sd_db(broadband_k: f64, noise_k: f64) -> f64 {
    level_sd_db(broadband_k).hypot(level_sd_db(noise_k))
}

/// Standard deviation of the level of a band with 2K degrees of freedom, dB: 10/ln 10/√K.
#[must_use]
pub fn level_sd_db(k: f64) -> f64 {
    10.0 / std::f64::consts::LN_10 / k.sqrt()
}

/// First and last frequency of the noise gate's band, Hz.
fn noise_edges_hz(spec: &SignalSpec) -> [f64; 2] {
    let nyquist_hz = spec.receive.sample_rate_hz / 2.0;
    spec.bands.noise_band_hz.unwrap_or([0.02 * nyquist_hz, 0.95 * nyquist_hz])
}

/// What silence as long as the gate would bring.
fn more_silence(
    spec: &SignalSpec,
    (gate, segments): (Stretch, Segments),
    noise: &NoisePlan,
    freedom: &Freedom,
) -> String {
    let rate = spec.receive.sample_rate_hz;
    let ms = |samples: usize| 1e3 * as_f64(samples) / rate;
    let grid = Grid { n: segments.n, bin_hz: rate / as_f64(segments.n) };
    let band = bands::without_notches(grid, noise_edges_hz(spec), &spec.bands.notches_hz);
    let longer = Correlation::new(&spec.spectrum, segments).half_freedom(&band);
    let now = freedom.noise.unwrap_or(f64::NAN);
    format!(
        "record {:.1} ms of silence instead of {:.1}: broadband standard deviation {:.3} -> {:.3} dB",
        ms(gate.len),
        ms(noise.gate.len),
        referenced_sd_db(freedom.broadband, now),
        referenced_sd_db(freedom.broadband, longer),
    )
}

fn warn_noise_gate(
    spec: &SignalSpec,
    (gate, segments): (Stretch, Segments),
    noise: Option<&NoisePlan>,
    freedom: &Freedom,
    warnings: &mut Vec<SpecFault>,
) {
    let keys = vec!["receive.noise_gate_start_s".into(), "receive.noise_gate_end_s".into()];
    match noise {
        None => warnings.push(SpecFault {
            keys,
            message: "there is no usable noise gate: the broadband is unreferenced and moves with the gain"
                .into(),
            help: Some("record silence before the trigger".into()),
        }),
        Some(noise) if 2 * noise.gate.len < gate.len => warnings.push(SpecFault {
            keys,
            message: format!(
                "the noise gate of {} samples is shorter than half the gate of {}",
                noise.gate.len, gate.len
            ),
            help: Some(more_silence(spec, (gate, segments), noise, freedom)),
        }),
        Some(_) => {}
    }
}
