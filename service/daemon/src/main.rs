//! The binary `hotspell`: parse the arguments, hand them to the library, exit with its status.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    hotspell_daemon::cli::run(hotspell_daemon::cli::Cli::parse())
}
