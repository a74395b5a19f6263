//! `simmer import`: files of other programs become SigMF. A step of its own, never the daemon's.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::{CANNOT_CREATE, DATA, Failure, USAGE, give, say};
use crate::engine::Stage;
use crate::ingest::foreign::{
    Content, Conversion, Converted, Foreign, Laid, Rows, Unit, Variable, convert, lay, serve,
};
use crate::ingest::{Hints, names_pulses};
use crate::signal::Axis;

/// Which variable of which file becomes which recording.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Without --variable it lists the variables and writes nothing; without --out it says what it \
would do.

Example:
  simmer import demo-data/scope.mat
  simmer import demo-data/scope.mat --variable received --time t \\
      --volts-per-count 6.103515625e-5 --drive-mpa drive --stage exposure \\
      --repetition-hz 5 --out out/scope"
)]
pub struct Import {
    /// File of MATLAB (level 5, or 7.3) or HDF5
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Variable that holds the samples; in HDF5 with its groups, as group/name
    #[arg(long, value_name = "NAME")]
    pub variable: Option<String>,
    /// What the axes of the variable are, in its order: pulses, channels, samples, parted by commas;
    /// axes of one number may be left out. Without this they are found by their lengths and said
    #[arg(long, value_name = "AXES", value_delimiter = ',', value_parser = axis)]
    pub axes: Vec<Axis>,
    /// Samples a second
    #[arg(long, value_name = "HZ", value_parser = above_zero, conflicts_with = "time")]
    pub sample_rate_hz: Option<f64>,
    /// Variable that is the time axis: its constant step gives the rate
    #[arg(long, value_name = "NAME")]
    pub time: Option<String>,
    /// Unit of the time axis, where its name or its step leave it open
    #[arg(long, value_name = "UNIT", value_enum, requires = "time")]
    pub time_unit: Option<Unit>,
    /// Volts a count, one number or one for each channel, parted by commas. Needed for whole numbers;
    /// others are taken for volts
    #[arg(long, value_name = "V", value_delimiter = ',', value_parser = not_zero)]
    pub volts_per_count: Vec<f64>,
    /// How often pulses come, for the time from one to the next of an array; without it they follow
    /// one another without a gap
    #[arg(long, value_name = "HZ", value_parser = above_zero)]
    pub repetition_hz: Option<f64>,
    /// Cue list (CSV): with `start_sample,sample_count` where pulses lie in one long record, without
    /// these who the pulses of an array are
    #[arg(long, value_name = "FILE")]
    pub cues: Option<PathBuf>,
    /// What the pulses of an array are for: noise, baseline or exposure
    #[arg(long, value_name = "STAGE", value_parser = stage, conflicts_with = "cues")]
    pub stage: Option<Stage>,
    /// Drive of the pulses of an array, MPa: a number, or a variable with one for each pulse
    #[arg(long, value_name = "MPA|NAME", conflicts_with = "cues")]
    pub drive_mpa: Option<String>,
    /// Name of the recording without its ending: BASE.sigmf-meta and BASE.sigmf-data are written
    #[arg(long, value_name = "BASE")]
    pub out: Option<PathBuf>,
}

/// Reads one file for `simmer import`, in a process of its own.
#[derive(Debug, clap::Args)]
pub struct ReadApart {
    /// The file
    pub file: PathBuf,
    /// The variable whose numbers are given
    pub variable: Option<String>,
}

fn axis(text: &str) -> Result<Axis, String> {
    let named = |axis: &&Axis| [axis.name(), axis.name().trim_end_matches('s')].contains(&text);
    let axis = Axis::ALL.iter().find(named).copied();
    axis.ok_or_else(|| "must be pulses, channels or samples".to_owned())
}

fn stage(text: &str) -> Result<Stage, String> {
    Stage::from_name(text).ok_or_else(|| "must be noise, baseline or exposure".to_owned())
}

fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

fn above_zero(text: &str) -> Result<f64, String> {
    let number = number(text).filter(|number| *number > 0.0);
    number.ok_or_else(|| "must be a number of Hz above 0".to_owned())
}

fn not_zero(text: &str) -> Result<f64, String> {
    let number = number(text).filter(|number| number.abs() > 0.0);
    number.ok_or_else(|| "must be a finite number of volts other than 0".to_owned())
}

impl ReadApart {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What is wrong with the file.
    pub fn run(&self) -> Result<u8, Failure> {
        serve(&self.file, self.variable.as_deref()).map_err(|fault| Failure::new(DATA, fault))?;
        Ok(0)
    }
}

/// What is known of the pulses of an array.
struct Drives {
    /// One for all.
    one: Option<f64>,
    /// One for each.
    each: Option<Vec<f64>>,
}

