//! The branch: the office, its station, its calendar and the demo's day.

use serde::Serialize;

use crate::days::{PLAN_FIRST_DAY, PLAN_LAST_DAY, TODAY};

const HEADER: &str = "\
# The demo branch. Written by seed/generator; see seed/README.md. Days and times are text.
";

#[derive(Serialize)]
struct BranchFile {
    branch: Branch,
    station: Station,
    depot: Depot,
    quiet_hours: QuietHours,
    holidays: Vec<Holiday>,
    demo: Demo,
}

#[derive(Serialize)]
struct Branch {
    key: &'static str,
    name: &'static str,
    time_zone: &'static str,
    temperature_unit: &'static str,
    degree_day_base: f64,
    mains_hertz: f64,
    postal_address: &'static str,
    phone: &'static str,
    reply_to: &'static str,
    working_weekdays: [&'static str; 5],
}

#[derive(Serialize)]
struct Station {
    key: &'static str,
    name: &'static str,
    latitude: f64,
    longitude: f64,
    elevation_metres: f64,
    record: &'static str,
}

#[derive(Serialize)]
struct Depot {
    latitude: f64,
    longitude: f64,
}

#[derive(Serialize)]
struct QuietHours {
    from: &'static str,
    until: &'static str,
}

#[derive(Serialize)]
struct Holiday {
    day: &'static str,
    name: &'static str,
}

#[derive(Serialize)]
struct Demo {
    today: String,
    plan_first_day: String,
    plan_last_day: String,
    seed: u64,
}

/// The text of `branch.toml`.
pub(crate) fn text(seed: u64) -> Result<String, toml::ser::Error> {
    let file = BranchFile {
        branch: Branch {
            key: "palo-brea",
            name: "Palo Brea Cooling",
            time_zone: "America/Phoenix",
            temperature_unit: "degF",
            degree_day_base: 65.0,
            mains_hertz: crate::MAINS_HERTZ,
            postal_address: "4100 Tallowbrook Dr, Phoenix, AZ 85000",
            phone: "+16025550100",
            reply_to: "office@palobrea.example.com",
            working_weekdays: ["mon", "tue", "wed", "thu", "fri"],
        },
        // Position and elevation as in NOAA's station list, from memory.
        station: Station {
            key: "USW00023183",
            name: "PHOENIX AP",
            latitude: 33.4278,
            longitude: -112.0039,
            elevation_metres: 337.4,
            record: "weather/ghcnd_USW00023183.dly",
        },
        depot: Depot { latitude: 33.4712, longitude: -112.0574 },
        quiet_hours: QuietHours { from: "20:00", until: "07:30" },
        holidays: vec![
            Holiday { day: "2025-03-31", name: "César Chávez Day" },
            Holiday { day: "2025-04-18", name: "company day" },
            Holiday { day: "2025-05-26", name: "Memorial Day" },
        ],
        demo: Demo {
            today: TODAY.to_string(),
            plan_first_day: PLAN_FIRST_DAY.to_string(),
            plan_last_day: PLAN_LAST_DAY.to_string(),
            seed,
        },
    };
    toml::to_string(&file).map(|body| format!("{HEADER}\n{body}"))
}
