//! Writes the demo scenario into a folder.

use std::error::Error;
use std::fs;
use std::io::BufReader;
use std::path::PathBuf;

use clap::Parser;
use hotspell_weather::formats::ghcn_dly;

/// Writes the demo scenario: branch.toml and one CSV file for each kind of record.
#[derive(Parser)]
struct Arguments {
    /// Folder to write into; made if it is not there.
    #[arg(long, default_value = "seed/demo")]
    out: PathBuf,
    /// Seed; the same seed gives the same files.
    #[arg(long, default_value_t = hotspell_seed::DEMO_SEED)]
    seed: u64,
    /// The station's daily record, GHCN-Daily fixed width.
    #[arg(long, default_value = "seed/weather/ghcnd_USW00023183.dly")]
    weather: PathBuf,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    let record = fs::File::open(&arguments.weather)
        .map_err(|error| format!("{}: {error}", arguments.weather.display()))?;
    let series = ghcn_dly::read(BufReader::new(record), None)?;
    fs::create_dir_all(&arguments.out)?;
    for file in hotspell_seed::generate(&series, arguments.seed)? {
        let path = arguments.out.join(file.name);
        fs::write(&path, &file.text).map_err(|error| format!("{}: {error}", path.display()))?;
        println!("{} ({} kB)", path.display(), file.text.len() / 1000);
    }
    Ok(())
}