impl Import {
    /// Runs the command; the exit code.
    ///
    /// # Errors
    /// What is wrong with the file, with what was asked, or with where to write.
    pub fn run(&self) -> Result<u8, Failure> {
        if let Some(axis) =
            Axis::ALL.iter().find(|axis| self.axes.iter().filter(|said| said == axis).count() > 1)
        {
            return Err(Failure::new(USAGE, format!("--axes names {} twice", axis.name())));
        }
        self.check_free()?;
        let foreign = Foreign::open(&self.file)?;
        let Some(name) = &self.variable else { return self.show(&foreign) };
        let variable = foreign.variable(name)?;
        let bad = |fault: String| Failure::new(DATA, format!("{}: {fault}", self.file.display()));
        variable.numbers().map_err(bad)?;
        let (rate, because) = self.rate(&foreign, variable)?;
        let drives = self.drives(&foreign)?;
        let rows = self.rows(drives.each.as_deref())?;
        let said = Some(self.axes.as_slice()).filter(|axes| !axes.is_empty());
        let laid = match lay(variable, said, rows) {
            Ok(laid) => laid,
            Err(fault) => {
                give(&listing(&foreign))?;
                return Err(Failure::new(USAGE, format!("{}: {fault}", self.file.display())));
            }
        };
        self.make_folder()?;
        let volts = Some(self.volts_per_count.clone()).filter(|volts| !volts.is_empty());
        let beside = self.out.clone().unwrap_or_else(|| std::env::temp_dir().join("simmer-import"));
        let conversion = Conversion {
            laid: &laid,
            sample_rate_hz: rate,
            volts_per_count: volts,
            repetition_hz: self.repetition_hz,
            hints: Hints {
                cues: self.cues.as_deref(),
                stage: self.stage,
                drive_mpa: drives.one,
                first_number: 0,
            },
            drives_mpa: drives.each,
            out: self.out.as_deref(),
            beside: &beside,
        };
        let converted = convert(&foreign, variable, &conversion)?;
        self.tell(variable, &laid, &converted, &format!("{rate} Hz ({because})"))?;
        Ok(0)
    }

    /// Nothing is overwritten, and nothing is read before that is known.
    fn check_free(&self) -> Result<(), Failure> {
        let Some(out) = &self.out else { return Ok(()) };
        for ending in [".sigmf-meta", ".sigmf-data"] {
            let mut path = out.as_os_str().to_owned();
            path.push(ending);
            if Path::new(&path).exists() {
                let path = Path::new(&path).display().to_string();
                return Err(Failure::new(
                    CANNOT_CREATE,
                    format!("{path}: is there already; nothing is overwritten"),
                ));
            }
        }
        Ok(())
    }

    /// Makes the folder the recording is written into.
    fn make_folder(&self) -> Result<(), Failure> {
        let Some(folder) = self.out.as_deref().and_then(Path::parent) else { return Ok(()) };
        std::fs::create_dir_all(folder).map_err(|error| {
            Failure::new(CANNOT_CREATE, format!("{}: cannot be created: {error}", folder.display()))
        })
    }

    fn show(&self, foreign: &Foreign) -> Result<u8, Failure> {
        give(&listing(foreign))?;
        let damaged = |variable: &&Variable| matches!(variable.content, Content::Damaged(_));
        if let Some(variable) = foreign.variables.iter().find(damaged) {
            let Content::Damaged(why) = &variable.content else { return Ok(0) };
            let (file, name) = (self.file.display(), &variable.name);
            return Err(Failure::new(DATA, format!("{file}: variable {name}: damaged: {why}")));
        }
        if self.out.is_some() {
            let words = "--out without --variable: say which variable holds the samples";
            return Err(Failure::new(USAGE, words));
        }
        Ok(0)
    }

    /// The rate and how it is known.
    fn rate(&self, foreign: &Foreign, variable: &Variable) -> Result<(f64, String), Failure> {
        if let Some(rate) = self.sample_rate_hz {
            return Ok((rate, "as said".to_owned()));
        }
        let Some(name) = &self.time else {
            return Err(Failure::new(
                USAGE,
                "nothing says the sample rate: give --sample-rate-hz, or --time with the variable \
                 that is the time axis",
            ));
        };
        let axis = foreign.variable(name)?;
        let bad = |fault: String| {
            Failure::new(DATA, format!("{}: variable {name}: {fault}", self.file.display()))
        };
        axis.numbers()
            .map_err(|fault| Failure::new(DATA, format!("{}: {fault}", self.file.display())))?;
        let steps = axis.steps.ok_or_else(|| {
            bad(format!("{} that do not rise in equal steps, so no time axis", axis.shape_text()))
        })?;
        let length = axis.shape.iter().product::<u64>();
        if !variable.shape.contains(&length) {
            let shape = variable.shape_text();
            return Err(bad(format!("{length} long, no axis of {} is ({shape})", variable.name)));
        }
        let unit = match (self.time_unit, steps.units().as_slice()) {
            (Some(unit), _) => unit,
            (None, [unit]) if !steps.counts() => *unit,
            _ => {
                let step = steps.step;
                return Err(Failure::new(
                    USAGE,
                    format!("variable {name}: steps of {step}, in which unit? say --time-unit"),
                ));
            }
        };
        let guessed = if self.time_unit.is_some() { "as said" } else { "taken for that unit" };
        let because = format!("{name} in steps of {:e} {}, {guessed}", steps.step, unit.name());
        Ok((steps.rate_hz(unit), because))
    }

