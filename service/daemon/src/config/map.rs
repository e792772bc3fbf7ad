//! The map under the routes of a day.

use actix_web::http::Uri;
use serde::Deserialize;

/// The map under the routes of a day. Without a tile address routes are drawn on plain paper, and no
/// browser asks any other server.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Map {
    /// Address of map tiles with `{z}`, `{x}` and `{y}` (OpenStreetMap, "Slippy map tilenames").
    pub tile_url: Option<String>,
    /// Whose tiles they are, as their licence asks to be told under the map.
    pub tile_credit: Option<String>,
}

/// Why tiles cannot be shown; begins with the key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{key}: expected {expected}")]
pub struct MapError {
    key: &'static str,
    expected: &'static str,
}

/// Tiles that may be shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tiles {
    /// Address with `{z}`, `{x}` and `{y}`.
    pub url: String,
    /// Whose they are.
    pub credit: String,
    /// Scheme, name and port: where browsers may load pictures from (W3C Content Security Policy).
    pub origin: String,
}

impl Map {
    /// The tiles, if an address is set.
    ///
    /// # Errors
    /// What was expected, with the key.
    pub fn tiles(&self) -> Result<Option<Tiles>, MapError> {
        const WRONG: MapError = MapError {
            key: "map.tile_url",
            expected: "such as https://tiles.example.com/{z}/{x}/{y}.png",
        };
        const CREDIT: MapError = MapError {
            key: "map.tile_credit",
            expected: "whose tiles they are, together with map.tile_url",
        };
        let Some(url) = &self.tile_url else {
            return if self.tile_credit.is_some() { Err(CREDIT) } else { Ok(None) };
        };
        let numbered = ["{z}", "{x}", "{y}"].iter().try_fold(url.clone(), |url, name| {
            (url.matches(name).count() == 1).then(|| url.replace(name, "0"))
        });
        let place: Uri = numbered.ok_or(WRONG)?.parse().map_err(|_| WRONG)?;
        let (Some(scheme @ ("http" | "https")), Some(authority)) =
            (place.scheme_str(), place.authority())
        else {
            return Err(WRONG);
        };
        let is_name = |letter: char| letter.is_ascii_alphanumeric() || "-.:[]".contains(letter);
        if !authority.as_str().chars().all(is_name) || url.contains(['"', '<', '>']) {
            return Err(WRONG);
        }
        let credit = self.tile_credit.clone().filter(|credit| !credit.trim().is_empty());
        let origin = format!("{scheme}://{authority}");
        Ok(Some(Tiles { url: url.clone(), credit: credit.ok_or(CREDIT)?, origin }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(url: &str, credit: Option<&str>) -> Map {
        Map { tile_url: Some(url.to_owned()), tile_credit: credit.map(str::to_owned) }
    }

    #[test]
    fn a_tile_address_names_the_one_place_that_pictures_come_from() {
        let tiles =
            map("https://tiles.example.com:8443/v1/{z}/{x}/{y}.png?style=plain", Some("Us"));
        let tiles = tiles.tiles().unwrap().unwrap();
        assert_eq!(tiles.origin, "https://tiles.example.com:8443");
        assert_eq!(Map::default().tiles(), Ok(None));
    }

    #[test]
    fn an_address_that_is_none_is_refused_with_its_key() {
        for url in [
            "tiles.example.com/{z}/{x}/{y}.png",
            "https://tiles.example.com/{z}/{x}.png",
            "ftp://tiles.example.com/{z}/{x}/{y}.png",
            "https://{z}.example.com/{z}/{x}/{y}.png",
            "https://tiles.example.com;script-src/{z}/{x}/{y}",
            "https://a@b.example.com/{z}/{x}/{y}.png",
        ] {
            let why = map(url, Some("Us")).tiles().expect_err(url).to_string();
            assert!(why.starts_with("map.tile_url: expected such as https://"), "{url}: {why}");
        }
        let why =
            map("https://tiles.example.com/{z}/{x}/{y}", None).tiles().unwrap_err().to_string();
        assert!(why.starts_with("map.tile_credit: "), "{why}");
    }
}
