//! What the planner's commands have in common: limits of a run, and reading their files.

use std::io::Read;
use std::path::Path;
use std::time::{Duration, Instant};

use clap::Args;

use super::CommandError;

/// Largest file read, in bytes; bounds memory.
const LARGEST_FILE: u64 = 256 * 1024 * 1024;

/// Limits of a run of the planner.
#[derive(Debug, Clone, Copy, Args)]
pub(crate) struct RunLimits {
    /// Time to use, in seconds.
    #[arg(long, default_value_t = 10.0, value_parser = seconds)]
    pub(crate) seconds: f64,
    /// Same seed, same result (as long as the machine gets through its iterations in time).
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Threads to use; all of the machine's if not given.
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
    /// Iterations instead of the number that fits the seconds; the seconds then only end the run early.
    #[arg(long)]
    pub(crate) iterations: Option<u64>,
}

impl RunLimits {
    pub(crate) fn threads(&self) -> usize {
        self.threads.map_or_else(
            || std::thread::available_parallelism().map_or(1, usize::from),
            usize::from,
        )
    }

    /// Share of the seconds that has gone by since `begin`.
    pub(crate) fn share_since(&self, begin: Instant) -> f64 {
        begin.elapsed().as_secs_f64() / Duration::from_secs_f64(self.seconds).as_secs_f64()
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|seconds| (0.001..=86_400.0).contains(seconds))
        .ok_or_else(|| "give between 0.001 and 86400 seconds".to_owned())
}

/// Reads a text file whole, up to a limit.
pub(crate) fn read(path: &Path) -> Result<String, CommandError> {
    let wrong = |error: std::io::Error| CommandError::Input(format!("{}: {error}", path.display()));
    let file = std::fs::File::open(path).map_err(wrong)?;
    let mut text = String::new();
    file.take(LARGEST_FILE + 1).read_to_string(&mut text).map_err(wrong)?;
    if text.len() as u64 > LARGEST_FILE {
        return Err(CommandError::Input(format!(
            "{}: more than {} MiB; split the problem",
            path.display(),
            LARGEST_FILE / 1024 / 1024
        )));
    }
    Ok(text)
}

/// Says which file an error is about.
pub(crate) fn in_file(path: &Path) -> impl Fn(hotspell_planning::PlanningError) -> CommandError {
    move |error| CommandError::Input(format!("{}: {error}", path.display()))
}

/// Prints a value as one JSON document.
pub(crate) fn print(value: &impl serde::Serialize) -> Result<(), CommandError> {
    println!("{}", serde_json::to_string(value).map_err(CommandError::failure)?);
    Ok(())
}
