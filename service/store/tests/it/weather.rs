//! Weather: days with their corrections, forecasts, findings, sources, stations of an office.

use chrono::TimeDelta;
use hotspell_domain::DateRange;
use hotspell_store::weather::{DaysStored, Finding, Forecast, ForecastDay, NewStation, WeatherDay};
use hotspell_store::weather_sources::{self, WeatherSource};
use hotspell_store::words::StationId;
use hotspell_store::{StoreError, branch_stations, weather};

use crate::fixture::{day, fixture, now, on_both};

type Outcome = Result<(), StoreError>;

fn weather_day(date: &str, tmin: f64, tmax: f64) -> WeatherDay {
    WeatherDay {
        day: day(date),
        tmin_celsius: Some(tmin),
        tmax_celsius: Some(tmax),
        source: "ghcn-daily".to_owned(),
        flag: None,
    }
}

fn station(key: &str) -> NewStation {
    NewStation {
        key: key.to_owned(),
        name: "EXAMPLETON AIRPORT".to_owned(),
        latitude_degrees: 33.5,
        longitude_degrees: -112.0,
        elevation_metres: None,
    }
}

on_both! {
    fn a_corrected_weather_day_keeps_what_it_said_before(store: &Store) {
        let station = NewStation {
            key: "XX000000001".to_owned(),
            name: "EXAMPLETON AIRPORT".to_owned(),
            latitude_degrees: 33.43,
            longitude_degrees: -112.0,
            elevation_metres: Some(337.4),
        };
        let id = store.write(|c| weather::put_station(c, &station, now())).unwrap().id;
        assert_eq!(store.write(|c| weather::put_station(c, &station, now())).unwrap().id, id);
        let first = [weather_day("2025-06-01", 24.4, 40.6), weather_day("2025-06-02", 25.0, 41.7)];
        let put = |days: &[WeatherDay]| store.write(|c| weather::put_days(c, id, days, now())).unwrap();
        assert_eq!(put(&first), DaysStored { inserted: 2, ..DaysStored::default() });
        let second = [first[0].clone(), weather_day("2025-06-02", 25.0, 42.2), weather_day("2025-06-03", 26.1, 43.0)];
        let last_altered = Some(day("2025-06-02"));
        assert_eq!(put(&second), DaysStored { inserted: 1, corrected: 1, unchanged: 1, last_altered });
        let june = DateRange::new(day("2025-06-01"), day("2025-06-30")).unwrap();
        store.read(|c| -> Outcome {
            assert_eq!(weather::days(c, id, june)?, second);
            let earlier = weather::corrections(c, id, june)?;
            assert_eq!((earlier.len(), earlier[0].tmax_celsius), (1, Some(41.7)));
            assert_eq!(weather::stored_range(c, id)?, DateRange::new(day("2025-06-01"), day("2025-06-03")));
            Ok(())
        }).unwrap();
    }

    fn a_day_that_was_missing_between_stored_days_counts_as_altered(store: &Store) {
        let id = store.write(|c| weather::put_station(c, &station("XX000000002"), now())).unwrap().id;
        let put = |days: &[WeatherDay]| store.write(|c| weather::put_days(c, id, days, now())).unwrap();
        let begin = put(&[weather_day("2025-06-01", 24.4, 40.6), weather_day("2025-06-04", 25.0, 41.7)]);
        assert_eq!(begin.last_altered, None, "nobody can have read an empty record");
        let filled = put(&[weather_day("2025-06-03", 25.0, 41.0)]);
        assert_eq!((filled.inserted, filled.last_altered), (1, Some(day("2025-06-03"))));
        let next = put(&[weather_day("2025-06-05", 25.0, 41.0)]);
        assert_eq!((next.inserted, next.last_altered), (1, None), "the day after the last is merely new");
    }

    fn the_newest_forecast_of_an_instant_is_found(store: &Store) {
        let station = NewStation {
            key: "XX000000001".to_owned(),
            name: "EXAMPLETON AIRPORT".to_owned(),
            latitude_degrees: 33.43,
            longitude_degrees: -112.0,
            elevation_metres: None,
        };
        let id = store.write(|c| weather::put_station(c, &station, now())).unwrap().id;
        let forecast = |hours: i64, tmax: f64| Forecast {
            issued_at: now() + TimeDelta::hours(hours),
            days: vec![ForecastDay {
                day: day("2026-03-03"),
                tmin_celsius: Some(12.0),
                tmax_celsius: Some(tmax),
                source: "example".to_owned(),
            }],
        };
        let early = forecast(-12, 27.0);
        let late = forecast(-1, 29.5);
        for forecast in [&late, &early] {
            assert_eq!(store.write(|c| weather::put_forecast(c, id, forecast, now())).unwrap(), 1);
            assert_eq!(store.write(|c| weather::put_forecast(c, id, forecast, now())).unwrap(), 0);
        }
        let at = |hours: i64| {
            store.read(|c| weather::latest_forecast(c, id, now() + TimeDelta::hours(hours))).unwrap()
        };
        assert_eq!((at(0), at(-6), at(-24)), (Some(late), Some(early), None));
        let finding = Finding {
            day: Some(day("2026-03-03")),
            kind: "gap".to_owned(),
            detail: "no minimum".to_owned(),
            found_at: now(),
            last_day: Some(day("2026-03-04")),
            value_celsius: Some(52.5),
            expected_low_celsius: Some(4.25),
            expected_high_celsius: Some(41.0),
            remedy: Some("kept".to_owned()),
        };
        store.write(|c| weather::insert_findings(c, id, std::slice::from_ref(&finding))).unwrap();
        let kept = store.read(|c| weather::findings(c, id, 5)).unwrap();
        assert_eq!(kept, std::slice::from_ref(&finding));
        let about_none = Finding { day: None, ..finding.clone() };
        let earlier = Finding { day: Some(day("2026-03-01")), ..finding.clone() };
        let more = [about_none, earlier.clone()];
        store.write(|c| weather::insert_findings(c, id, &more)).unwrap();
        let latest = store.read(|c| weather::latest_findings(c, id, 5)).unwrap();
        assert_eq!(latest, [finding, earlier]);
    }

    fn an_office_has_further_stations_and_none_twice(store: &Store) {
        let f = fixture(store);
        let put = |key: &str| {
            store.write(|c| weather::put_station(c, &station(key), now())).unwrap().id
        };
        let (one, other) = (put("K1"), put("K2"));
        let set = |ids: &[StationId]| store.write(|c| branch_stations::set(c, f.branch, ids));
        let list = || store.read(|c| branch_stations::list(c, f.branch)).unwrap();
        assert_eq!(list(), []);
        assert!(set(&[other, one]).unwrap());
        assert_eq!(list(), [one, other]);
        assert!(!set(&[one, other]).unwrap());
        assert!(matches!(set(&[one, one]), Err(StoreError::Conflict { .. })));
        assert!(matches!(set(&[StationId(4711)]), Err(StoreError::ForeignKey(_))));
        assert_eq!(list(), [one, other], "a refused list changes nothing");
        assert!(set(&[]).unwrap());
    }

    fn what_a_source_said_is_kept_of_each_station_and_address(store: &Store) {
        let put = |key: &str| {
            store.write(|c| weather::put_station(c, &station(key), now())).unwrap().id
        };
        let (one, other) = (put("K1"), put("K2"));
        let find = |id, url: &str| store.read(|c| weather_sources::find(c, id, url)).unwrap();
        let url = "https://weather.example.com/a.csv";
        assert_eq!(find(one, url), WeatherSource::default());
        let stored = WeatherSource {
            etag: Some("\"a1\"".to_owned()),
            last_modified: Some("Fri, 21 Jun 2024 08:00:00 GMT".to_owned()),
            stored_at: Some(now()),
            retry_at: None,
        };
        store.write(|c| weather_sources::put(c, one, url, &stored)).unwrap();
        assert_eq!(find(one, url), stored);
        let waits = WeatherSource { retry_at: Some(now() + TimeDelta::hours(1)), ..stored };
        store.write(|c| weather_sources::put(c, one, url, &waits)).unwrap();
        assert_eq!(find(one, url), waits);
        assert_eq!(find(other, url), WeatherSource::default());
        assert_eq!(find(one, "https://weather.example.com/b.csv"), WeatherSource::default());
    }
}
