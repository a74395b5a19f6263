//! What a session's tables say, gathered in one pass for the report: exposures with their drives and
//! detection limits, baselines, channels, events. Memory does not grow with the number of pulses.

use std::collections::BTreeMap;

use serde_json::Value;

use super::drives::{BaselineLook, Median, Step, step_at};
use super::entries::{Entry, Found, entry, found};
use crate::detect::{Channel, Stage, Verdict};
use crate::session::read::sheet::MOST_EXPOSURES;
use crate::session::read::{ExposureRow, PulseRow, ReadError, SessionFolder};
use crate::signal::{PerQuantity, Quantity};

/// Most reasons counted apart, most entries of one list, most drives of a baseline.
const MOST_REASONS: usize = 24;
const MOST_ENTRIES: usize = 500;
const MOST_LOOKS: usize = 256;

/// What is true when the configuration does not say: the same share that the examples use.
const USUAL_TOLERANCE: f64 = 0.05;

/// An exposure as the report tells it.
pub struct Chapter {
    /// Its number.
    pub number: u64,
    /// Its target.
    pub target: String,
    /// Its row of the exposure table; nothing while it has not ended.
    pub facts: Option<ExposureRow>,
    /// First and last pulse.
    pub pulses: (u64, u64),
    /// Device time of the first and of the last row, s.
    pub time_s: (f64, f64),
    /// Usual time from pulse to pulse, s; nothing with fewer than two.
    pub period_s: Option<f64>,
    /// Pulses that came.
    pub received: u64,
    /// Rows of pulses that never came.
    pub holes: u64,
    /// Pulses by verdict.
    pub verdicts: [u64; 4],
    /// Of those not detected, the ones with harmonics over their limit.
    pub harmonic_only: u64,
    /// Why pulses were indeterminate, and how many each.
    pub reasons: BTreeMap<String, u64>,
    /// By drive.
    pub steps: Vec<Step>,
    /// Detection limit of one pulse, over the pulses not detected.
    pub hear: PerQuantity<Median>,
    /// Alarms, marks and the like.
    pub entries: Vec<Entry>,
    /// Entries that found no place.
    pub more_entries: u64,
    /// What pulses together have established, by drive.
    pub found: Vec<Found>,
    /// Whether a row was seen.
    seen: bool,
}

/// What one channel did in all exposures.
#[derive(Default)]
pub struct ChannelTally {
    /// Its rows.
    pub rows: u64,
    /// Rows by verdict.
    pub verdicts: [u64; 4],
    /// Largest share of samples at full scale.
    pub clipped_share: f64,
    /// Why rows were indeterminate.
    pub reasons: BTreeMap<String, u64>,
}

/// Everything the report tells.
pub struct Story {
    /// The exposures, in order.
    pub chapters: Vec<Chapter>,
    /// Baseline pulses by target and drive.
    pub looks: Vec<BaselineLook>,
    /// Pulses of stage noise.
    pub noise_pulses: u64,
    /// All channels that have rows.
    pub channels: BTreeMap<Channel, ChannelTally>,
    /// What happened outside of exposures.
    pub entries: Vec<Entry>,
    /// Entries that found no place.
    pub more_entries: u64,
    /// Baselines as they closed: the event.
    pub closed: Vec<Value>,
    /// Pulses of all stages.
    pub pulses: u64,
    /// UTC of the first row; empty when unknown.
    pub first_utc: String,
    /// Device time of the first and last row, s.
    pub time_s: Option<(f64, f64)>,
    /// The margin of repeatability of each quantity, dB; 0 when the configuration is unknown.
    pub margin_db: PerQuantity<f64>,
    /// Drives match within this share.
    tolerance: f64,
    current: Option<usize>,
}

/// A number of the configuration by table and key.
fn setting(settings: Option<&toml::Table>, keys: &[&str]) -> Option<f64> {
    let mut value = settings?.get(*keys.first()?)?;
    for key in &keys[1..] {
        value = value.get(*key)?;
    }
    #[allow(clippy::cast_precision_loss, reason = "a whole number of a configuration is small")]
    value.as_float().or_else(|| value.as_integer().map(|n| n as f64)).filter(|n| n.is_finite())
}

