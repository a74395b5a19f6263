//! Scenarios of the simulated bench: TOML text to a checked [`Scenario`], or every fault in one run.
//!
//! A scenario says what stands on the bench and what is done there; gates, converter, bands and the
//! drive's frequency and burst are those of the configuration it names, so that nothing is said
//! twice. `config/scenarios/open-water.toml` explains every key.

mod bubbles;
mod chain;
mod crossing;
mod steps;

use std::path::{Path, PathBuf};

use super::diagnostic::{Diagnosis, Diagnostic, Findings, Level};
use super::written::{Section, Tree, Written};
use super::{ConfigError, Settings, read_text, too_long};
use crate::bench::bubble::library::{RADII_M, longest_ramp_s};
use crate::bench::bubble::{Bowl, Liquid};
use crate::bench::scene::reached_radii_m;
use crate::bench::setup::{Amplifier, Electronics, Receiver, norm};
use crate::bench::{Absorption, Reverberation, Setup, Step};
use crate::signal::Curve;

use self::bubbles::Bubbles;
use super::bounds::Plain;

/// What explains every key.
const EXAMPLE: &str = "config/scenarios/open-water.toml";
/// Longest path, characters.
const PATH_CHARS: usize = 4096;

/// A scenario as checked; paths are as written, relative to the scenario's own folder.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// Configuration that says what the receive chain and the analysis are.
    pub configuration: PathBuf,
    /// Table of a plate's insertion loss.
    pub plate_loss_file: Option<PathBuf>,
    /// What all random numbers come from, where nothing else is said.
    pub seed: u64,
    /// What is done.
    pub steps: Vec<Step>,
    name: String,
    text: String,
    bowl: Bowl,
    tank: Tank,
    amplifier: Amplifier,
    bubbles: Bubbles,
    receivers: Vec<Receiver>,
    electronics: Electronics,
}

/// The table `[tank]`.
#[derive(Debug, Clone)]
struct Tank {
    liquid: Liquid,
    temperature_k: f64,
    absorption: Absorption,
    plate_loss_file: Option<PathBuf>,
    reverberation: Option<Reverberation>,
    uncoupled_db: f64,
}

/// Reads and checks a scenario file.
///
/// # Errors
/// When the file is not there, cannot be read, is longer than 1 MiB, is not UTF-8, or has a fault.
pub fn load(path: &Path) -> Result<Scenario, ConfigError> {
    let (name, text) = read_text(path)?;
    parse(&name, &text).map_err(ConfigError::Invalid)
}

/// Checks a scenario's text; `name` is what stands before the line numbers.
///
/// # Errors
/// All faults of the text.
pub fn parse(name: &str, text: &str) -> Result<Scenario, Diagnosis> {
    too_long(name, text)?;
    let mut findings = Findings::new(name, text);
    let tree = Tree::parse(text, &mut findings);
    let Some(tree) = tree else { return Err(findings.give_up()) };
    let written = Written::new(tree, findings).explained_by(EXAMPLE);
    let scenario = read(&written, name, text);
    let (scenario, _) = written.conclude().conclude(scenario)?;
    Ok(scenario)
}

/// Reads every table, whatever is wrong with the others; `None` has a fault on record.
fn read(written: &Written<'_>, name: &str, text: &str) -> Option<Scenario> {
    let top = written.top();
    let configuration = top.required("configuration").and_then(|field| field.line(PATH_CHARS));
    // 53 bits, so that any program can read the number.
    let seed = top.required("seed").and_then(|field| field.whole(0..=1 << 53));
    let bowl = super::table(&top, "transducer", chain::bowl);
    let tank = super::table(&top, "tank", chain::tank);
    let amplifier = super::table(&top, "amplifier", chain::amplifier);
    let bubbles = super::table(&top, "bubbles", bubbles::bubbles);
    let receivers = chain::receivers(&top);
    let electronics = super::table(&top, "electronics", chain::electronics);
    let tones = chain::tones(&top);
    let gain_steps = chain::gain_steps(&top);
    let steps = steps::steps(&top);
    top.finish();
    let tank = tank?;
    Some(Scenario {
        configuration: configuration.map(PathBuf::from)?,
        plate_loss_file: tank.plate_loss_file.clone(),
        seed: seed?,
        steps: steps?,
        name: name.to_owned(),
        text: text.to_owned(),
        bowl: bowl?,
        tank,
        amplifier: amplifier?,
        bubbles: bubbles?,
        receivers: receivers?,
        electronics: Electronics { tones: tones?, gain_steps: gain_steps?, ..electronics? },
    })
}

