//! `hotspell demo`: the whole loop from one command, then the daemon on a loopback port.

use std::io::Write as _;
use std::net::{Ipv4Addr, TcpListener};
use std::path::PathBuf;
use std::time::Instant;

use clap::Args;
use tokio_util::sync::CancellationToken;

use super::CommandError;
use super::serve::{log_to_stderr, runtime};
use crate::app::token;
use crate::config::{Config, Secret};
use crate::demo::{self, DemoToken, Printed};
use crate::server::{self, Hooks};

/// Arguments of the demo.
#[derive(Debug, Clone, Args)]
pub(crate) struct DemoArgs {
    /// End after the print instead of serving.
    #[arg(long)]
    exit: bool,
    /// Port to serve on; a free one if absent.
    #[arg(long, default_value_t = 0)]
    port: u16,
    /// Folder for the database and the mails; a throw-away one if absent.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

/// Runs the demo; `hooks` are what the daemon serves beside the API.
pub(crate) fn run(args: &DemoArgs, hooks: Hooks) -> Result<(), CommandError> {
    let begun = Instant::now();
    let progress = move |text: &str| {
        // Progress is for a person who waits; a closed terminal must not end the demo.
        drop(writeln!(std::io::stderr(), "{:>5.1} s  {text}", begun.elapsed().as_secs_f64()));
    };
    let throw_away;
    let folder = match &args.folder {
        Some(folder) => {
            std::fs::create_dir_all(folder).map_err(CommandError::failure)?;
            folder.clone()
        }
        None => {
            throw_away = tempfile::Builder::new()
                .prefix("hotspell-demo-")
                .tempdir()
                .map_err(CommandError::failure)?;
            throw_away.path().to_owned()
        }
    };
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, args.port)).map_err(|error| {
        CommandError::Input(format!("--port {}: cannot listen: {error}", args.port))
    })?;
    let port = listener.local_addr().map_err(CommandError::failure)?.port();
    let mut config = Config::default();
    config.server.public_url = format!("http://127.0.0.1:{port}");
    config.mail.folder = folder.join("outbox");
    // Into a folder, all at once.
    config.mail.per_minute = u32::MAX;
    config.log.filter = "warn".to_owned();
    let database = folder.join("demo.db");
    if database.exists() {
        return Err(CommandError::Input(format!(
            "{} is already there; name another --folder",
            database.display()
        )));
    }
    config.links.signing_key = Some(Secret::new(token::generate().map_err(CommandError::failure)?));
    log_to_stderr(&config)?;
    let outbox = config.mail.folder.clone();
    let url = format!("sqlite:{}", database.display());
    let (state, scenario, tokens) =
        demo::prepare(&url, config, &progress).map_err(CommandError::failure)?;
    runtime()?.block_on(async {
        let run = demo::run_loop(&state, &scenario, tokens, &progress)
            .await
            .map_err(CommandError::failure)?;
        progress("done");
        let printed = Printed::of(&state, &run, &outbox).map_err(CommandError::failure)?;
        println!("{printed}");
        if args.exit {
            return Ok(());
        }
        crate::jobs::driver::mark_done(&state, &run.branch).map_err(CommandError::failure)?;
        say_what_to_open(port, &run.tokens);
        let stop = CancellationToken::new();
        server::stop_on_signal(stop.clone()).map_err(CommandError::failure)?;
        server::run(state, listener, hooks, stop).await.map_err(CommandError::failure)
    })
}

fn say_what_to_open(port: u16, tokens: &[DemoToken]) {
    println!("Open http://127.0.0.1:{port}/sign-in and paste one of these access tokens:");
    for token in tokens {
        println!("  {:<11} {}  ({})", token.role.as_str(), token.token, token.name);
    }
    println!("The office starts at /office/season, a technician at /technician/today,");
    println!("a homeowner with the link in a reminder mail. The API is described at /docs.");
    println!("ctrl-c ends the demo and throws its database away.");
}
