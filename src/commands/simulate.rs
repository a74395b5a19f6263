//! `simmer simulate`: a scenario of the simulated bench becomes a recording whose truth is known.

mod unfinished;

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use self::unfinished::{Ending, Progress, Unfinished, free};
use super::replay::default_workers;
use super::{CONFIG, Failure, Prepared, RUNNING, USAGE, cannot_create, prepare, say};
use crate::bench::bubble::{Bubble, BubbleError, curves};
use crate::bench::{Part, Scene, SceneError, SceneSpec, Setup};
use crate::config::scenario::{self, Scenario};
use crate::config::{Diagnosis, Level, Settings};
use crate::detect::{Act, Event, What};
use crate::engine::scene::{self, Made};
use crate::ingest::{SigmfWriter, read_loss};
use crate::report::bubble::{self, Driven};
use crate::session::events::event_json;
use crate::signal::Quantity;

/// Name of the recording in its folder, without ending.
const RECORDING: &str = "recording";
const TRUTH: &str = "truth.csv";
const ACTS: &str = "acts.ndjson";
/// All names; metadata make a recording of samples and come last.
const NAMES: &[&str] = &["recording.sigmf-data", TRUTH, ACTS, "recording.sigmf-meta"];
/// Most drives of a picture, and cycles that a bubble is followed for.
const MOST_ROWS: usize = 8;
const CYCLES: usize = 64;

/// Which scenario, where to.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Writes into the folder: recording.sigmf-meta and recording.sigmf-data; truth.csv, a row for each \
pulse and channel with what the bubbles did and what they alone would have given in each quantity, V2 at the \
converter; acts.ndjson with the injections, if there are any. Files get their names when all are whole; until then, and
after SIGINT, SIGTERM or a failure, nothing of them is there.

Example:
  simmer simulate config/scenarios/open-water.toml --out out/open-water
  simmer replay -c config/bench-phantom.toml --acts out/open-water/acts.ndjson \\
      --out out/open-water-judged out/open-water/recording.sigmf-meta
  simmer simulate config/scenarios/open-water.toml --picture out/one-bubble.svg --radius-um 2"
)]
pub struct Simulate {
    /// Scenario (TOML)
    #[arg(value_name = "SCENARIO")]
    pub scenario: PathBuf,
    /// Folder to write into; it must not hold any of these files already
    #[arg(long, value_name = "DIR", required_unless_present = "picture")]
    pub out: Option<PathBuf>,
    /// Write one picture (SVG) instead of or beside it: radius, radiated pressure and spectrum of one free
    /// bubble at the drives of the scenario's exposures
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,
    /// Radius of the picture's bubble at rest, um [default: the scenario's median]
    #[arg(long, value_name = "R", requires = "picture")]
    pub radius_um: Option<f64>,
    /// Seed in place of the scenario's; the same seed gives the same bytes
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(..=1 << 53))]
    pub seed: Option<u64>,
    /// Threads that make records; the bytes are the same for any number [default: one a processor]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,
}

impl From<Diagnosis> for Failure {
    fn from(diagnosis: Diagnosis) -> Self {
        Self::new(CONFIG, diagnosis.to_string())
    }
}

impl From<SceneError> for Failure {
    fn from(error: SceneError) -> Self {
        Self::new(CONFIG, error.to_string())
    }
}

/// What a scene needs to know of a configuration.
#[must_use]
pub fn scene_spec(settings: &Settings) -> SceneSpec {
    SceneSpec {
        signal: settings.signal.clone(),
        pulse_s: settings.drive.pulse_s,
        repetition_hz: settings.drive.repetition_hz,
    }
}