impl Scenario {
    /// The bench it describes, under the configuration it names and behind the plate it names.
    ///
    /// # Errors
    /// What scenario and configuration say against each other, at the scenario's keys.
    pub fn setup(
        &self,
        settings: &Settings,
        plate_loss: Option<Curve>,
    ) -> Result<Setup, Diagnosis> {
        let mut findings = Findings::new(&self.name, &self.text);
        let Some(tree) = Tree::parse(&self.text, &mut findings) else {
            return Err(findings.give_up());
        };
        let written = Written::new(tree, findings);
        let setup = self.cross(&written, settings, plate_loss);
        Ok(written.conclude().conclude(setup)?.0)
    }

    fn cross(
        &self,
        written: &Written<'_>,
        settings: &Settings,
        plate_loss: Option<Curve>,
    ) -> Option<Setup> {
        let liquid = &self.tank.liquid;
        let focus = match self.bowl.focus(liquid, settings.drive.frequency_hz) {
            Ok(focus) => focus,
            Err(error) => {
                written.fault(format!("no focus: {error}"), &[("transducer", "of this")]);
                return None;
            }
        };
        let setup = Setup {
            liquid: *liquid,
            temperature_k: self.tank.temperature_k,
            bowl: self.bowl,
            amplifier: self.amplifier.clone(),
            shell: self.bubbles.shell,
            polytropic_exponent: self.bubbles.polytropic_exponent,
            population: self.bubbles.population(focus),
            receivers: self.receivers.clone(),
            absorption: self.tank.absorption,
            plate_loss,
            reverberation: self.tank.reverberation,
            uncoupled_db: self.tank.uncoupled_db,
            electronics: self.electronics.clone(),
        };
        self.channels(written, settings);
        self.radii(written);
        self.ramps(written, settings);
        self.positions(written, settings, &setup);
        self.together(written, settings);
        (written.fault_count() == 0).then_some(setup)
    }

    /// Radii that the equations are not for, at the edges of their distribution.
    fn radii(&self, written: &Written<'_>) {
        let [least_m, most_m] = RADII_M;
        let [low_m, high_m] = reached_radii_m(&self.bubbles.population);
        if low_m < least_m || high_m > most_m {
            let message = format!(
                "`bubbles.median_radius_m` and `bubbles.radius_sigma` make radii from {} to {} m, must be \
                 from {} to {} m",
                Plain(rounded(low_m)),
                Plain(rounded(high_m)),
                Plain(least_m),
                Plain(most_m)
            );
            let places =
                [("bubbles.median_radius_m", "of this"), ("bubbles.radius_sigma", "and this")];
            written.fault(message, &places);
        }
    }

    /// Ramps that the burst has no room for.
    fn ramps(&self, written: &Written<'_>, settings: &Settings) {
        let (ramp_s, drive) = (self.amplifier.ramp_s, &settings.drive);
        let most_s = longest_ramp_s(drive.frequency_hz, drive.pulse_s);
        if ramp_s > most_s {
            let message = format!(
                "`amplifier.ramp_s` is {}, must be at most {}: half of the burst of {}, at most 64 cycles of \
                 its drive",
                Plain(ramp_s),
                Plain(rounded(most_s)),
                self.configuration.display()
            );
            written
                .fault(message, &[("amplifier.ramp_s", "too long"), ("configuration", "of this")]);
        }
    }

