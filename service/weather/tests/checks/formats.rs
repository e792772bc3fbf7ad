//! Real files of each format, and files that must be refused with a reason.

use chrono::{FixedOffset, Utc};
use hotspell_weather::formats::nws::{forecast, gridpoint, observations};
use hotspell_weather::formats::{
    Element, Format, ReadOptions, WeatherRecord, climate_normals, detect, epw, ghcn_csv, ghcn_dly,
    read_record,
};
use hotspell_weather::quality::FindingKind;
use hotspell_weather::series::StationSeries;
use hotspell_weather::temperature::TemperatureUnit;

use crate::support::{assert_close, assert_within, daily, data, open, phoenix, table};

fn read(text: &str) -> Result<WeatherRecord, String> {
    read_record(text.as_bytes(), &ReadOptions::default()).map_err(|error| error.to_string())
}

fn days(text: &str) -> StationSeries {
    match read(text).unwrap() {
        WeatherRecord::Daily(series) => series,
        WeatherRecord::Hourly(_) => panic!("days expected"),
    }
}

#[test]
fn every_real_file_is_recognised() {
    for (name, format) in [
        ("ghcnd_byyear_style_USW00023234.csv", Format::GhcnCsv),
        ("normals_daily_1991-2020_USW00094765.csv", Format::NormalsDaily),
        ("normals_monthly_1991-2020_USW00094765.csv", Format::NormalsMonthly),
        ("nws_gridpoint_TAE_58_65.json", Format::NwsGridpoint),
        ("nws_gridpoint_FWD_89_104.json", Format::NwsGridpoint),
        ("nws_forecast_FWD_89_104.json", Format::NwsForecast),
        ("nws_forecast_TAE_2019_us.json", Format::NwsForecast),
        ("nws_forecast_hourly_FWD_89_104.json", Format::NwsForecast),
        ("seattle-weather.csv", Format::Plain),
        ("hourly_EWR_2013.csv", Format::Plain),
        ("weather_quality_input.csv", Format::Plain),
    ] {
        let head = std::fs::read(data(name)).unwrap();
        assert_eq!(detect(&head[..head.len().min(8192)]).unwrap(), format, "{name}");
    }
}

/// GHCN-Daily by-year columns, San Francisco Airport.
#[test]
fn the_by_year_columns_are_read_with_their_flags() {
    let series = daily("ghcnd_byyear_style_USW00023234.csv", &ReadOptions::default());
    let first = series.days.first().unwrap();
    assert_eq!(first.date.to_string(), "2014-01-01");
    assert_within(first.tmax_celsius, 13.3, 1e-12, "tmax");
    assert_within(first.tmin_celsius, 5.0, 1e-12, "tmin");
    assert!(series.days.len() > 390);
}

/// The same days written in three layouts of the archive give the same series.
#[test]
fn three_layouts_of_the_archive_agree() {
    let mut dly = format!("USW00023183{}{:02}TMAX", 2023, 7);
    let mut low = format!("USW00023183{}{:02}TMIN", 2023, 7);
    let mut by_element = String::new();
    let mut by_day = String::from(
        "\"STATION\",\"DATE\",\"NAME\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"\n",
    );
    let range = hotspell_weather::series::DayRange {
        first: "2023-07-01".parse().unwrap(),
        last: "2023-07-31".parse().unwrap(),
    };
    let expected = phoenix().days_within(range);
    assert_eq!(expected.len(), 31);
    for day in expected {
        let tenths = |celsius: f64| (celsius * 10.0).round() as i32;
        let (high, night) = (tenths(day.tmax_celsius), tenths(day.tmin_celsius));
        dly.push_str(&format!("{high:5}  W"));
        low.push_str(&format!("{night:5}  W"));
        let date = day.date.format("%Y%m%d");
        by_element.push_str(&format!("USW00023183,{date},TMAX,{high},,,W,2400\n"));
        by_element.push_str(&format!("USW00023183,{date},TMIN,{night},,,W,2400\n"));
        by_day.push_str(&format!(
            "\"USW00023183\",\"{}\",\"PHOENIX AIRPORT, AZ US\",\"  {high}\",\",,W\",\"  {night}\",\",,W\"\n",
            day.date
        ));
    }
    for text in [format!("{dly}\n{low}\n"), by_element, by_day] {
        let series = days(&text);
        assert_eq!((series.station.as_str(), series.days.as_slice()), ("USW00023183", expected));
        assert!(series.findings.is_empty());
    }
}

