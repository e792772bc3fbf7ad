//! `hotspell openapi`: the API document, for openapi/openapi.json.

use super::CommandError;

pub(crate) fn run() -> Result<(), CommandError> {
    let document =
        crate::api::openapi::document().to_pretty_json().map_err(CommandError::failure)?;
    println!("{document}");
    Ok(())
}
