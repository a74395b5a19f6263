//! The command line: what can be asked, and the exit codes.

use clap::{Parser, Subcommand};

use crate::commands::baseline::BaselineCommand;
use crate::commands::check::Check;
use crate::commands::compare::Compare;
use crate::commands::demo::Demo;
use crate::commands::import::{Import, ReadApart};
use crate::commands::monitor::Monitor;
use crate::commands::repair::Repair;
use crate::commands::replay::Replay;
use crate::commands::report::Report;
use crate::commands::send::Send;
use crate::commands::sessions::Sessions;
use crate::commands::simulate::Simulate;
use crate::commands::tune::Tune;
use crate::commands::{Failure, say};

/// Passive cavitation detection: what was heard, and what could have been heard.
///
/// Research use only: not a medical device, no treatment planning, no safety interlock.
#[derive(Debug, Parser)]
#[command(name = "simmer", version, max_term_width = 100)]
pub struct Cli {
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// One command.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// The whole job on a simulated bench: noise, baseline, injection, a ramp, an uncoupled receiver
    Demo(Demo),
    /// The whole analysis on recordings; writes a session folder
    Replay(Replay),
    /// Hears pulses over a socket as they come: page, alarms, session folder
    Monitor(Monitor),
    /// Plays recordings into a monitor as a digitiser would
    Send(Send),
    /// A baseline file from no-bubble recordings, or how repeatable they are
    Baseline(BaselineCommand),
    /// Limits that can be defended, the drive from which on bubbles are heard, a forecast
    Tune(Tune),
    /// Looks at a configuration and at recordings; changes nothing
    Check(Check),
    /// Makes a session that was interrupted readable, without inventing anything
    Repair(Repair),
    /// One HTML page of a session: what was heard, what could have been heard, figures, doses
    Report(Report),
    /// Lists sessions, or joins their exposures into one table
    Sessions(Sessions),
    /// What differs between two sessions
    Compare(Compare),
    /// Shows the variables of a MATLAB or HDF5 file, or makes a SigMF recording of one
    Import(Import),
    /// A scenario of the simulated bench becomes a recording, with the truth beside it
    Simulate(Simulate),
    /// Reads one file for `simmer import`, in a process of its own
    #[command(hide = true)]
    ReadApart(ReadApart),
}

/// Runs a command; the exit code.
#[must_use]
pub fn run(cli: &Cli) -> u8 {
    let outcome: Result<u8, Failure> = match &cli.command {
        Command::Demo(command) => command.run(),
        Command::Replay(command) => command.run(),
        Command::Monitor(command) => command.run(),
        Command::Send(command) => command.run(),
        Command::Baseline(command) => command.run(),
        Command::Tune(command) => command.run(),
        Command::Check(command) => command.run(),
        Command::Repair(command) => command.run(),
        Command::Report(command) => command.run(),
        Command::Sessions(command) => command.run(),
        Command::Compare(command) => command.run(),
        Command::Import(command) => command.run(),
        Command::Simulate(command) => command.run(),
        Command::ReadApart(command) => command.run(),
    };
    match outcome {
        Ok(code) => code,
        Err(failure) => {
            say(&format!("simmer: {}", failure.message));
            failure.code
        }
    }
}
