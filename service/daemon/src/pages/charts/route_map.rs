//! The routes of a day drawn from positions: on plain paper, or on map tiles where an address of such is set.
//!
//! Each route has a letter, a dash pattern and a colour; its stops carry letter and number, so
//! that the picture reads without colour. North is up; the scale is told by a bar.

use hotspell_domain::Position;

use super::{put, tiles};

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 560.0;
const MARGIN: f64 = 40.0;
/// Kilometres around the earth at the equator: a sphere of 6378.137 km, as web maps have it.
const EQUATOR_KILOMETRES: f64 = 2.0 * std::f64::consts::PI * 6_378.137;
/// Patterns and colours in the stylesheet.
const STYLES: usize = 6;

/// A route: its letter or letters and the positions of its stops in order; a stop without one is left out.
#[derive(Debug, Clone)]
pub(crate) struct MapRoute {
    /// Names the route on the map and in the list.
    pub(crate) letter: String,
    /// Number and position of each stop.
    pub(crate) stops: Vec<(usize, Position)>,
}

/// The letter of a route by its place: A to Z, then AA, AB and so on, as columns of a sheet are named.
pub(crate) fn route_letter(place: usize) -> String {
    const LETTERS: usize = 26;
    let own = ('A'..='Z').nth(place % LETTERS);
    let before = (place / LETTERS).checked_sub(1).map(route_letter);
    before.into_iter().chain(own.map(String::from)).collect()
}

/// Draws the routes from and to the depot; nothing when no stop has a position. `tiles` is the address of
/// the map under them.
#[expect(clippy::too_many_lines, reason = "one picture, drawn from back to front")]
pub(crate) fn route_map_svg(
    depot: Option<Position>,
    routes: &[MapRoute],
    tiles: Option<&str>,
) -> Option<String> {
    let places: Vec<Position> = routes
        .iter()
        .flat_map(|route| route.stops.iter().map(|(_, at)| *at))
        .chain(depot)
        .collect();
    if routes.iter().all(|route| route.stops.is_empty()) {
        return None;
    }
    let sheet = Sheet::of(&places)?;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"map-title\" class=\"map\">\n<title id=\"map-title\">Map of the routes, north up. The list holds the same stops.</title>\n"
    );
    if let Some(url) = tiles {
        tiles::draw(&mut svg, url, (WIDTH, HEIGHT), sheet.middle, sheet.units);
    }
    for (index, route) in routes.iter().enumerate() {
        let line: String = depot
            .iter()
            .chain(route.stops.iter().map(|(_, at)| at))
            .chain(depot.iter())
            .map(|at| {
                let (x, y) = sheet.place(*at);
                format!("{x:.1},{y:.1} ")
            })
            .collect();
        put(
            &mut svg,
            format_args!(
                "<polyline class=\"route route{}\" points=\"{}\"/>\n",
                index % STYLES,
                line.trim_end()
            ),
        );
    }
    for (index, route) in routes.iter().enumerate() {
        for (number, at) in &route.stops {
            let (x, y) = sheet.place(*at);
            put(
                &mut svg,
                format_args!(
                    "<circle class=\"stop route{}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"13\"/><text class=\"ink\" text-anchor=\"middle\" x=\"{x:.1}\" y=\"{:.1}\">{}{number}</text>\n",
                    index % STYLES,
                    y + 4.5,
                    route.letter,
                ),
            );
        }
    }
    if let Some(depot) = depot {
        let (x, y) = sheet.place(depot);
        put(
            &mut svg,
            format_args!(
                "<rect class=\"depot\" x=\"{:.1}\" y=\"{:.1}\" width=\"16\" height=\"16\"/><text class=\"ink\" x=\"{:.1}\" y=\"{:.1}\">depot</text>\n",
                x - 8.0,
                y - 8.0,
                x + 12.0,
                y + 4.5,
            ),
        );
    }
    sheet.scale(&mut svg);
    svg.push_str("</svg>\n");
    Some(svg)
}

/// From positions to places: the projection of web maps, which keeps the shape of a town.
struct Sheet {
    /// Its middle on the map of the world.
    middle: (f64, f64),
    /// Width of the map of the world, units of the picture.
    units: f64,
    /// Units of the picture for a kilometre at its middle.
    scale: f64,
}