impl Simulate {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let scenario = scenario::load(&self.scenario)?;
        let folder = self.scenario.parent().unwrap_or(Path::new(""));
        let prepared = prepare(&folder.join(&scenario.configuration))?;
        let loss = scenario.plate_loss_file.as_ref().map(|file| read_loss(&folder.join(file)));
        let settings = &prepared.loaded.settings;
        scene_spec(settings).check().map_err(|fault| {
            let shown = prepared.loaded.diagnostic(Level::Fault, &fault);
            Failure::new(CONFIG, shown.to_string())
        })?;
        let setup = scenario.setup(settings, loss.transpose()?)?;
        let ending = Ending::listen()?;
        let unfinished = self.out.as_ref().map(|out| Unfinished::begin(out, NAMES)).transpose()?;
        let picture = self.picture(&scenario, &setup, settings.drive.frequency_hz)?;
        if let Some(unfinished) = unfinished {
            self.recording(&scenario, &prepared, setup, &unfinished.folder, &ending)?;
            unfinished.keep()?;
        }
        if let Some((path, svg)) = picture {
            let folder = path.parent().unwrap_or(Path::new(""));
            std::fs::create_dir_all(folder)
                .and_then(|()| File::create_new(path))
                .and_then(|mut file| file.write_all(svg.as_bytes()))
                .map_err(|error| cannot_create(path, error))?;
        }
        Ok(0)
    }

    /// The picture that is wanted, and where to.
    fn picture(
        &self,
        scenario: &Scenario,
        setup: &Setup,
        frequency_hz: f64,
    ) -> Result<Option<(&Path, String)>, Failure> {
        let Some(path) = &self.picture else { return Ok(None) };
        free(path)?;
        let median_m = setup.population.median_radius_m;
        let radius_m = self.radius_um.map_or(median_m, |radius| radius * 1e-6);
        match picture(scenario, setup, (radius_m, frequency_hz)) {
            Ok(svg) => Ok(Some((path, svg))),
            Err(error) => Err(match self.radius_um {
                Some(_) => Failure::new(USAGE, format!("--radius-um: {error}")),
                None => scenario.fault(error).into(),
            }),
        }
    }

    /// Makes the recording and what stands beside it in a folder.
    fn recording(
        &self,
        scenario: &Scenario,
        prepared: &Prepared,
        setup: Setup,
        folder: &Path,
        ending: &Ending,
    ) -> Result<(), Failure> {
        let seed = self.seed.unwrap_or(scenario.seed);
        let spec = scene_spec(&prepared.loaded.settings);
        let scene = Scene::new(&spec, setup, scenario.steps.clone(), seed)
            .map_err(|error| scenario.fault(error))?;
        let workers = self.workers.map_or_else(default_workers, usize::from);
        let lessons = u64::try_from(scene.lessons().len()).unwrap_or(u64::MAX);
        let progress = Progress::new("sounds of single bubbles", lessons);
        let stop = || {
            progress.step();
            ending.wanted()
        };
        scene::learn(&scene, workers, stop).map_err(|error| scenario.fault(error))?;
        ending.check()?;
        write(folder, prepared, &scene, workers, ending).map_err(|failure| match failure.code {
            CONFIG => scenario.fault(failure.message).into(),
            _ => failure,
        })?;
        let out = self.out.as_deref().unwrap_or(folder);
        say(&format!("{} pulses in {}", scene.pulse_count(), out.display()));
        Ok(())
    }
}

/// Writes recording, truth and acts.
fn write(
    out: &Path,
    prepared: &Prepared,
    scene: &Scene,
    workers: usize,
    ending: &Ending,
) -> Result<(), Failure> {
    let progress = Progress::new("pulses", scene.pulse_count());
    let volts_per_count = &prepared.plan.spec.receive.volts_per_count;
    let base = out.join(RECORDING);
    let mut writer = SigmfWriter::create(&base, &scene::stream(scene), volts_per_count)?;
    let mut truth = TruthTable::create(&out.join(TRUTH))?;
    let mut acts = ActsFile { path: out.join(ACTS), file: None };
    let mut bytes = Vec::new();
    scene::make(scene, &prepared.plan, workers, |made: Made| -> Result<(), Failure> {
        ending.check()?;
        progress.step();
        if made.pulse.injection_before {
            acts.injection(&made)?;
        }
        bytes.clear();
        scene::append(&made.counts, &mut bytes);
        writer.pulse(&scene::tag(&made.pulse), &bytes)?;
        truth.rows(&made)
    })?;
    truth.finish()?;
    Ok(writer.finish()?)
}

