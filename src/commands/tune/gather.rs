//! Pulses whose kind is known, from recordings and session folders.
//!
//! Recordings go through the engine as one stream: quiet pulses as a baseline, then pulses with
//! bubbles against it. A session folder brings the rows of its pulse table, its stages say what
//! they are.

use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::commands::pulses::PulseOptions;
use crate::commands::replay::source;
use crate::commands::{DATA, Failure, Prepared, RUNNING, USAGE, file_name, say};
use crate::config;
use crate::detect::{Baseline, Channel, Drive, Row, Session, Stage};
use crate::engine::{Judged, Sink, run};
use crate::ingest::{Recording, file_sha256};
use crate::session::baseline_file::Identity;
use crate::session::read::SessionFolder;
use crate::session::tuning_file::Origin;
use crate::signal::{Heard, Plan};
use crate::stats::LEAST_BASELINE_PULSES;
use crate::tune::forecast::Emissions;
use crate::tune::table::{Kind, Seen, Table};

/// What was named on the command line.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Named {
    /// Recordings of quiet pulses.
    pub(super) quiet: Vec<PathBuf>,
    /// Recordings of pulses with bubbles.
    pub(super) bubbles: Vec<PathBuf>,
    /// Session folders and what of each counts.
    pub(super) sessions: Vec<(PathBuf, Vec<Kind>)>,
}

impl Named {
    /// Sorts paths into recordings and session folders.
    #[must_use]
    pub(super) fn of(quiet: &[PathBuf], bubbles: &[PathBuf], sessions: &[PathBuf]) -> Self {
        let mut named = Self::default();
        for (paths, kind) in [(quiet, Kind::Quiet), (bubbles, Kind::Bubbles)] {
            for path in paths {
                if path.is_dir() {
                    named.session(path, kind);
                } else if kind == Kind::Quiet {
                    named.quiet.push(path.clone());
                } else {
                    named.bubbles.push(path.clone());
                }
            }
        }
        for path in sessions {
            named.session(path, Kind::Quiet);
            named.session(path, Kind::Bubbles);
        }
        named
    }

    fn session(&mut self, path: &Path, kind: Kind) {
        match self.sessions.iter_mut().find(|(known, _)| known == path) {
            Some((_, kinds)) if kinds.contains(&kind) => {}
            Some((_, kinds)) => kinds.push(kind),
            None => self.sessions.push((path.to_owned(), vec![kind])),
        }
    }
}

/// Recordings ready to be heard: quiet ones retagged, then those with bubbles.
#[derive(Debug, Clone)]
pub(super) struct Opened {
    recordings: Vec<Recording>,
    /// Pulses of stage baseline among those named with bubbles.
    baseline_among_bubbles: u64,
    /// What they are, for the record.
    pub(super) origins: Vec<Origin>,
}

/// Opens recordings for a plan; options of pulses count quiet recordings first, then those with
/// bubbles.
///
/// # Errors
/// What is wrong with the first faulty one, or samples that are named twice.
pub(super) fn open(
    prepared: &Prepared,
    named: &Named,
    pulses: &PulseOptions,
) -> Result<Opened, Failure> {
    let mut opened =
        Opened { recordings: Vec::new(), baseline_among_bubbles: 0, origins: Vec::new() };
    let paths: Vec<PathBuf> = named.quiet.iter().chain(&named.bubbles).cloned().collect();
    if paths.is_empty() {
        return Ok(opened);
    }
    let (mut number, mut turned) = (0, 0_u64);
    for (place, mut recording) in prepared.open(&paths, pulses)?.into_iter().enumerate() {
        let kind = if place < named.quiet.len() { Kind::Quiet } else { Kind::Bubbles };
        // Named both ways, a recording of both stages says itself what its pulses are.
        let has = |stage| recording.pulses.iter().any(|pulse| pulse.tag.stage == stage);
        let both = [&named.quiet, &named.bubbles].iter().all(|n| n.contains(&recording.path));
        let labelled = both && has(Stage::Baseline) && has(Stage::Exposure);
        opened.note(Origin {
            label: if labelled { "session" } else { kind.name() },
            name: file_name(&recording.path),
            sha256: recording.sha256()?,
        })?;
        recording.pulses.retain(|pulse| match (kind, pulse.tag.stage) {
            (_, Stage::Noise) => false,
            (Kind::Quiet, Stage::Exposure) => {
                turned += u64::from(!labelled);
                !labelled
            }
            (Kind::Bubbles, Stage::Baseline) => {
                opened.baseline_among_bubbles += u64::from(!labelled);
                false
            }
            _ => true,
        });
        for pulse in &mut recording.pulses {
            let mut tag = (*pulse.tag).clone();
            tag.number = number;
            number += 1;
            if kind == Kind::Quiet {
                (tag.stage, tag.exposure) = (Stage::Baseline, None);
            }
            pulse.tag = Arc::new(tag);
        }
        if !recording.pulses.is_empty() {
            opened.recordings.push(recording);
        }
    }
    if turned > 0 {
        say(&format!(
            "warning: {turned} pulses of stage exposure are taken as quiet, since --quiet names their recordings: make sure no bubbles were there"
        ));
    }
    Ok(opened)
}