impl Story {
    /// Reads a session's tables once.
    ///
    /// # Errors
    /// Names file, line, column and value at fault.
    pub fn read(folder: &SessionFolder, settings: Option<&toml::Table>) -> Result<Self, ReadError> {
        let margin = |q: Quantity| {
            setting(settings, &["detect", "repeatability_db", q.name()]).unwrap_or(0.0)
        };
        let mut story = Self {
            chapters: Vec::new(),
            looks: Vec::new(),
            noise_pulses: 0,
            channels: BTreeMap::new(),
            entries: Vec::new(),
            more_entries: 0,
            closed: Vec::new(),
            pulses: 0,
            first_utc: String::new(),
            time_s: None,
            margin_db: PerQuantity::from_fn(margin),
            tolerance: setting(settings, &["drive", "drive_tolerance"]).unwrap_or(USUAL_TOLERANCE),
            current: None,
        };
        for row in folder.exposures()? {
            story.chapters.push(Chapter::of_row(row)?);
        }
        let mut pulses = folder.pulses()?;
        while let Some((row, is_last)) = pulses.next_row()? {
            story.take(&row, is_last);
        }
        folder.each_event(|_, event| story.event(event))?;
        Ok(story)
    }

    /// The chapter a row of an exposure belongs to.
    pub fn place(&self, row: &PulseRow) -> Option<usize> {
        let number = u64::from(row.exposure?);
        let fits = |chapter: &Chapter| {
            chapter.number == number && chapter.target == row.target && chapter.holds(row.pulse)
        };
        self.current
            .filter(|at| fits(&self.chapters[*at]))
            .or_else(|| self.chapters.iter().position(fits))
    }

    /// Starts from the first chapter again, for another pass.
    pub fn turn_back(&mut self) {
        self.current = None;
    }

    /// As [`Story::place`], and remembers it for rows of pulses that never came.
    pub fn follow(&mut self, row: &PulseRow) -> Option<usize> {
        let place = self.place(row);
        self.current = place.or(self.current);
        place
    }

    fn take(&mut self, row: &PulseRow, is_last: bool) {
        if self.time_s.is_none() {
            self.first_utc.clone_from(&row.time_utc);
        }
        let start = self.time_s.map_or(row.time_s, |(start, _)| start);
        self.time_s = Some((start, row.time_s));
        if row.stage == Stage::Exposure {
            self.channels.entry(row.channel).or_default().take(row);
        }
        if !is_last {
            return;
        }
        self.pulses += u64::from(row.pulse.is_some());
        match row.stage {
            Stage::Noise => self.noise_pulses += 1,
            Stage::Baseline => self.look(row),
            Stage::Exposure => {
                let place = match self.follow(row) {
                    Some(place) => place,
                    None => self.open(row),
                };
                self.chapters[place].take(row, self.tolerance);
            }
        }
    }

    /// A chapter of an exposure that has no row of the table yet; the last one where there are too many.
    fn open(&mut self, row: &PulseRow) -> usize {
        if self.chapters.len() >= MOST_EXPOSURES {
            return self.chapters.len() - 1;
        }
        let pulse = row.pulse.unwrap_or(0);
        let number = row.exposure.map_or(0, u64::from);
        self.chapters.push(Chapter::new(number, row.target.clone(), (pulse, u64::MAX)));
        self.current = Some(self.chapters.len() - 1);
        self.chapters.len() - 1
    }

    fn look(&mut self, row: &PulseRow) {
        let tolerance = self.tolerance;
        let fits = |look: &BaselineLook| {
            look.target == row.target && step_at(look.drive_mpa, row.drive_mpa, tolerance).is_some()
        };
        let near = |look: &BaselineLook| step_at(look.drive_mpa, row.drive_mpa, tolerance);
        let found = self.looks.iter_mut().filter(|look| fits(look));
        let best =
            found.min_by(|a, b| near(a).partial_cmp(&near(b)).unwrap_or(std::cmp::Ordering::Equal));
        if let Some(look) = best {
            look.take(row);
        } else if self.looks.len() < MOST_LOOKS {
            let mut look = BaselineLook::new(row.target.clone(), row.drive_mpa);
            look.take(row);
            self.looks.push(look);
        }
    }

