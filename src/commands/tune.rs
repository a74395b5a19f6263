//! `simmer tune`: limits that can be defended, the onset of hearing, and a forecast for another site.

mod ahead;
mod choices;
mod gather;
mod look;
#[cfg(test)]
mod tests;

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::pulses::PulseOptions;
use super::replay::default_workers;
use super::{Failure, NO_INPUT, Prepared, USAGE, cannot_create, file_name, give, prepare, say};
use crate::detect::alpha;
use crate::ingest::{file_sha256, read_loss};
use crate::report::tuning::{tuning_figures, tuning_page};

use crate::session::tuning_file::{About, Origin, forecast_json, limits_toml, tuning_json};
use crate::signal::Curve;
use crate::tune::forecast::{Emissions, Forecaster, Path as SoundPath, QuietSpread, Site};
use crate::tune::plan::Wish;
use crate::tune::table::Table;
use crate::tune::{Tuned, tune};
use gather::{Heardings, Named};

/// Files that tuning writes.
const FILES: [&str; 3] = ["tuning.json", "tuning.html", "limits.toml"];

/// Width of an onset from 10 to 90 % that a plan assumes, in ln(drive): a factor of 1.35.
const ONSET_WIDTH: f64 = 0.3;

/// Half the 95 % interval of the onset's middle that a plan aims at.
const ONSET_SHARE: f64 = 0.05;

/// What to tune with.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  simmer tune -c demo-data/config.toml --quiet demo-data/baseline.sigmf-meta \\
      --bubbles demo-data/exposure.sigmf-meta --out out/tuning
  simmer tune -c demo-data/config.toml --quiet demo-data/baseline.sigmf-meta \\
      --bubbles demo-data/exposure.sigmf-meta --loss demo-data/plate-loss.csv \\
      --transmit-loss-db 4.2 --out out/behind-plate

Research use only: not a medical device, no treatment planning, no safety interlock.
A limit found in a tank is a number about that bench. Viscosity, bubbles and bone differ elsewhere;
limits of exposure are set by licensed people under local rules.")]
pub struct Tune {
    /// Configuration (TOML)
    #[arg(short, long, value_name = "CONFIG")]
    pub config: PathBuf,
    /// Recordings of pulses without bubbles, or sessions whose baseline pulses count; a recording named
    /// both ways that has both stages says itself which pulses are which
    #[arg(long, value_name = "REC", num_args = 1..)]
    pub quiet: Vec<PathBuf>,
    /// Recordings of pulses with bubbles, or sessions whose exposure pulses count
    #[arg(long, value_name = "REC", num_args = 1..)]
    pub bubbles: Vec<PathBuf>,
    /// Where pulses lie where recordings do not say; quiet recordings first, then those with bubbles
    #[command(flatten)]
    pub pulses: PulseOptions,
    /// Insertion loss of the other site's receive path (CSV: frequency_hz,loss_db): a forecast is made
    #[arg(long, value_name = "FILE")]
    pub loss: Option<PathBuf>,
    /// Loss of the other site's way in, dB: what is set in free field arrives lower by this
    #[arg(long, value_name = "DB", requires = "loss")]
    pub transmit_loss_db: Option<f64>,
    /// Recordings without drive at the other site: its noise
    #[arg(long, value_name = "REC", num_args = 1.., requires = "loss")]
    pub site_noise: Vec<PathBuf>,
    /// Pulses the other site's baseline has at each drive [default: as many as the tank's smallest]
    #[arg(long, value_name = "N", requires = "loss", value_parser = clap::value_parser!(u32).range(10..=100_000))]
    pub site_pulses: Option<u32>,
    /// Also try other line widths, guards, windows and lines, each on all pulses, and rank them
    #[arg(long = "try")]
    pub try_others: bool,
    /// Say what to record for a wanted limit; needs no recording
    #[arg(long, conflicts_with_all = ["quiet", "bubbles", "sessions", "loss", "try_others", "out"])]
    pub plan: bool,
    /// With --plan: rise over the baseline that is to be heard, dB
    #[arg(long, value_name = "DB", requires = "plan", default_value_t = 1.0)]
    pub wanted_db: f64,
    /// With --plan: lowest drive, MPa
    #[arg(long, value_name = "MPA", requires = "plan", default_value_t = 0.06)]
    pub from_mpa: f64,
    /// With --plan: highest drive, MPa
    #[arg(long, value_name = "MPA", requires = "plan", default_value_t = 0.4)]
    pub to_mpa: f64,
    /// With --plan: drives
    #[arg(long, value_name = "N", requires = "plan", default_value_t = 10, value_parser = clap::value_parser!(u16).range(3..=200))]
    pub drives: u16,
    /// Folder to write tuning.json, tuning.html and limits.toml into; it must not hold them
    #[arg(long, value_name = "DIR", required_unless_present = "plan")]
    pub out: Option<PathBuf>,
    /// Also write each figure as SVG and the plotted data as CSV into this folder
    #[arg(long, value_name = "DIR", requires = "out")]
    pub figures: Option<PathBuf>,
    /// Threads that compute spectra [default: one a processor]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,
    /// Session folders whose stages say what pulses are
    #[arg(value_name = "SESSION")]
    pub sessions: Vec<PathBuf>,
}

