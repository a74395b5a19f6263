//! `simmer demo`: the whole job on a simulated bench.

use std::convert::Infallible;
use std::path::PathBuf;
use std::sync::Arc;

use super::replay::{Both, default_workers};
use super::table::Table;
use super::{Failure, RUNNING, USAGE, give, say};
use crate::bench::{Scene, SceneSpec};
use crate::config::{self, Loaded};
use crate::detect::Session;
use crate::engine::{run, scene};
use crate::session::{Folder, Head};
use crate::signal::Plan;

/// The bench's configuration, the same as `config/bench-phantom.toml`.
const CONFIGURATION: &str = include_str!("../../config/bench-phantom.toml");

/// Sample sets in one frame, as a digitiser would send them.
const FRAME_SAMPLES: usize = 30_000;

/// How long, which scene, where to.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  simmer demo --seconds 30 --seed 7 --out out/demo")]
pub struct Demo {
    /// Length of the scene in device time, s; 30 at least
    #[arg(long, value_name = "N", default_value_t = 60.0)]
    pub seconds: f64,
    /// Seed of the scene; the same seed gives the same numbers
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Keep the session in this folder
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

impl Demo {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let loaded = config::parse("config/bench-phantom.toml", CONFIGURATION)
            .map_err(|diagnosis| Failure::new(RUNNING, diagnosis.to_string()))?;
        let plan = Plan::new(&loaded.settings.signal)
            .map_err(|faults| Failure::new(RUNNING, format!("{faults:?}")))?;
        let plan = Arc::new(plan);
        let settings = &loaded.settings;
        let spec = SceneSpec {
            signal: settings.signal.clone(),
            pulse_s: settings.drive.pulse_s,
            repetition_hz: settings.drive.repetition_hz,
        };
        let scene = Scene::demo(&spec, self.seconds, self.seed)
            .map_err(|error| Failure::new(USAGE, error.to_string()))?;
        say(
            "simulated bench, not a measurement: a flow phantom in a bench tank, drive 0.7 MHz, 4 ms bursts at 5 Hz",
        );
        say(crate::CAUTION);
        let folder = self.folder(&loaded, &plan)?;
        let session = Session::new(&plan, &settings.detect, &settings.alarms, None);
        let mut sinks = Both { folder, table: Table::quiet() };
        let finished = run(
            &plan,
            session,
            default_workers(),
            |buffers| {
                let items = scene::input(scene, FRAME_SAMPLES, move || buffers.next());
                Ok::<_, Infallible>(items.map(Ok))
            },
            &mut sinks,
        )?;
        if let Some(folder) = sinks.folder {
            say(&format!("session in {}", folder.finish(finished.account)?.display()));
        }
        give(&sinks.table.text())?;
        Ok(0)
    }

    fn folder(&self, loaded: &Loaded, plan: &Plan) -> Result<Option<Folder>, Failure> {
        let Some(out) = &self.out else { return Ok(None) };
        let head = Head {
            configuration: loaded.text.clone(),
            configuration_sha256: loaded.sha256.clone(),
            notes: super::notes(&loaded.settings.session),
            subject: loaded.settings.session.subject.clone().unwrap_or_default(),
            start_utc: scene::start(),
            sources: vec![(format!("simulated bench, seed {}", self.seed), None)],
            baseline_file: None,
            drive_means: loaded.settings.drive.drive_means.clone(),
            expected_pulses: loaded.settings.detect.expected_pulses,
        };
        Ok(Some(Folder::create(out, head, plan, true)?))
    }
}
