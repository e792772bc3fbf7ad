//! Map tiles under a drawing: which of them, and where.

use std::f64::consts::PI;

use hotspell_domain::Position;

use super::put;

/// Side of a tile as it is meant to be seen, units of the picture.
const TILE: f64 = 256.0;
/// The deepest level that tile servers commonly have.
const DEEPEST: f64 = 19.0;

/// Where a place lies on the square map of the world, from (0, 0) in the north-west to (1, 1): spherical
/// Mercator (EPSG method 1024, "Popular Visualisation Pseudo Mercator"), which web maps use.
pub(crate) fn on_world_map(at: Position) -> (f64, f64) {
    // Beyond that latitude the square ends.
    let latitude = at.latitude_degrees.clamp(-85.051_128, 85.051_128).to_radians();
    ((at.longitude_degrees + 180.0) / 360.0, (1.0 - latitude.tan().asinh() / PI) / 2.0)
}

/// Draws the tiles that a picture of this width and height needs, whose middle is a place on the map of
/// the world, which itself is `units` wide. `url` holds `{z}`, `{x}` and `{y}`.
pub(crate) fn draw(
    svg: &mut String,
    url: &str,
    (width, height): (f64, f64),
    (middle_x, middle_y): (f64, f64),
    units: f64,
) {
    let level = (units / TILE).log2().round().clamp(0.0, DEEPEST);
    let count = level.exp2();
    let side = units / count;
    let first = |middle: f64, extent: f64| ((middle - extent / 2.0 / units) * count).floor();
    let last = |middle: f64, extent: f64| ((middle + extent / 2.0 / units) * count).floor();
    let mut row = first(middle_y, height).max(0.0);
    while row <= last(middle_y, height).min(count - 1.0) {
        let mut column = first(middle_x, width);
        while column <= last(middle_x, width) {
            let x = width / 2.0 + (column / count - middle_x) * units;
            let y = height / 2.0 + (row / count - middle_y) * units;
            // The world goes on beyond the date line.
            let named = url
                .replace("{z}", &level.to_string())
                .replace("{x}", &column.rem_euclid(count).to_string())
                .replace("{y}", &row.to_string())
                .replace('&', "&amp;");
            put(
                svg,
                format_args!(
                    "<image href=\"{named}\" x=\"{x:.2}\" y=\"{y:.2}\" width=\"{side:.2}\" height=\"{side:.2}\"/>\n"
                ),
            );
            column += 1.0;
        }
        row += 1.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(latitude: f64, longitude: f64) -> Position {
        Position::new(latitude, longitude).unwrap()
    }

    // IOGP Guidance Note 7-2, example of EPSG method 1024: 24°22'54.433"N 100°20'00.000"W lies at
    // E -11169055.58 m, N 2800000.00 m on a sphere of 6378137 m (values from memory).
    #[test]
    fn places_lie_where_the_epsg_example_has_them() {
        let (x, y) = on_world_map(at(24.0 + 22.0 / 60.0 + 54.433 / 3600.0, -(100.0 + 20.0 / 60.0)));
        let around = 2.0 * PI * 6_378_137.0;
        assert!(((x - 0.5) * around + 11_169_055.58).abs() < 0.01);
        assert!(((0.5 - y) * around - 2_800_000.00).abs() < 0.01);
    }

    // "Slippy map tilenames" of OpenStreetMap: x = floor(n (λ + 180) / 360),
    // y = floor(n (1 - asinh(tan φ) / π) / 2), n = 2^z. Chicago, 41.85 N 87.65 W, is in tile 2/2 of level 3
    // (worked example of a public map interface's coordinates, from memory).
    #[test]
    fn a_tile_is_named_by_level_column_and_row_and_stands_where_it_belongs() {
        let mut svg = String::new();
        let middle = on_world_map(at(41.85, -87.65));
        draw(&mut svg, "https://t.test/{z}/{x}/{y}.png", (2.0, 2.0), middle, 8.0 * TILE);
        assert_eq!(svg.matches("<image").count(), 1, "{svg}");
        assert!(svg.contains("href=\"https://t.test/3/2/2.png\""), "{svg}");
        assert!(svg.contains("width=\"256.00\" height=\"256.00\""), "{svg}");
    }

    #[test]
    fn tiles_cover_the_whole_picture_also_over_the_date_line() {
        for (latitude, longitude, units) in [
            (33.45, -112.07, 3e6),
            (-17.7, 179.99, 5e5),
            (84.9, 10.0, 2_000.0),
            (60.0, 25.0, 1.3e7),
        ] {
            let mut svg = String::new();
            let middle = on_world_map(at(latitude, longitude));
            draw(&mut svg, "{z}/{x}/{y}", (960.0, 560.0), middle, units);
            let side: f64 =
                svg.split("width=\"").nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
            assert!((TILE / 1.5..TILE * 1.5).contains(&side), "{side}");
            let number = |tile: &str, name: &str| -> f64 {
                let value = tile.split(&format!(" {name}=\"")).nth(1).unwrap();
                value.split('"').next().unwrap().parse().unwrap()
            };
            let covered = |x: f64, y: f64| {
                svg.lines().any(|tile| {
                    let (left, top) = (number(tile, "x"), number(tile, "y"));
                    (left - 0.01..=left + side + 0.01).contains(&x)
                        && (top - 0.01..=top + side + 0.01).contains(&y)
                })
            };
            for (x, y) in [(0.0, 0.0), (960.0, 0.0), (0.0, 560.0), (960.0, 560.0), (480.0, 280.0)] {
                // Nothing lies north of the end of the map.
                let beyond = (y - 280.0) / units + middle.1 < 0.0;
                assert!(covered(x, y) || beyond, "{latitude} {longitude}: {x} {y} in {svg}");
            }
        }
    }
}