    fn drives(&self, foreign: &Foreign) -> Result<Drives, Failure> {
        let Some(text) = &self.drive_mpa else { return Ok(Drives { one: None, each: None }) };
        let (one, each) = match number(text) {
            Some(drive) => (Some(drive), None),
            None => (None, Some(foreign.vector(text)?)),
        };
        let all = each.iter().flatten().chain(one.iter());
        let wrong = all.enumerate().find(|(_, drive)| !(drive.is_finite() && **drive >= 0.0));
        if let Some((at, drive)) = wrong {
            let code = if one.is_some() { USAGE } else { DATA };
            let place = if one.is_some() { String::new() } else { format!(" {text}[{at}]") };
            let fault = format!("--drive-mpa:{place} is {drive}, must be finite and not negative");
            return Err(Failure::new(code, fault));
        }
        Ok(Drives { one, each })
    }

    fn rows(&self, drives: Option<&[f64]>) -> Result<Rows, Failure> {
        if let Some(drives) = drives {
            return Ok(Rows::Pulses(drives.len() as u64));
        }
        let Some(cues) = &self.cues else { return Ok(Rows::Unknown) };
        Ok(names_pulses(cues)?.map_or(Rows::Placed, Rows::Pulses))
    }

    fn tell(
        &self,
        variable: &Variable,
        laid: &Laid,
        converted: &Converted,
        rate: &str,
    ) -> Result<(), Failure> {
        let axes: Vec<&str> = laid.axes.iter().map(|axis| axis.name()).collect();
        let because = laid.because.as_deref().unwrap_or("as said");
        let mut text = format!(
            "{}: {} {}, {} ({because})\nsample rate {rate}\n{} channels, {}",
            variable.name,
            variable.shape_text(),
            variable.class,
            axes.join(" × "),
            converted.channels,
            converted.sample_format.name()
        );
        let samples = converted.samples;
        match converted.pulses {
            0 => write!(text, ", {samples} samples without marked pulses"),
            pulses => write!(text, ", {pulses} pulses of {samples} samples"),
        }
        .ok();
        text.push('\n');
        match &self.out {
            Some(out) => {
                let out = out.display();
                writeln!(text, "wrote {out}.sigmf-meta and {out}.sigmf-data").ok();
            }
            None => text.push_str("nothing is written without --out\n"),
        }
        for remark in &converted.remarks {
            say(&format!("note: {remark}"));
        }
        if converted.pulses > 1 && self.repetition_hz.is_none() && laid.axes.contains(&Axis::Pulses)
        {
            say("note: without --repetition-hz pulses follow one another without a gap; their \
                 times and doses over time are not those of the bench");
        }
        if converted.pulses == 0 {
            say(
                "note: no pulses are marked: [recordings] cut_by cuts the recording, or --cues names \
                 pulses",
            );
        }
        give(&text)
    }
}

/// The variables of a file, one a line.
fn listing(foreign: &Foreign) -> String {
    let count = foreign.variables.len();
    let mut text =
        format!("{}, {count} variable{}\n", foreign.kind, if count == 1 { "" } else { "s" });
    for variable in &foreign.variables {
        let mut line = format!("  {}: {}", variable.name, variable.shape_text());
        write!(line, ", {}", variable.class).ok();
        match &variable.content {
            Content::Numbers(_) => write!(line, ", {} bytes", variable.bytes),
            Content::Refused(why) => write!(line, "; not read: {why}"),
            Content::Damaged(why) => write!(line, "; damaged: {why}"),
        }
        .ok();
        if let Some(value) = variable.value {
            write!(line, ", value {value}").ok();
        }
        line.push_str(&likely_axis(variable));
        text.push_str(&line);
        text.push('\n');
    }
    text
}

/// What a vector with a constant step most probably is.
fn likely_axis(variable: &Variable) -> String {
    let Some(steps) = variable.steps else { return String::new() };
    let rise = format!("; rises in steps of {:e} from {:e}", steps.step, steps.first);
    if steps.counts() {
        return format!("{rise}: rather an index than a time axis");
    }
    let units: Vec<String> = steps
        .units()
        .into_iter()
        .map(|unit| format!("{:e} Hz if in {}", steps.rate_hz(unit), unit.name()))
        .collect();
    if units.is_empty() {
        return format!("{rise}: no time axis of a receiver in s, ms, us or ns");
    }
    format!("{rise}: likely a time axis, {}", units.join(", "))
}
