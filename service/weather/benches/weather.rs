//! What the daemon asks of this crate in bulk. Run alone: `cargo bench -p hotspell-weather`.

use std::fs;
use std::hint::black_box;

use chrono::NaiveDate;
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::{ghcn_csv, ghcn_dly};
use hotspell_weather::normals::DayOfYearNormals;
use hotspell_weather::run_hours::{HouseLoad, PartEnvironment};
use hotspell_weather::season::{SeasonDefinition, outlook};
use hotspell_weather::series::StationSeries;

fn phoenix_bytes() -> Vec<u8> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../seed/weather/ghcnd_USW00023183.dly");
    fs::read(path).unwrap_or_default()
}

fn phoenix() -> StationSeries {
    let read = ghcn_dly::read(phoenix_bytes().as_slice(), None);
    read.unwrap_or_else(|_| StationSeries::from_days("", Vec::new()))
}

fn readers(c: &mut Criterion) {
    let bytes = phoenix_bytes();
    let mut group = c.benchmark_group("read");
    group.throughput(Throughput::Bytes(bytes.len() as u64));
    group.bench_function("dly, 65 years of a station", |b| {
        b.iter(|| ghcn_dly::read(black_box(bytes.as_slice()), None));
    });
    let mut by_year = String::new();
    for day in phoenix().days {
        let date = day.date.format("%Y%m%d");
        for (element, celsius) in
            [("TMAX", day.tmax_celsius), ("TMIN", day.tmin_celsius), ("PRCP", 0.0)]
        {
            by_year.push_str(&format!(
                "USW00023183,{date},{element},{:.0},,,W,2400\n",
                celsius * 10.0
            ));
        }
    }
    group.throughput(Throughput::Bytes(by_year.len() as u64));
    group.bench_function("by-year CSV, streamed", |b| {
        b.iter(|| {
            let mut sum = 0.0;
            ghcn_csv::visit(black_box(by_year.as_bytes()), |_, value| {
                sum += value.celsius.unwrap_or_default();
                Ok(())
            })
            .map(|()| sum)
        });
    });
    group.finish();
}

fn degree_days(c: &mut Criterion) {
    let series = phoenix();
    let mut group = c.benchmark_group("degree days, 65 years of a station");
    for method in Method::ALL.into_iter().filter(|method| *method != Method::Hourly) {
        let Ok(rule) = DegreeDayRule::new(method, Base::FAHRENHEIT_65, Sense::Cooling) else {
            continue;
        };
        let mut values = Vec::new();
        group.bench_function(method.name(), |b| {
            b.iter(|| {
                values.clear();
                rule.of_days_into(black_box(&series.days), &mut values).map(|()| values.len())
            });
        });
    }
    let dated: Vec<(NaiveDate, f64)> =
        series.days.iter().map(|day| (day.date, day.mean_celsius())).collect();
    group.bench_function("normals by day of year", |b| {
        b.iter(|| DayOfYearNormals::from_values(black_box(&dated).iter().copied()));
    });
    group.finish();
}

fn loads(c: &mut Criterion) {
    let series = phoenix();
    let load = HouseLoad { balance_celsius: 18.3, design_celsius: 43.0, oversize: 1.15 };
    let part =
        PartEnvironment { cabinet_rise_kelvin: 11.0, sun_rise_kelvin: 6.0, sunlit_share: 0.5 };
    c.bench_function("run hours and part temperature, 65 years of a profile", |b| {
        b.iter(|| load.exposures(black_box(&series.days), &part));
    });
    let as_of = NaiveDate::from_ymd_opt(2024, 4, 1).unwrap_or_default();
    c.bench_function("outlook of a season from 63 past years", |b| {
        b.iter(|| outlook(black_box(&series), 2024, as_of, &[], &SeasonDefinition::default()));
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(std::time::Duration::from_millis(300))
        .measurement_time(std::time::Duration::from_secs(1));
    targets = readers, degree_days, loads
}
criterion_main!(benches);