impl Tune {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What went wrong, with its exit code.
    pub fn run(&self) -> Result<u8, Failure> {
        let Some(out) = &self.out else {
            let prepared = prepare(&self.config)?;
            let wish = self.wish(&prepared)?;
            say(crate::CAUTION);
            give(&ahead::text(&prepared, &wish))?;
            return Ok(0);
        };
        let named = self.named()?;
        let prepared = prepare(&self.config)?;
        check_out(out)?;
        let loss = self.loss.as_deref().map(|path| Ok::<_, Failure>((path, read_loss(path)?)));
        let loss = loss.transpose()?;
        for (asked, what) in [(loss.is_some(), "--loss"), (self.try_others, "--try")] {
            if asked {
                gather::need_samples(&named, what)?;
            }
        }
        let workers = self.workers.map_or_else(default_workers, usize::from);
        let opened = gather::open(&prepared, &named, &self.pulses)?;
        let emissions =
            loss.as_ref().map(|(_, loss)| Emissions::new(SoundPath::new(&prepared.plan, loss)));
        let mut heard = gather::hear(&prepared, &opened, workers, emissions)?;
        let mut origins = opened.origins.clone();
        let (sessions, mut baselines) =
            gather::add_sessions(&prepared, &named.sessions, &mut heard.table)?;
        origins.extend(sessions);
        baselines.extend(heard.baseline.targets.values().map(|target| target.id()));
        gather::check_kinds(&heard.table)?;
        let detect = &prepared.loaded.settings.detect;
        let channels = prepared.plan.used_channels.len();
        let tuned = tune(&heard.table, detect, channels);
        let forecast = match &loss {
            None => Value::Null,
            Some((path, loss)) => {
                self.forecast(&prepared, (path, loss), &heard, &tuned, &mut origins, workers)?
            }
        };
        let about = About {
            configuration: (file_name(&self.config), prepared.loaded.sha256.clone()),
            origins,
            drive_means: prepared.loaded.settings.drive.drive_means.clone(),
            alpha: alpha(detect, channels),
            baselines,
            forecast,
            tried: if self.try_others {
                choices::tried(&prepared, &opened, workers)?
            } else {
                Value::Null
            },
        };
        let value = write(out, &prepared, &tuned, &heard.table, &about)?;
        if let Some(folder) = &self.figures {
            write_figures(folder, &value)?;
        }
        Ok(0)
    }

    fn named(&self) -> Result<Named, Failure> {
        for path in &self.sessions {
            if !path.exists() {
                return Err(Failure::new(NO_INPUT, format!("{}: not found", path.display())));
            }
            if !path.is_dir() {
                return Err(Failure::new(
                    USAGE,
                    format!(
                        "{}: is no session folder; recordings are named with --quiet or --bubbles",
                        path.display()
                    ),
                ));
            }
        }
        let named = Named::of(&self.quiet, &self.bubbles, &self.sessions);
        if self.quiet.is_empty() && self.bubbles.is_empty() && self.sessions.is_empty() {
            return Err(Failure::new(
                USAGE,
                "name pulses without bubbles (--quiet) and with bubbles (--bubbles), or a session folder",
            ));
        }
        match self.transmit_loss_db {
            Some(db) if !(0.0..=100.0).contains(&db) => {
                Err(Failure::new(USAGE, format!("--transmit-loss-db is {db}, must be 0 to 100 dB")))
            }
            _ => Ok(named),
        }
    }

