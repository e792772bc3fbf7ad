//! `hotspell branch add`, `hotspell account add`: the first steps that no token can make.

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use hotspell_domain::{Position, Role, TemperatureUnit};
use hotspell_store::accounts::AccountFields;
use hotspell_store::audit::NewAudit;
use hotspell_store::branches::{self, BranchFields, BranchRecord};
use hotspell_store::weather::{self, NewStation};
use hotspell_store::words::{Resource, StationId};
use hotspell_store::{AnyConnection, Page, StoreError, WeekdaySet, audit, contacts, technicians};

use super::CommandError;
use super::serve::{ConfigArg, open_store};
use crate::api::auth::password;
use crate::app::{accounts, token};
use crate::clock::{Clock as _, SystemClock};

/// What is done to accounts.
#[derive(Debug, Subcommand)]
pub(crate) enum AccountCommand {
    /// Create an account with a token, which is printed once.
    Add(AddAccount),
}

/// What is done to branches.
#[derive(Debug, Subcommand)]
pub(crate) enum BranchCommand {
    /// Create a branch.
    Add(AddBranch),
}

/// A new account.
#[derive(Debug, Args)]
pub(crate) struct AddAccount {
    #[command(flatten)]
    config: ConfigArg,
    /// Key of the branch; may be left out while there is only one.
    #[arg(long)]
    branch: Option<String>,
    /// What the account may do: office, technician or homeowner.
    #[arg(long)]
    role: Role,
    /// As shown.
    #[arg(long)]
    name: String,
    /// Mail address, with which the person signs in.
    #[arg(long)]
    email: String,
    /// Key of the technician, for that role.
    #[arg(long, required_if_eq("role", "technician"))]
    technician: Option<String>,
    /// Key of the contact, for a homeowner.
    #[arg(long, required_if_eq("role", "homeowner"))]
    contact: Option<String>,
    /// Read a password for the pages from standard input.
    #[arg(long)]
    password_stdin: bool,
    /// Name of the token.
    #[arg(long, default_value = "made on the command line")]
    label: String,
}

/// A new branch.
#[derive(Debug, Args)]
pub(crate) struct AddBranch {
    #[command(flatten)]
    config: ConfigArg,
    /// Your own name of it.
    #[arg(long)]
    key: String,
    /// As households know it.
    #[arg(long)]
    name: String,
    /// Its time zone (IANA name), such as America/Chicago.
    #[arg(long)]
    time_zone: chrono_tz::Tz,
    /// Postal address for the footer of every mail.
    #[arg(long)]
    postal_address: String,
    /// In which temperatures are read: degF or degC.
    #[arg(long, default_value = "degF")]
    temperature_unit: TemperatureUnit,
    /// Where trucks start: latitude and longitude in degrees, such as 33.44,-112.02.
    #[arg(long, value_parser = position, allow_hyphen_values = true)]
    depot: Option<Position>,
    /// Weather station that it goes by: its id in GHCN-Daily, such as USW00023183.
    #[arg(long, requires = "station_at")]
    station: Option<String>,
    /// Where the station stands: latitude and longitude in degrees.
    #[arg(long, requires = "station", value_parser = position, allow_hyphen_values = true)]
    station_at: Option<Position>,
}

/// Latitude and longitude with a comma between them.
fn position(text: &str) -> Result<Position, String> {
    let expected = || format!("«{text}» is no position; expected such as 33.44,-112.02");
    let (latitude, longitude) = text.split_once(',').ok_or_else(expected)?;
    let degrees = |text: &str| text.trim().parse::<f64>().map_err(|_| expected());
    Position::new(degrees(latitude)?, degrees(longitude)?).map_err(|error| error.to_string())
}

/// Runs `hotspell account …`; the token is the only thing on standard output.
pub(crate) fn run_account(command: &AccountCommand) -> Result<(), CommandError> {
    let AccountCommand::Add(add) = command;
    let config = add.config.load()?;
    let hash = if add.password_stdin { Some(read_password()?) } else { None };
    let secret = token::generate().map_err(CommandError::failure)?;
    open_store(&config)?.write(|conn| insert(conn, add, hash, &secret))?;
    println!("{secret}");
    Ok(())
}