impl Opened {
    /// Notes where pulses come from; the same samples count once.
    fn note(&mut self, from: Origin) -> Result<(), Failure> {
        let again = self.origins.iter().find(|known| known.sha256 == from.sha256);
        match again {
            Some(known) if known.label == "session" && from.label == "session" => Ok(()),
            Some(known) => Err(Failure::new(
                DATA,
                format!(
                    "{} ({}) and {} ({}) hold the same samples, which count once",
                    known.name, known.label, from.name, from.label
                ),
            )),
            None => {
                self.origins.push(from);
                Ok(())
            }
        }
    }
}

/// What recordings said.
pub(super) struct Heardings {
    /// The rows.
    pub(super) table: Table,
    /// The quiet pulses as a baseline.
    pub(super) baseline: Baseline,
    /// What would arrive behind a path, where that was asked for.
    pub(super) emissions: Option<Emissions>,
}

/// Takes rows, and what would arrive behind a path.
pub(super) struct Gathering<'a> {
    /// How pulses are heard.
    pub(super) plan: &'a Plan,
    /// The rows.
    pub(super) table: Table,
    /// What would arrive, where that was asked for.
    pub(super) emissions: Option<Emissions>,
}

impl Sink for Gathering<'_> {
    type Error = Infallible;

    fn take(&mut self, judged: &Judged) -> Result<(), Infallible> {
        let Some(pulse) = &judged.pulse else { return Ok(()) };
        let rows = || judged.judgement.rows.iter().filter(|row| row.pulse.is_some());
        if let Some(kind) = Kind::of(pulse.stage) {
            self.table.take(kind, rows().map(Seen::of));
        }
        if let (Some(emissions), Stage::Exposure) = (&mut self.emissions, pulse.stage) {
            let used = &self.plan.used_channels;
            let counts = |place: usize| {
                let of_channel = |row: &&Row| row.channel == Channel::One(used[place]);
                let row = judged.judgement.rows.iter().find(of_channel);
                row.is_some_and(|row| Table::counts(Kind::Bubbles, &Seen::of(row)))
            };
            let at = (&*pulse.target, Drive::of(pulse.drive_mpa));
            emissions.take(self.plan, at, &judged.readings, counts);
        }
        Ok(())
    }
}