#[test]
fn a_failed_quality_check_of_the_archive_drops_the_day() {
    let text = "USW00023183,20230701,TMAX,433,,,W,\nUSW00023183,20230701,TMIN,300,,I,W,\n\
                USW00023183,20230702,TMAX,444,,,W,\nUSW00023183,20230702,TMIN,311,,,W,\n";
    let series = days(text);
    assert_eq!(series.days.len(), 1);
    assert_eq!(series.findings[0].finding, FindingKind::Flagged);
}

#[test]
fn a_value_given_twice_is_kept_once_or_dropped() {
    let line = |day: u32, element: &str, value: i32| {
        format!("USW00023183,202307{day:02},{element},{value},,,W,\n")
    };
    let mut text = String::new();
    for day in 1..=3 {
        text.push_str(&line(day, "TMAX", 400));
        text.push_str(&line(day, "TMIN", 300));
    }
    text.push_str(&line(2, "TMAX", 400));
    text.push_str(&line(3, "TMAX", 410));
    let series = days(&text);
    let kinds: Vec<_> =
        series.findings.iter().map(|found| (found.first_day.to_string(), found.finding)).collect();
    assert_eq!(
        kinds,
        [
            ("2023-07-02".to_owned(), FindingKind::DuplicateSame),
            ("2023-07-03".to_owned(), FindingKind::DuplicateConflict),
        ]
    );
    assert_eq!(series.days.len(), 2);
}

#[test]
fn one_station_is_picked_out_of_a_year_of_many() {
    let mut text = String::new();
    for station in ["USW00000001", "USW00000002"] {
        text.push_str(&format!("{station},20230701,TMAX,433,,,W,2400\n{station},20230701,PRCP,0,,,W,\n{station},20230701,TMIN,300,,,W,2400\n"));
    }
    let several = read(&text).unwrap_err();
    assert!(several.contains("USW00000001") && several.contains("choose one"), "{several}");
    let series = ghcn_csv::read(text.as_bytes(), Some("USW00000002")).unwrap();
    assert_eq!((series.station.as_str(), series.days.len()), ("USW00000002", 1));
    let absent = ghcn_csv::read(text.as_bytes(), Some("USW00000003")).unwrap_err().to_string();
    assert!(absent.contains("USW00000003 is not in the file"), "{absent}");
}

#[test]
fn a_stream_of_a_fixed_width_file_yields_each_element() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../seed/weather/ghcnd_USW00023183.dly");
    let mut highest = f64::MIN;
    ghcn_dly::visit(open(path), |station, value| {
        assert_eq!(station, b"USW00023183");
        if value.element == Element::Tmax && value.quality_flag.is_none() {
            highest = highest.max(value.celsius.unwrap_or(f64::MIN));
        }
        Ok(())
    })
    .unwrap();
    // 122 °F on 26 June 1990, the station's record.
    assert_within(highest, 50.0, 1e-9, "record high");
}

/// Source: api.weather.gov documents kept by public test suites; values counted apart.
#[test]
fn gridpoint_values_stand_for_their_whole_interval() {
    let grid = "TAE_58_65";
    let forecast = gridpoint::read(open(data("nws_gridpoint_TAE_58_65.json"))).unwrap();
    let rows = table("weather_nws_gridpoint.csv");
    let wanted = |quantity: &str| {
        let row = rows
            .iter()
            .find(|row| row.text("gridpoint") == grid && row.text("quantity") == quantity);
        row.unwrap().text("value").to_owned()
    };
    let number = |quantity: &str| wanted(quantity).parse::<f64>().unwrap();
    let hours = forecast.hours();
    let above = |base: f64, unit: TemperatureUnit| -> f64 {
        hours.iter().map(|(_, celsius)| (unit.from_celsius(*celsius) - base).max(0.0)).sum()
    };
    assert_eq!(forecast.updated.to_rfc3339(), wanted("update"));
    assert_eq!(forecast.temperature_celsius.len().to_string(), wanted("temperature_entries"));
    assert_eq!(hours.len().to_string(), wanted("temperature_hours"));
    assert_within(
        above(65.0, TemperatureUnit::Fahrenheit),
        number("degree_hours_65F"),
        1e-9,
        "65F",
    );
    assert_within(above(18.0, TemperatureUnit::Celsius), number("degree_hours_18C"), 1e-9, "18C");
    let highs = forecast.max_temperature_celsius.iter().filter_map(|entry| entry.value);
    assert_close(highs.fold(f64::MIN, f64::max), number("max_t_C"), "max");
    assert_eq!(
        forecast.max_temperature_celsius.len().to_string(),
        wanted("maxTemperature_entries")
    );
    assert_eq!(
        forecast.min_temperature_celsius.len().to_string(),
        wanted("minTemperature_entries")
    );
    let nulls = forecast.heat_index_celsius.iter().filter(|entry| entry.value.is_none()).count();
    assert_eq!(nulls.to_string(), wanted("heatIndex_nulls"));
    assert_eq!(forecast.valid.hours(), 7 * 24 + 14);
}