/// One free bubble at the drives of the exposures.
fn picture(
    scenario: &Scenario,
    setup: &Setup,
    (radius_m, frequency_hz): (f64, f64),
) -> Result<String, BubbleError> {
    let exposures = scenario.steps.iter().filter(|step| step.part == Part::Exposure);
    let mut drives: Vec<f64> =
        exposures.map(|step| step.drive_mpa).filter(|drive| *drive > 0.0).collect();
    drives.sort_by(f64::total_cmp);
    drives.dedup_by(|a, b| a.total_cmp(b).is_eq());
    let polytropic_exponent = setup.polytropic_exponent;
    let bubble = Bubble { radius_m, polytropic_exponent, shell: None };
    let rows = drives.into_iter().take(MOST_ROWS).map(|drive_mpa| {
        let curves = curves(&setup.liquid, &bubble, frequency_hz, drive_mpa * 1e6, CYCLES)?;
        Ok(Driven { drive_mpa, curves })
    });
    let rows: Result<Vec<Driven>, BubbleError> = rows.collect();
    Ok(bubble::picture(radius_m, frequency_hz, &rows?))
}

/// The file `truth.csv`.
struct TruthTable {
    path: PathBuf,
    rows: csv::Writer<File>,
}

impl TruthTable {
    fn create(path: &Path) -> Result<Self, Failure> {
        let file = File::create_new(path).map_err(|error| cannot_create(path, error))?;
        let mut table = Self { path: path.to_owned(), rows: csv::Writer::from_writer(file) };
        let head = [
            "pulse",
            "channel",
            "time_s",
            "target",
            "stage",
            "drive_mpa",
            "given_mpa",
            "coupled",
            "bubbles",
            "coated",
            "broken",
            "destroyed",
            "largest_ratio",
            "inertial_collapses",
            "harmonic_v2",
            "ultraharmonic_v2",
            "subharmonic_v2",
            "broadband_v2",
            "broadband_v2_per_hz",
        ];
        table.row(&head.map(str::to_owned))?;
        Ok(table)
    }

    fn row(&mut self, cells: &[String]) -> Result<(), Failure> {
        self.rows.write_record(cells).map_err(|error| {
            Failure::new(RUNNING, format!("{}: cannot write: {error}", self.path.display()))
        })
    }

    /// A row for each channel of a pulse.
    fn rows(&mut self, made: &Made) -> Result<(), Failure> {
        let (pulse, truth) = (&made.pulse, &made.truth);
        for (channel, emitted) in made.emitted.iter().enumerate() {
            let power = |quantity| number(emitted.power_v2[quantity]);
            self.row(&[
                pulse.number.to_string(),
                channel.to_string(),
                pulse.time_s().to_string(),
                pulse.target.to_string(),
                pulse.part.name().to_owned(),
                pulse.drive_mpa.to_string(),
                format!("{:.6}", pulse.given_mpa),
                u8::from(pulse.coupled).to_string(),
                truth.bubbles.to_string(),
                truth.coated.to_string(),
                truth.broken.to_string(),
                truth.destroyed.to_string(),
                number(truth.largest_ratio),
                truth.inertial_collapses.to_string(),
                power(Quantity::Harmonic),
                power(Quantity::Ultraharmonic),
                power(Quantity::Subharmonic),
                power(Quantity::Broadband),
                number(emitted.broadband_v2_per_hz),
            ])?;
        }
        Ok(())
    }

    fn finish(mut self) -> Result<(), Failure> {
        let flushed = self.rows.flush();
        flushed.map_err(|error| {
            Failure::new(RUNNING, format!("{}: cannot write: {error}", self.path.display()))
        })
    }
}

/// A number of the truth, to the digits single precision has; nothing where there is none.
fn number(value: Option<f64>) -> String {
    value.map(|value| format!("{value:.6e}")).unwrap_or_default()
}

/// Injections as `simmer replay --acts` takes them.
struct ActsFile {
    path: PathBuf,
    file: Option<File>,
}

impl ActsFile {
    fn injection(&mut self, made: &Made) -> Result<(), Failure> {
        let Act::Mark(mark) = scene::injection() else { return Ok(()) };
        let event = Event {
            pulse: Some(made.pulse.number),
            time_s: made.pulse.time_s(),
            target: Arc::clone(&made.pulse.target),
            what: What::Mark { mark: Box::new(mark), number: None },
        };
        let file = match &mut self.file {
            Some(file) => file,
            None => {
                let created = File::create_new(&self.path);
                self.file.insert(created.map_err(|error| cannot_create(&self.path, error))?)
            }
        };
        writeln!(file, "{}", event_json(&event)).map_err(|error| {
            Failure::new(RUNNING, format!("{}: cannot write: {error}", self.path.display()))
        })
    }
}