/// Hears recordings.
///
/// # Errors
/// What goes wrong on the way.
pub(super) fn hear(
    prepared: &Prepared,
    opened: &Opened,
    workers: usize,
    emissions: Option<Emissions>,
) -> Result<Heardings, Failure> {
    let settings = &prepared.loaded.settings;
    let mut table = Table::new(settings.drive.drive_tolerance);
    for _ in 0..opened.baseline_among_bubbles {
        let first = prepared.plan.used_channels.first().copied().unwrap_or_default();
        table.leave_out(Kind::Bubbles, Channel::One(first), "stage baseline");
    }
    if opened.recordings.is_empty() {
        return Ok(Heardings { table, baseline: Baseline::default(), emissions });
    }
    let session = Session::new(&prepared.plan, &settings.detect, &[], None);
    let mut gathering = Gathering { plan: &prepared.plan, table, emissions };
    let read = opened.recordings.clone();
    let finished = run(
        &prepared.plan,
        session,
        workers,
        |buffers| source(read, None, buffers),
        &mut gathering,
    )?;
    if !finished.account.closes() {
        return Err(Failure::new(RUNNING, "the sample account does not close"));
    }
    let Gathering { table, emissions, .. } = gathering;
    Ok(Heardings { table, baseline: finished.session.into_baseline(), emissions })
}

/// Adds the rows of session folders; gives what they are and the names of their baselines.
///
/// # Errors
/// A folder that is no session, was made under other settings, or holds a fault.
pub(super) fn add_sessions(
    prepared: &Prepared,
    sessions: &[(PathBuf, Vec<Kind>)],
    table: &mut Table,
) -> Result<(Vec<Origin>, Vec<String>), Failure> {
    let (mut origins, mut baselines) = (Vec::new(), Vec::new());
    for (path, kinds) in sessions {
        let folder = SessionFolder::open(path)?;
        same_settings(prepared, &folder)?;
        if !folder.is_finished() {
            say(&format!("warning: {}: the session was not ended in order", path.display()));
        }
        folder.known_pulses(kinds, table)?;
        let ids = folder.about(&["baseline", "id_by_target"]).as_object();
        let ids = ids.into_iter().flat_map(|ids| ids.values());
        baselines.extend(ids.filter_map(|id| id.as_str().map(str::to_owned)));
        let csv = folder.file("pulses.csv");
        let sha256 = file_sha256(&csv)?;
        let label = match kinds.as_slice() {
            [kind] => kind.name(),
            _ => "session",
        };
        if let Some(known) = origins.iter().find(|known: &&Origin| known.sha256 == sha256) {
            return Err(Failure::new(
                DATA,
                format!(
                    "{} and {} hold the same pulses, which count once",
                    known.name,
                    path.display()
                ),
            ));
        }
        origins.push(Origin { label, name: file_name(path), sha256 });
    }
    Ok((origins, baselines))
}

/// A session must have been heard as the configuration hears.
fn same_settings(prepared: &Prepared, folder: &SessionFolder) -> Result<(), Failure> {
    let path = folder.path().display();
    if folder.configuration().is_empty() {
        return Err(Failure::new(
            DATA,
            format!("{path}: session.json holds no configuration; replay the session first"),
        ));
    }
    let name = folder.file("session.json").display().to_string();
    let own = config::parse(&name, folder.configuration())
        .map_err(|diagnosis| Failure::new(DATA, diagnosis.to_string()))?;
    let plan = Plan::new(&own.settings.signal).map_err(|_| {
        Failure::new(DATA, format!("{path}: its configuration gives no plan any more"))
    })?;
    let plan = plan.monitored(own.settings.drive_monitor_channel);
    let there = Identity::of(&plan, own.settings.recordings.cutting.as_ref());
    match prepared.identity().differs_from(&there) {
        None => Ok(()),
        Some(differences) => Err(Failure::new(
            DATA,
            format!(
                "{path}: the session was heard otherwise than {} says: {differences}; replay it with this configuration first",
                prepared.loaded.name
            ),
        )),
    }
}