    fn forecast(
        &self,
        prepared: &Prepared,
        (path, loss): (&Path, &Curve),
        heard: &Heardings,
        tuned: &Tuned,
        origins: &mut Vec<Origin>,
        workers: usize,
    ) -> Result<Value, Failure> {
        let name = file_name(path);
        let sha256 = file_sha256(path)?;
        origins.push(Origin { label: "loss", name: name.clone(), sha256 });
        let floor = if self.site_noise.is_empty() {
            None
        } else {
            let (floor, noise) = gather::site_floor(prepared, &self.site_noise, workers)?;
            origins.extend(noise);
            Some(floor)
        };
        let drives = || heard.baseline.targets.values().flat_map(|target| &target.drives);
        let least = drives().map(|series| series.pulses.len()).filter(|n| *n >= 10).min();
        let baseline_pulses = match self.site_pulses {
            Some(pulses) => usize::try_from(pulses).unwrap_or(usize::MAX),
            None => least.unwrap_or(10),
        };
        let site =
            Site { floor, transmit_loss_db: self.transmit_loss_db.unwrap_or(0.0), baseline_pulses };
        let largest = heard.baseline.targets.values().map(|target| target.drives.len()).max();
        let forecaster = Forecaster {
            plan: &prepared.plan,
            spec: &prepared.loaded.settings.detect,
            baseline: &heard.baseline,
            drives: largest.unwrap_or(1),
            site: &site,
        };
        let Some(emissions) = &heard.emissions else { return Ok(Value::Null) };
        let quantities: Vec<Value> = tuned
            .quantities
            .iter()
            .filter_map(|tuning| {
                let limit = tuning.limit.as_ref()?;
                let set = heard.table.set(tuning.channel, tuning.quantity);
                let spread = QuietSpread { sd_db: limit.sd_db, lag1: set.lag1() };
                let at = (tuning.channel, tuning.quantity);
                forecaster.quantity(emissions, at, spread).map(|found| forecast_json(&found))
            })
            .collect();
        let [from_hz, to_hz] = loss.range_hz();
        Ok(json!({
            "loss": {"name": name, "from_hz": from_hz, "to_hz": to_hz},
            "transmit_loss_db": site.transmit_loss_db, "site_noise": site.floor.is_some(),
            "baseline_pulses": site.baseline_pulses,
            "expected_pulses": prepared.loaded.settings.detect.expected_pulses,
            "quantities": quantities,
        }))
    }

    fn wish(&self, prepared: &Prepared) -> Result<Wish, Failure> {
        let bad = |what: &str, value: f64, bound: &str| {
            Err(Failure::new(USAGE, format!("{what} is {value}, must be {bound}")))
        };
        if !(0.01..=100.0).contains(&self.wanted_db) {
            return bad("--wanted-db", self.wanted_db, "0.01 to 100 dB");
        }
        if !(1e-6..=1e3).contains(&self.from_mpa) {
            return bad("--from-mpa", self.from_mpa, "1e-6 to 1000 MPa");
        }
        if !(self.to_mpa > self.from_mpa && self.to_mpa <= 1e3) {
            return bad("--to-mpa", self.to_mpa, "above --from-mpa, at most 1000 MPa");
        }
        let steps = f64::from(self.drives) - 1.0;
        let step = libm::pow(self.to_mpa / self.from_mpa, 1.0 / steps);
        let tolerance = prepared.loaded.settings.drive.drive_tolerance;
        if step <= 1.0 + tolerance {
            return Err(Failure::new(
                USAGE,
                format!(
                    "{} drives from {} to {} MPa are a factor of {step:.4} apart, must be more than drive_tolerance {tolerance} apart: take fewer drives",
                    self.drives, self.from_mpa, self.to_mpa
                ),
            ));
        }
        Ok(Wish {
            wanted_db: self.wanted_db,
            drives_mpa: [self.from_mpa, self.to_mpa],
            drives: usize::from(self.drives),
            onset_width: ONSET_WIDTH,
            onset_share: ONSET_SHARE,
        })
    }
}

fn write(
    out: &Path,
    prepared: &Prepared,
    tuned: &Tuned,
    table: &Table,
    about: &About,
) -> Result<Value, Failure> {
    let settings = &prepared.loaded.settings;
    let value = tuning_json(tuned, table, &settings.detect, about);
    let limits = limits_toml(tuned, &settings.alarms, &settings.detect, about);
    let texts = [Some(format!("{value:#}\n")), Some(tuning_page(&value)), limits];
    std::fs::create_dir_all(out).map_err(|error| cannot_create(out, error))?;
    for (name, text) in FILES.into_iter().zip(texts) {
        let path = out.join(name);
        match text {
            Some(text) => {
                std::fs::write(&path, text).map_err(|error| cannot_create(&path, error))?
            }
            None => say(
                "warning: no limits.toml: no alarm of the configuration watches a quantity that has a limit",
            ),
        }
    }
    say(crate::CAUTION);
    give(&look::text(tuned, &value, &settings.drive.drive_means))?;
    say(&format!("tuning in {}", out.display()));
    Ok(value)
}

fn write_figures(folder: &Path, value: &Value) -> Result<(), Failure> {
    std::fs::create_dir_all(folder).map_err(|error| cannot_create(folder, error))?;
    for (name, svg, csv) in tuning_figures(value) {
        for (ending, text) in [("svg", svg), ("csv", csv)] {
            let path = folder.join(format!("{name}.{ending}"));
            if path.exists() {
                return Err(cannot_create(&path, "the file is there already"));
            }
            std::fs::write(&path, text).map_err(|error| cannot_create(&path, error))?;
        }
    }
    say(&format!("figures in {}", folder.display()));
    Ok(())
}

fn check_out(out: &Path) -> Result<(), Failure> {
    for name in FILES {
        let path = out.join(name);
        if path.exists() {
            return Err(cannot_create(&path, "the file is there already"));
        }
    }
    if out.exists() && !out.is_dir() {
        return Err(cannot_create(out, "it is no folder"));
    }
    Ok(())
}