/// The values of the other document are sound, its times are placeholders: with true times in
/// their place it reads like any other, as it stands it is refused.
#[test]
fn gridpoint_times_that_are_no_times_are_refused() {
    let text = std::fs::read_to_string(data("nws_gridpoint_FWD_89_104.json")).unwrap();
    let refused = gridpoint::read(text.as_bytes()).unwrap_err().to_string();
    assert!(refused.contains("date:now:hour 0 hours / PT1H"), "{refused}");

    let start = chrono::DateTime::parse_from_rfc3339("2024-10-01T10:00:00+00:00").unwrap();
    let mut mended = String::new();
    for line in text.lines() {
        match line.split_once("\"date:now:hour ") {
            Some((before, placeholder)) if placeholder.contains(" hours / ") => {
                let (hours, duration) = placeholder.split_once(" hours / ").unwrap();
                let at = start + chrono::TimeDelta::hours(hours.parse().unwrap());
                mended.push_str(&format!("{before}\"{}/{duration}\n", at.to_rfc3339()));
            }
            _ => {
                mended.push_str(line);
                mended.push('\n');
            }
        }
    }
    let forecast = gridpoint::read(mended.as_bytes()).unwrap();
    let rows = table("weather_nws_gridpoint.csv");
    let wanted = |quantity: &str| {
        let row = rows
            .iter()
            .find(|row| row.text("gridpoint") == "FWD_89_104" && row.text("quantity") == quantity);
        row.unwrap().text("value").to_owned()
    };
    let hours = forecast.hours();
    assert_eq!(hours.len().to_string(), wanted("temperature_hours"));
    assert_eq!(forecast.temperature_celsius.len().to_string(), wanted("temperature_entries"));
    let above: f64 = hours
        .iter()
        .map(|(_, c)| (TemperatureUnit::Fahrenheit.from_celsius(*c) - 65.0).max(0.0))
        .sum();
    assert_within(above, wanted("degree_hours_65F").parse().unwrap(), 1e-6, "65F");
    let nulls = forecast.heat_index_celsius.iter().filter(|entry| entry.value.is_none()).count();
    assert_eq!(nulls.to_string(), wanted("heatIndex_nulls"));
}

#[test]
fn gridpoint_days_pair_a_night_with_the_day_that_follows() {
    let forecast = gridpoint::read(open(data("nws_gridpoint_TAE_58_65.json"))).unwrap();
    let eastern = FixedOffset::west_opt(5 * 3600).unwrap();
    let local = forecast.daily(&eastern);
    assert!(local.len() >= 7, "{}", local.len());
    assert!(local.windows(2).all(|pair| pair[0].date < pair[1].date));
    // The document's own hours agree with its extremes to the rounding of the layers.
    let hourly = forecast.local_hours(&eastern).daily_extremes(24);
    for day in &hourly.days {
        let of_layers = local.iter().find(|other| other.date == day.date).unwrap();
        assert_within(of_layers.tmax_celsius, day.tmax_celsius, 1.2, "tmax");
    }
}

