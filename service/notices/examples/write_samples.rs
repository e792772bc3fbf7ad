//! Writes every sample notice in every language into a folder: `.txt`, `.html`, `.ics` and the
//! whole mail as `.eml`, signed when a key is given; and one signature of the webhook channel.
//!
//! ```text
//! cargo run -p hotspell-notices --example write_samples -- DIRECTORY [DKIM_RSA_KEY.pem]
//! ```

use std::error::Error;
use std::path::PathBuf;

use hotspell_domain::Language;
use hotspell_notices::calendar::{CalendarEvent, feed};
use hotspell_notices::channel::webhook_signature;
use hotspell_notices::message::{DkimAlgorithm, DkimSigner, build};
use hotspell_notices::samples::{self, Sample};

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args_os().skip(1);
    let folder = PathBuf::from(arguments.next().ok_or("expected a directory to write into")?);
    let signer = match arguments.next() {
        Some(path) => {
            let key = std::fs::read_to_string(path)?;
            Some(DkimSigner::new("samples", "palobrea.example.com", DkimAlgorithm::Rsa, &key)?)
        }
        None => None,
    };
    std::fs::create_dir_all(&folder)?;
    let mut id = 0;
    for language in Language::ALL {
        for Sample { name, kind, content } in samples::all(&samples::branch(), *language)? {
            id += 1;
            let path = |extension: &str| folder.join(format!("{name}.{language}.{extension}"));
            std::fs::write(path("txt"), &content.text)?;
            std::fs::write(path("html"), &content.html)?;
            if let Some(calendar) = &content.calendar {
                std::fs::write(path("ics"), calendar)?;
            }
            let recipient = samples::household(*language).name;
            let notice = samples::outgoing(id, kind, content, &recipient);
            std::fs::write(path("eml"), build(&notice, signer.as_ref())?.formatted())?;
        }
    }
    std::fs::write(folder.join("calendar-feed.ics"), calendar_feed()?)?;
    let (id, body) = ("notice-4@palobrea.example.com", br#"{"kind":"reminder"}"#);
    let signature = webhook_signature(&[9; 32], id, samples::composed_at().timestamp(), body);
    std::fs::write(folder.join("webhook-signature"), signature)?;
    Ok(())
}

/// A technician's feed of two visits, one of them across the change of clocks in Chicago.
fn calendar_feed() -> Result<String, chrono::ParseError> {
    let event = |number: u32, starts: &str, ends: &str| {
        Ok(CalendarEvent {
            uid: format!("technician-visit-{number}.palobrea@hotspell"),
            sequence: 86_400 * number,
            stamp: samples::composed_at(),
            starts: starts.parse()?,
            ends: ends.parse()?,
            summary: "Revisión del capacitor: Peñalosa; 2nd".into(),
            description: "Llegada avisada: 09:00-11:00\nEstado: agreed".into(),
            location: "1842 E Saguaro Bend, Phoenix, AZ 85016".into(),
        })
    };
    let events = [
        event(41, "2026-03-08T07:30:00Z", "2026-03-08T08:30:00Z")?,
        event(42, "2026-03-10T15:00:00Z", "2026-03-10T15:45:00Z")?,
    ];
    Ok(feed("Palo Brea: Lucía, \"Lu\"", &events))
}