    fn event(&mut self, event: &Value) {
        if event["event"] == "baseline closed" && self.closed.len() < MOST_ENTRIES {
            self.closed.push(event.clone());
        }
        let pulse = event["pulse"].as_u64();
        let chapter = pulse
            .and_then(|pulse| self.chapters.iter_mut().find(|chapter| chapter.holds(Some(pulse))));
        if let Some(found) = found(event) {
            if let Some(chapter) = chapter.filter(|chapter| chapter.found.len() < MOST_ENTRIES) {
                chapter.found.push(found);
            }
            return;
        }
        let Some(entry) = entry(event) else { return };
        let (entries, more) = match chapter {
            Some(chapter) => (&mut chapter.entries, &mut chapter.more_entries),
            None => (&mut self.entries, &mut self.more_entries),
        };
        if entries.len() < MOST_ENTRIES {
            entries.push(entry);
        } else {
            *more += 1;
        }
    }
}

impl ChannelTally {
    fn take(&mut self, row: &PulseRow) {
        self.rows += 1;
        self.clipped_share = self.clipped_share.max(row.clipped_share.unwrap_or(0.0));
        if let Some(verdict) = row.verdict {
            self.verdicts[verdict as usize] += 1;
        }
        if row.verdict == Some(Verdict::Indeterminate) {
            count(&mut self.reasons, &row.reason);
        }
    }
}

fn count(reasons: &mut BTreeMap<String, u64>, reason: &str) {
    if let Some(count) = reasons.get_mut(reason) {
        *count += 1;
    } else {
        let reason = if reasons.len() < MOST_REASONS { reason } else { "other reasons" };
        *reasons.entry(reason.to_owned()).or_default() += 1;
    }
}

impl Chapter {
    fn new(number: u64, target: String, pulses: (u64, u64)) -> Self {
        Self {
            number,
            target,
            facts: None,
            pulses,
            time_s: (0.0, 0.0),
            period_s: None,
            received: 0,
            holes: 0,
            verdicts: [0; 4],
            harmonic_only: 0,
            reasons: BTreeMap::new(),
            steps: Vec::new(),
            hear: PerQuantity::from_fn(|_| Median::default()),
            entries: Vec::new(),
            more_entries: 0,
            found: Vec::new(),
            seen: false,
        }
    }

    fn of_row(row: ExposureRow) -> Result<Self, ReadError> {
        let pulses = (row.count("first_pulse")?, row.count("last_pulse")?);
        let mut chapter = Self::new(row.count("exposure")?, row.text("target").to_owned(), pulses);
        chapter.facts = Some(row);
        Ok(chapter)
    }

    /// Whether a pulse is one of this exposure's; one that never came is.
    fn holds(&self, pulse: Option<u64>) -> bool {
        pulse.is_none_or(|pulse| (self.pulses.0..=self.pulses.1).contains(&pulse))
    }

    /// The last pulse; of an exposure that has not ended, the last that was seen.
    #[must_use]
    pub fn last_pulse(&self) -> u64 {
        if self.facts.is_some() {
            self.pulses.1
        } else {
            self.pulses.0 + self.received.saturating_sub(1)
        }
    }

    /// Length of the time axis: to the end of the last pulse's period, s.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        let (first, last) = self.time_s;
        (last - first + self.period_s.unwrap_or(1.0)).max(1e-9)
    }

    fn take(&mut self, row: &PulseRow, tolerance: f64) {
        self.times(row.time_s);
        if row.pulse.is_none() {
            self.holes += 1;
        } else {
            self.received += 1;
        }
        let Some(verdict) = row.verdict else { return };
        if row.pulse.is_some() {
            self.verdicts[verdict as usize] += 1;
            self.harmonic_only += u64::from(row.reason.contains("harmonic only"));
        }
        match verdict {
            Verdict::Indeterminate => count(&mut self.reasons, &row.reason),
            Verdict::NotDetected => {
                for (quantity, hear) in row.hear_db.iter() {
                    self.hear[quantity].add(*hear);
                }
            }
            Verdict::Stable | Verdict::Inertial => {}
        }
        if row.pulse.is_some() {
            Step::among(&mut self.steps, row.drive_mpa, tolerance).take(row, verdict);
        }
    }

    /// The usual period: the mean of steps that are about as long as the shortest.
    fn times(&mut self, time_s: f64) {
        if !self.seen {
            self.seen = true;
            self.time_s = (time_s, time_s);
            return;
        }
        let step = time_s - self.time_s.1;
        self.time_s.1 = self.time_s.1.max(time_s);
        if step <= 0.0 {
            return;
        }
        self.period_s = Some(match self.period_s {
            Some(period) if step > 1.5 * period => period,
            Some(period) if step > 0.6 * period => period + (step - period) / 16.0,
            _ => step,
        });
    }
}