    /// One receiver a channel.
    fn channels(&self, written: &Written<'_>, settings: &Settings) {
        let (channels, receivers) = (settings.signal.receive.channels, self.receivers.len());
        if channels != receivers {
            let message = format!(
                "{receivers} [[receiver]], but {} has {channels} channels",
                self.configuration.display()
            );
            written.fault(message, &[("receiver", "one a channel"), ("configuration", "of this")]);
        }
    }

    /// Receivers that could not be where they are said to be.
    fn positions(&self, written: &Written<'_>, settings: &Settings, setup: &Setup) {
        let (nearest_m, focal_m) = (setup.nearest_m(), self.bowl.curvature_radius_m);
        for (place, receiver) in self.receivers.iter().enumerate() {
            let path = format!("receiver[{place}].position_m");
            let [x, y, z] = receiver.position_m;
            let distance_m = norm([x, y, z]);
            if distance_m < nearest_m {
                let message = format!(
                    "`{path}` is {} m from the focus, must be at least {} m: twice as far as the \
                     furthest bubble, and 1 mm from it",
                    Plain(distance_m),
                    Plain(nearest_m)
                );
                written.fault(message, &[(&path, "among the bubbles")]);
                continue;
            }
            if z < -focal_m {
                let message = format!(
                    "`{path}` has z = {}, behind the transducer, whose apex is at z = {}",
                    Plain(z),
                    Plain(-focal_m)
                );
                let places = [(path.as_str(), "behind"), ("transducer.focal_length_m", "of this")];
                written.fault(message, &places);
            }
            let earlier = self.receivers[..place].iter().position(|other| {
                let [a, b, c] = other.position_m;
                norm([a - x, b - y, c - z]) < 1e-6
            });
            if let Some(first) = earlier {
                let first = format!("receiver[{first}].position_m");
                let message = format!("`{path}` repeats `{first}`, two receivers in one place");
                written.fault(message, &[(&path, "again"), (&first, "first here")]);
            }
            let arrival_s = setup.first_arrival_s(receiver);
            if let Some(said_s) = settings.signal.receive.first_arrival_s
                && arrival_s < said_s
            {
                let message = format!(
                    "`{path}` hears the drive after {} s, before receive.first_arrival_s of {}, {}",
                    Plain((arrival_s * 1e9).round() / 1e9),
                    self.configuration.display(),
                    Plain(said_s)
                );
                written.fault(message, &[(&path, "too near"), ("configuration", "says otherwise")]);
            }
            if arrival_s >= settings.signal.receive.gate_end_s {
                let message = format!(
                    "`{path}` hears the drive after {} s, when the gate of {} is over",
                    Plain((arrival_s * 1e9).round() / 1e9),
                    self.configuration.display()
                );
                written.fault(message, &[(&path, "too far"), ("configuration", "says otherwise")]);
            }
        }
    }

    /// A fault that is found when the bench is built, as one of this file.
    #[must_use]
    pub fn fault(&self, message: impl std::fmt::Display) -> Diagnosis {
        let mut findings = Findings::new(&self.name, &self.text);
        let message = message.to_string();
        findings.push(Diagnostic::new(findings.source(), Level::Fault, message));
        findings.give_up()
    }
}

/// To four digits, for a message.
fn rounded(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}

/// The elements of an array of tables, which may be left out.
fn tables<T>(
    top: &Section<'_, '_>,
    key: &'static str,
    most: usize,
    read: impl Fn(Section<'_, '_>) -> Option<T>,
) -> Option<Vec<T>> {
    let Some(field) = top.optional(key) else { return Some(Vec::new()) };
    if field.is_table() {
        let message = format!("`{key}` is a table, must be an array of tables");
        let help = format!("write [[{key}]], any number of times");
        field.written.say(Level::Fault, message, &[(key, "must be an array")], Some(&help));
        return None;
    }
    let tables = field.elements(&format!("tables [[{key}]]"))?;
    if tables.len() > most {
        let message = format!("{} [[{key}]], must be at most {most}", tables.len());
        top.written().fault(message, &[(key, "too many")]);
        return None;
    }
    // All are read before any fault counts.
    let read: Vec<Option<T>> = tables.iter().map(|table| read(table.section())).collect();
    read.into_iter().collect()
}