#[test]
fn forecast_periods_are_read_with_their_units() {
    let rows = table("weather_nws_forecast.csv");
    for file in
        ["nws_forecast_FWD_89_104", "nws_forecast_hourly_FWD_89_104", "nws_forecast_TAE_2019_us"]
    {
        let forecast = forecast::read(open(data(&format!("{file}.json")))).unwrap();
        let wanted = |quantity: &str| {
            let row = rows
                .iter()
                .find(|row| row.text("file") == file && row.text("quantity") == quantity);
            row.unwrap().text("value").to_owned()
        };
        let values: Vec<f64> =
            forecast.periods.iter().filter_map(|period| period.temperature).collect();
        assert_eq!(forecast.periods.len().to_string(), wanted("periods"), "{file}");
        assert!(
            forecast.periods.iter().all(|period| period.unit.symbol() == wanted("unit")),
            "{file}"
        );
        let daytime = forecast.periods.iter().filter(|period| period.is_daytime).count();
        assert_eq!(daytime.to_string(), wanted("daytime"), "{file}");
        let number = |quantity: &str| wanted(quantity).parse::<f64>().unwrap();
        assert_within(values.iter().copied().fold(f64::MIN, f64::max), number("t_max"), 1e-9, file);
        assert_within(values.iter().copied().fold(f64::MAX, f64::min), number("t_min"), 1e-9, file);
        let excess: f64 = values.iter().map(|value| (value - 65.0).max(0.0)).sum();
        assert_within(excess, number("sum_excess_over_65F"), 1e-9, file);
    }
}

#[test]
fn forecast_periods_without_true_times_give_no_days() {
    let forecast = forecast::read(open(data("nws_forecast_FWD_89_104.json"))).unwrap();
    let refused = forecast.daily().unwrap_err().to_string();
    assert!(refused.contains("startTime"), "{refused}");
}

#[test]
fn observations_become_local_hours_and_rejected_ones_are_left_out() {
    let feature = |hour: u32, celsius: &str, control: &str| {
        format!(
            r#"{{"type":"Feature","properties":{{"@type":"wx:ObservationStation","station":"https://weather.test/stations/KPHX","timestamp":"2024-07-02T{hour:02}:51:00+00:00","temperature":{{"unitCode":"wmoUnit:degC","value":{celsius},"qualityControl":"{control}"}},"relativeHumidity":{{"unitCode":"wmoUnit:percent","value":20}}}}}}"#
        )
    };
    let features: Vec<String> = (0..24)
        .map(|hour| match hour {
            5 => feature(hour, "null", "Z"),
            6 => feature(hour, "99.0", "X"),
            _ => feature(hour, &format!("{}", 20 + hour), "V"),
        })
        .collect();
    let text = format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, features.join(","));
    assert_eq!(detect(text.as_bytes()).unwrap(), Format::NwsObservations);
    let taken = observations::read(text.as_bytes()).unwrap();
    assert_eq!(taken.station, "KPHX");
    let series = taken.local_hours(&Utc).daily_extremes(22);
    assert_eq!(series.days.len(), 1);
    assert_within(series.days[0].tmax_celsius, 43.0, 1e-9, "tmax");
}

/// A small file in the layout of the `EnergyPlus` manual, written here: 26 °C by day from 9 to 20
/// hours, 16 °C else.
fn small_epw(rows: usize) -> String {
    let mut text = String::from("LOCATION,Example City,CA,USA,TMY,999999,33.8,-118.1,-8.0,12.0\n");
    for header in [
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1",
        "COMMENTS 2",
        "DATA PERIODS,1,1,Data,Sunday,1/1,12/31",
    ] {
        text.push_str(header);
        text.push('\n');
    }
    for row in 0..rows {
        let (day, hour) = (1 + row / 24, 1 + row % 24);
        let year = if day > 15 { 1987 } else { 1991 };
        let celsius = if (9..=20).contains(&hour) { 26.0 } else { 16.0 };
        text.push_str(&format!("{year},7,{day},{hour},0,?9?9?9,{celsius:.1},5.0,45,101000,0,0\n"));
    }
    text
}

#[test]
fn an_energyplus_file_counts_hours_that_end_and_mixes_years() {
    let text = small_epw(24 * 31);
    let file = epw::read(text.as_bytes()).unwrap();
    assert_eq!(
        (file.city.as_str(), file.station.as_str(), file.hours.len()),
        ("Example City", "999999", 744)
    );
    let series = file.hourly_series();
    assert_eq!(series.hours.len(), 744);
    assert_eq!(series.hours[0].at.to_string(), "2001-07-01 00:00:00");
    let extremes = series.daily_extremes(24);
    assert_eq!(extremes.days.len(), 31);
    let rule = hotspell_weather::degree_days::DegreeDayRule::new(
        hotspell_weather::degree_days::Method::Hourly,
        hotspell_weather::degree_days::Base::CELSIUS_18,
        hotspell_weather::degree_days::Sense::Cooling,
    )
    .unwrap();
    let sums = series.degree_days(&rule, series.covered().unwrap(), 22);
    // Half of each day is 8 K above the base.
    assert_within(sums.total, 31.0 * 4.0, 1e-9, "total");
}