/// Runs `hotspell branch …`.
pub(crate) fn run_branch(command: &BranchCommand) -> Result<(), CommandError> {
    let BranchCommand::Add(add) = command;
    let config = add.config.load()?;
    let fields = BranchFields {
        key: add.key.trim().to_owned(),
        name: add.name.trim().to_owned(),
        time_zone: add.time_zone,
        station_id: None,
        temperature_unit: add.temperature_unit,
        // 65 degF is the trade's usual base; 18.3 degC is the same.
        degree_day_base: match add.temperature_unit {
            TemperatureUnit::DegF => 65.0,
            TemperatureUnit::DegC => 18.3,
        },
        depot_latitude_degrees: add.depot.map(|depot| depot.latitude_degrees),
        depot_longitude_degrees: add.depot.map(|depot| depot.longitude_degrees),
        postal_address: add.postal_address.trim().to_owned(),
        phone: None,
        reply_to: None,
        quiet_from: None,
        quiet_until: None,
        working_weekdays: WeekdaySet::MONDAY_TO_FRIDAY,
        mains_hertz: 60.0,
    };
    let record = open_store(&config)?
        .write(|conn| {
            let now = SystemClock.now();
            let station_id = match add.station.as_ref().zip(add.station_at) {
                None => None,
                Some((key, at)) => Some(named_station(conn, key.trim(), at, now)?),
            };
            branches::insert(conn, &BranchFields { station_id, ..fields }, now)
        })
        .map_err(refused)?;
    println!("{}", record.id);
    Ok(())
}

/// The station of this key, which is new if nobody has named it before.
fn named_station(
    conn: &mut AnyConnection,
    key: &str,
    at: Position,
    now: DateTime<Utc>,
) -> Result<StationId, StoreError> {
    if let Some(known) =
        weather::stations(conn, Page::everything())?.into_iter().find(|known| known.key == key)
    {
        return Ok(known.id);
    }
    let station = NewStation {
        key: key.to_owned(),
        name: key.to_owned(),
        latitude_degrees: at.latitude_degrees,
        longitude_degrees: at.longitude_degrees,
        elevation_metres: None,
    };
    Ok(weather::put_station(conn, &station, now)?.id)
}

fn read_password() -> Result<String, CommandError> {
    let mut line = String::new();
    std::io::stdin().read_line(&mut line).map_err(CommandError::failure)?;
    password::hash(line.trim_end_matches(['\r', '\n']))
        .map_err(|error| CommandError::Input(format!("password: {error}")))
}

impl From<StoreError> for CommandError {
    fn from(error: StoreError) -> Self {
        refused(error)
    }
}

/// A rule that the input breaks is the input's fault; all else is a failure.
fn refused(error: StoreError) -> CommandError {
    match error {
        StoreError::Conflict { .. } | StoreError::Check(_) | StoreError::NotFound(_) => {
            CommandError::Input(error.to_string())
        }
        other => CommandError::failure(other),
    }
}

/// The branch that is meant.
pub(crate) fn chosen_branch(
    conn: &mut AnyConnection,
    key: Option<&str>,
) -> Result<BranchRecord, CommandError> {
    let known = branches::list(conn, None, Page::everything())?;
    let keys = || known.iter().map(|branch| branch.key.clone()).collect::<Vec<_>>().join(", ");
    match (key, known.as_slice()) {
        (_, []) => Err(CommandError::Input(
            "there is no branch yet; make one with hotspell branch add".to_owned(),
        )),
        (None, [only]) => Ok(only.clone()),
        (None, _) => Err(CommandError::Input(format!("name one with --branch: {}", keys()))),
        (Some(key), _) => known.iter().find(|branch| branch.key == key).cloned().ok_or_else(|| {
            CommandError::Input(format!("there is no branch {key}; there are: {}", keys()))
        }),
    }
}

fn insert(
    conn: &mut AnyConnection,
    add: &AddAccount,
    password_hash: Option<String>,
    secret: &str,
) -> Result<(), CommandError> {
    let now = SystemClock.now();
    let branch = chosen_branch(conn, add.branch.as_deref())?.id;
    let missing = |what: &str, key: &str| CommandError::Input(format!("there is no {what} {key}"));
    let technician_id = match &add.technician {
        None => None,
        Some(key) => Some(
            technicians::find_by_key(conn, branch, key)?
                .ok_or_else(|| missing("technician", key))?
                .id,
        ),
    };
    let contact_id = match &add.contact {
        None => None,
        Some(key) => Some(
            contacts::find_by_key(conn, branch, key)?.ok_or_else(|| missing("contact", key))?.id,
        ),
    };
    let fields = AccountFields {
        name: add.name.trim().to_owned(),
        email: add.email.trim().to_lowercase(),
        role: add.role,
        password_hash,
        technician_id,
        contact_id,
        disabled: false,
    };
    let account = accounts::open(conn, branch, &fields, (&add.label, secret), now)?;
    let entry = NewAudit {
        at: now,
        account_id: None,
        action: "create on the command line".to_owned(),
        subject_kind: Resource::Account.as_str().to_owned(),
        subject_id: Some(account.id.0),
        before_json: None,
        after_json: Some(serde_json::json!({ "email": fields.email, "role": fields.role })),
    };
    audit::insert(conn, branch, entry)?;
    Ok(())
}