/// Mean spectrum without drive on each used channel, V²/Hz, over all pulses of recordings.
///
/// # Errors
/// What goes wrong on the way, or no pulse with numbers.
pub(super) fn site_floor(
    prepared: &Prepared,
    paths: &[PathBuf],
    workers: usize,
) -> Result<(Vec<Vec<f64>>, Vec<Origin>), Failure> {
    let mut recordings = prepared.open(paths, &PulseOptions::default())?;
    let (mut origins, mut number) = (Vec::new(), 0);
    for recording in &mut recordings {
        origins.push(Origin {
            label: "site noise",
            name: file_name(&recording.path),
            sha256: recording.sha256()?,
        });
        recording.pulses.retain(|pulse| pulse.tag.stage == Stage::Noise);
        if recording.pulses.is_empty() {
            let path = recording.path.display();
            return Err(Failure::new(
                DATA,
                format!(
                    "{path}: no pulse of stage noise; --site-noise wants recordings without drive"
                ),
            ));
        }
        for pulse in &mut recording.pulses {
            let mut tag = (*pulse.tag).clone();
            tag.number = number;
            number += 1;
            pulse.tag = Arc::new(tag);
        }
    }
    let settings = &prepared.loaded.settings;
    let session = Session::new(&prepared.plan, &settings.detect, &[], None);
    let mut floors = Floors(vec![(Vec::new(), 0.0); prepared.plan.used_channels.len()]);
    run(
        &prepared.plan,
        session,
        workers,
        |buffers| source(recordings, None, buffers),
        &mut floors,
    )?;
    if floors.0.iter().any(|(_, pulses)| *pulses < 1.0) {
        return Err(Failure::new(
            DATA,
            "--site-noise has no pulse that every channel heard, neither dead nor clipped",
        ));
    }
    Ok((floors.0.into_iter().map(|(mean, _)| mean).collect(), origins))
}

/// Running mean spectrum of each channel, and how many it is of.
struct Floors(Vec<(Vec<f64>, f64)>);

impl Sink for Floors {
    type Error = Infallible;

    fn take(&mut self, judged: &Judged) -> Result<(), Infallible> {
        for ((mean, pulses), reading) in self.0.iter_mut().zip(&judged.readings) {
            let Heard::Measured(measured) = reading.heard() else { continue };
            if measured.dead || measured.clipped {
                continue;
            }
            *pulses += 1.0;
            mean.resize(reading.spectrum.len(), 0.0);
            for (mean, density) in mean.iter_mut().zip(&reading.spectrum) {
                *mean += (f64::from(*density) - *mean) / *pulses;
            }
        }
        Ok(())
    }
}

/// Whether both kinds are there on some channel.
///
/// # Errors
/// Names what is missing and what to record.
pub(super) fn check_kinds(table: &Table) -> Result<(), Failure> {
    let (channels, left_out) = (table.channels(), table.left_out());
    let none = |kind| channels.iter().all(|channel| table.rows(kind, *channel) == 0);
    let alone = table.drives_alone();
    if !none(Kind::Quiet) && none(Kind::Bubbles) && !alone.is_empty() {
        let drives: Vec<String> = alone.iter().map(ToString::to_string).collect();
        return Err(Failure::new(
            DATA,
            format!(
                "no pulse with bubbles has enough quiet ones at its drive to stand over: record at least {LEAST_BASELINE_PULSES} without bubbles at {}",
                drives.join(", ")
            ),
        ));
    }
    for (kind, what) in [(Kind::Quiet, "without bubbles"), (Kind::Bubbles, "with bubbles")] {
        if !none(kind) {
            continue;
        }
        let left: Vec<String> = left_out
            .iter()
            .filter(|(of, channel, ..)| *of == kind && *channel != Channel::All)
            .map(|(_, channel, reason, rows)| format!("channel {channel} {reason}: {rows}"))
            .collect();
        let left = if left.is_empty() { String::new() } else { format!(" ({})", left.join(", ")) };
        return Err(Failure::new(
            DATA,
            format!(
                "no pulse {what} could be heard{left}: name recordings with --{}, or a session with both stages",
                kind.name()
            ),
        ));
    }
    Ok(())
}

/// Recordings are needed for what is asked.
///
/// # Errors
/// When only sessions were named.
pub(super) fn need_samples(named: &Named, what: &str) -> Result<(), Failure> {
    if named.quiet.is_empty() || named.bubbles.is_empty() {
        return Err(Failure::new(
            USAGE,
            format!(
                "{what} needs samples: name recordings with --quiet and --bubbles (those of a session are in its folder)"
            ),
        ));
    }
    Ok(())
}