#[test]
fn what_is_wrong_is_said_with_its_line() {
    for (text, hint) in [
        ("date,tmin,tmax\n2023-07-01,1,2\n", "tmin_c or tmin_f"),
        ("date,tmin_c,tmax_c\n2023-07-01,1,2\n01.07.2023,1,2\n", "line 3"),
        ("date,tmin_c,tmax_c\n2023-07-01,cold,2\n", "\"cold\" is not a temperature"),
        ("date,tmin_c,tmax_c\n", "no temperature"),
        ("timestamp,temp_c\nnoon,1\n", "YYYY-MM-DD HH:MM"),
        ("USW00023183,20230701,TMAX,hot,,,W,2400\n", "format cannot be told"),
        ("USW00023183,20230701,TMAX,433,,,W,2400\nUSW00023183,20230702,TMIN,x,,,W,\n", "line 2"),
        ("USW00023183202313TMAX  178  0  172  0\n", "line 1"),
        ("{\"properties\": {\"periods\": 3}}", "not a forecast document"),
        ("{\"a\": 1}", "JSON without the marks"),
        ("", "cannot be told"),
        ("\"STATION\",\"DATE\",\"DLY-CLDD-NORMAL\"\n", "normals"),
    ] {
        let error = read(text).unwrap_err();
        assert!(error.contains(hint), "{text:?}: {error}");
    }
}

#[test]
fn windows_line_ends_empty_lines_and_quoted_breaks_do_not_move_the_line() {
    const NORMALS: &str = "STATION,DATE,NAME,MLY-TAVG-NORMAL\n";
    const ACCESS: &str = "STATION,DATE,NAME,TMAX,TMIN\n";
    let cases = [
        (
            "date,tmin_c,tmax_c,note\n2023-07-01,1,2,\"two\nlines\"\n\n01.07.2023,1,2,\n"
                .to_owned(),
            5,
        ),
        ("timestamp,temp_c\n2023-07-01 00:00,1\n2023-07-01 01:00,x\n".to_owned(), 3),
        (format!("{ACCESS}A,2023-07-01,\"two\nlines\",300,200\n\nA,2023-07-02,,x,200\n"), 5),
        (format!("{NORMALS}A,01,\"two\nlines\",50.0\n\nA,02,,x\n"), 5),
        // A row shorter than its header is the reader's own refusal.
        (format!("{NORMALS}A,01,\"two\nlines\",50.0\n\nA,02\n"), 5),
    ];
    for (text, line) in cases {
        for text in [text.clone(), text.replace('\n', "\r\n")] {
            let refusal = match detect(text.as_bytes()).unwrap() {
                Format::NormalsMonthly => climate_normals::read(text.as_bytes()).unwrap_err(),
                _ => read_record(text.as_bytes(), &ReadOptions::default()).unwrap_err(),
            };
            let said = refusal.to_string();
            assert!(said.starts_with(&format!("line {line}:")), "{said} for {text:?}");
        }
    }
}

#[test]
fn a_line_without_end_does_not_fill_the_memory() {
    let endless = "USW00023183202307TMAX".to_owned() + &" ".repeat(2 << 20);
    let refused = ghcn_dly::read(endless.as_bytes(), None).unwrap_err().to_string();
    assert!(refused.contains("megabyte"), "{refused}");
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_a_reader_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..400), format in 0..10_usize) {
        let format = Some(Format::ALL[format]);
        let read = read_record(bytes.as_slice(), &ReadOptions { format, ..ReadOptions::default() });
        proptest::prop_assert!(read.is_ok() || !read.unwrap_err().to_string().is_empty());
    }

    #[test]
    fn no_near_miss_of_a_line_makes_a_reader_panic(text in "[A-Z0-9,\\- ]{20,60}", format in 0..10_usize) {
        let format = Some(Format::ALL[format]);
        let read = read_record(text.as_bytes(), &ReadOptions { format, ..ReadOptions::default() });
        proptest::prop_assert!(read.is_ok() || !read.unwrap_err().to_string().is_empty());
    }
}
