//! `hotspell bounce`: what the mail server pipes in when a notice comes back.

use std::io::Read as _;

use clap::Args;
use hotspell_notices::bounce;

use super::CommandError;
use super::serve::{ConfigArg, open_store};
use crate::app::AppError;
use crate::app::bounces::{self, Returned};
use crate::clock::{Clock as _, SystemClock};

/// Largest report that is read, in bytes; a report returns at most the notice, which is far smaller.
const LIMIT_BYTES: u64 = 10_000_000;

/// Where the database is.
#[derive(Debug, Args)]
pub(crate) struct BounceArgs {
    #[command(flatten)]
    config: ConfigArg,
}

/// Reads one mail from standard input and says what became of each address in it.
pub(crate) fn run(args: &BounceArgs) -> Result<(), CommandError> {
    let config = args.config.load()?;
    let mut mail = Vec::new();
    std::io::stdin()
        .lock()
        .take(LIMIT_BYTES + 1)
        .read_to_end(&mut mail)
        .map_err(CommandError::failure)?;
    if mail.len() as u64 > LIMIT_BYTES {
        return Err(CommandError::Input(format!("the mail is larger than {LIMIT_BYTES} bytes")));
    }
    let report = bounce::parse(&mail).map_err(|error| CommandError::Input(error.to_string()))?;
    let (store, now) = (open_store(&config)?, SystemClock.now());
    let outcomes =
        store.write(|conn| bounces::take(conn, &report, now)).map_err(|error| match error {
            AppError::Conflict(why) => CommandError::Input(why),
            error => CommandError::failure(error),
        })?;
    for outcome in outcomes {
        println!("{}", sentence(&outcome));
    }
    Ok(())
}

fn sentence(outcome: &Returned) -> String {
    match outcome {
        Returned::Unreachable(address) => format!("{address}: to be reached by telephone now"),
        Returned::KnownUnreachable(address) => format!("{address}: was known not to be reached"),
        Returned::NotForGood(address) => {
            format!("{address}: not refused for good, nothing changes")
        }
        Returned::AddressNotInUse(address) => {
            format!(
                "{address}: the notice did not go to this address, or its person has another by now; \
                 nothing changes"
            )
        }
    }
}