impl Sheet {
    fn of(places: &[Position]) -> Option<Self> {
        let places: Vec<(f64, f64)> = places.iter().map(|at| tiles::on_world_map(*at)).collect();
        let range = |value: fn(&(f64, f64)) -> f64| {
            let low = places.iter().map(value).min_by(f64::total_cmp)?;
            let high = places.iter().map(value).max_by(f64::total_cmp)?;
            Some((low, high))
        };
        let ((west, east), (north, south)) = (range(|at| at.0)?, range(|at| at.1)?);
        let middle = (f64::midpoint(west, east), f64::midpoint(north, south));
        // The map of the world grows with the secant of the latitude, which is the hyperbolic cosine here.
        let stretch = (std::f64::consts::PI * (1.0 - 2.0 * middle.1)).cosh();
        let kilometre = stretch / EQUATOR_KILOMETRES;
        // One stop alone is shown as if it had a kilometre around it.
        let units = ((WIDTH - 2.0 * MARGIN) / (east - west).max(kilometre))
            .min((HEIGHT - 2.0 * MARGIN) / (south - north).max(kilometre));
        Some(Self { middle, units, scale: kilometre * units })
    }

    fn place(&self, at: Position) -> (f64, f64) {
        let (x, y) = tiles::on_world_map(at);
        let (middle_x, middle_y) = self.middle;
        (WIDTH / 2.0 + (x - middle_x) * self.units, HEIGHT / 2.0 + (y - middle_y) * self.units)
    }

    fn scale(&self, svg: &mut String) {
        let kilometres = [20.0, 10.0, 5.0, 2.0, 1.0]
            .into_iter()
            .find(|km| km * self.scale < 240.0)
            .unwrap_or(0.5);
        let end = 20.0 + kilometres * self.scale;
        let y = HEIGHT - 14.0;
        put(
            svg,
            format_args!(
                "<line class=\"axis\" x1=\"20\" x2=\"{end:.1}\" y1=\"{y}\" y2=\"{y}\"/><text class=\"ink\" x=\"{:.1}\" y=\"{:.1}\">{kilometres} km ({:.1} mi)</text>\n",
                end + 8.0,
                y + 4.0,
                kilometres / 1.609_344,
            ),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(latitude: f64, longitude: f64) -> Position {
        Position::new(latitude, longitude).unwrap()
    }

    // A degree of longitude at 60 degrees north is half as long as at the equator (cos 60 = 1/2).
    #[test]
    fn east_shrinks_with_the_cosine_of_the_latitude() {
        let sheet = Sheet::of(&[at(59.9, 10.0), at(60.1, 10.4)]).unwrap();
        let (west, _) = sheet.place(at(60.0, 10.0));
        let (east, _) = sheet.place(at(60.0, 10.4));
        let (_, south) = sheet.place(at(59.9, 10.2));
        let (_, north) = sheet.place(at(60.1, 10.2));
        assert!(((east - west) / (south - north) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn every_route_of_a_large_branch_has_a_letter_of_its_own() {
        let named: Vec<String> = [0, 25, 26, 27, 701, 702].map(route_letter).into();
        assert_eq!(named, ["A", "Z", "AA", "AB", "ZZ", "AAA"]);
    }

    // At 33.45 degrees north a minute of latitude is 1.848 km (a sphere has 1.853; the earth is flattened).
    #[test]
    fn the_scale_bar_measures_the_ground() {
        let sheet = Sheet::of(&[at(33.40, -112.1), at(33.50, -112.1)]).unwrap();
        let (_, south) = sheet.place(at(33.45, -112.1));
        let (_, north) = sheet.place(at(33.45 + 1.0 / 60.0, -112.1));
        let kilometres = (south - north) / sheet.scale;
        assert!((kilometres / 1.848 - 1.0).abs() < 0.005, "{kilometres}");
    }

    #[test]
    fn routes_without_any_position_have_no_map() {
        assert_eq!(
            route_map_svg(
                Some(at(33.4, -112.0)),
                &[MapRoute { letter: route_letter(0), stops: vec![] }],
                None
            ),
            None
        );
    }

    #[test]
    fn a_route_carries_its_letter_and_numbers_from_the_depot() {
        let route = MapRoute {
            letter: route_letter(0),
            stops: vec![(1, at(33.45, -112.07)), (2, at(33.5, -112.0))],
        };
        let svg = route_map_svg(Some(at(33.42, -111.94)), &[route], None).unwrap();
        assert!(!svg.contains("<image"), "no server is asked: {svg}");
        assert_eq!(svg.matches("<polyline").count(), 1);
        assert!(svg.contains(">A1</text>") && svg.contains(">A2</text>"), "{svg}");
        assert!(svg.contains(">depot</text>"), "{svg}");
    }
}
