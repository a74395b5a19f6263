//! The `simmer` command.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    ExitCode::from(simmer::cli::run(&simmer::cli::Cli::parse()))
}
