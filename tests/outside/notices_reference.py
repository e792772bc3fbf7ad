#!/usr/bin/env python3
"""Reads every sample mail with libraries that know nothing of this project.

Python's email package (RFC 5322, RFC 2045) parses the mails without a defect; icalendar (RFC 5545)
reads the calendar parts; dkimpy (RFC 6376) verifies the signatures over the headers that RFC 8058
asks for; standardwebhooks (an open specification) signs as the webhook channel does.

Run from the project's root: tests/.venv/bin/python tests/outside/notices_reference.py
"""

import base64
import email
import email.policy
import subprocess
import sys
import tempfile
from datetime import datetime, timezone
from pathlib import Path

import dkim
import icalendar
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from standardwebhooks.webhooks import Webhook

KINDS_WITH_CALENDAR = {
    "reminder": ("REQUEST", 0, "CONFIRMED", "20260310T150000"),
    "second-reminder": ("REQUEST", 0, "CONFIRMED", "20260310T150000"),
    "day-before": ("REQUEST", 0, "CONFIRMED", "20260310T150000"),
    "slot-moved": ("REQUEST", 1, "CONFIRMED", "20260312T180000"),
    "slot-cancelled": ("CANCEL", 2, "CANCELLED", "20260310T150000"),
    "technician-delayed": ("REQUEST", 1, "CONFIRMED", "20260310T171500"),
}
STAFF = {"technician-route", "office-digest"}
LANGUAGES = {"en": "Ann Okafor-Müller", "es": "Lucía Peñalosa"}
SIGNED = {
    b"from", b"to", b"reply-to", b"subject", b"date", b"message-id", b"mime-version",
    b"list-unsubscribe", b"list-unsubscribe-post",
}

checked = 0


def agree(what, ours, theirs):
    """Compares and counts; a difference ends the check."""
    global checked
    checked += 1
    if ours != theirs:
        sys.exit(f"notices: {what}: expected {theirs!r}, found {ours!r}")


def signing_key(folder):
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    path = folder / "key.pem"
    path.write_bytes(key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.TraditionalOpenSSL,
        serialization.NoEncryption(),
    ))
    public = key.public_key().public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    return path, b"v=DKIM1; k=rsa; p=" + base64.b64encode(public)


def check_calendar(name, language, part):
    method, sequence, status, starts = KINDS_WITH_CALENDAR[name]
    agree(f"{name}: method parameter", part.get_param("method"), method)
    text = part.get_content()
    calendar = icalendar.Calendar.from_ical(text)
    agree(f"{name}: calendar errors", list(calendar.errors), [])
    agree(f"{name}: METHOD", str(calendar["METHOD"]), method)
    agree(f"{name}: VERSION", str(calendar["VERSION"]), "2.0")
    (event,) = calendar.walk("VEVENT")
    agree(f"{name}: event errors", list(event.errors), [])
    agree(f"{name}: UID", str(event["UID"]), "visit-41@palobrea.example.com")
    agree(f"{name}: SEQUENCE", int(event["SEQUENCE"]), sequence)
    agree(f"{name}: STATUS", str(event["STATUS"]), status)
    expected = datetime.strptime(starts, "%Y%m%dT%H%M%S").replace(tzinfo=timezone.utc)
    agree(f"{name}: DTSTART", event["DTSTART"].dt, expected)
    agree(f"{name}: end after start", event["DTEND"].dt > event["DTSTART"].dt, True)
    agree(f"{name}: DTSTAMP", event["DTSTAMP"].dt,
          datetime(2026, 2, 24, 16, 5, tzinfo=timezone.utc))
    agree(f"{name}: LOCATION", str(event["LOCATION"]), "1842 E Saguaro Bend, Phoenix, AZ 85016")
    agree(f"{name}: ORGANIZER", str(event["ORGANIZER"]), "mailto:office@palobrea.example.com")
    attendee = event["ATTENDEE"]
    agree(f"{name}: ATTENDEE", str(attendee), "mailto:household@homes.example.com")
    agree(f"{name}: CN", attendee.params["CN"], LANGUAGES[language])
    agree(f"{name}: lines of the description", str(event["DESCRIPTION"]).count("\n"), 2)


def check_mail(folder, name, language, record):
    raw = (folder / f"{name}.{language}.eml").read_bytes()
    message = email.message_from_bytes(raw, policy=email.policy.default)
    parts = list(message.walk())
    for part in parts:
        agree(f"{name}: defects", list(part.defects), [])
        for header, value in part.items():
            agree(f"{name}: defects of {header}", list(getattr(value, "defects", [])), [])
    types = [part.get_content_type() for part in parts]
    wanted = ["multipart/alternative", "text/plain", "text/html"]
    if name in KINDS_WITH_CALENDAR:
        wanted.append("text/calendar")
    agree(f"{name}: parts", types, wanted)
    for part, suffix in zip(parts[1:], ["txt", "html"]):
        written = (folder / f"{name}.{language}.{suffix}").read_text(encoding="utf-8")
        read = part.get_content().replace("\r\n", "\n")
        agree(f"{name}: {suffix}", read.rstrip("\n"), written.rstrip("\n"))
    if name in KINDS_WITH_CALENDAR:
        check_calendar(name, language, parts[3])
    agree(f"{name}: Auto-Submitted", message["Auto-Submitted"], "auto-generated")
    agree(f"{name}: To", message["To"].addresses[0].display_name, LANGUAGES[language])
    agree(f"{name}: Reply-To", message["Reply-To"].addresses[0].addr_spec,
          "office@palobrea.example.com")
    agree(f"{name}: Date", message["Date"].datetime,
          datetime(2026, 2, 24, 16, 5, tzinfo=timezone.utc))
    one_click = None if name in STAFF else "List-Unsubscribe=One-Click"
    agree(f"{name}: one click", message["List-Unsubscribe-Post"], one_click)
    agree(f"{name}: has a stop header", message["List-Unsubscribe"] is None, name in STAFF)
    check_signature(name, raw, record)
    return message["Message-ID"]


def check_signature(name, raw, record):
    """dkimpy asks for the key as from DNS; we hand it the one made above."""
    asked = []

    def key_of(domain, timeout=5):
        asked.append(domain)
        return record

    verifier = dkim.DKIM(raw)
    agree(f"{name}: DKIM", verifier.verify(dnsfunc=key_of), True)
    agree(f"{name}: DKIM key asked for", asked, [b"samples._domainkey.palobrea.example.com."])
    signed = {header.strip().lower() for header in verifier.signature_fields[b"h"].split(b":")}
    agree(f"{name}: signed headers", signed, SIGNED)
    changed = raw.replace(b"List-Unsubscribe: <https", b"List-Unsubscribe: <http", 1)
    if changed != raw:
        agree(f"{name}: DKIM of a changed stop link",
              dkim.DKIM(changed).verify(dnsfunc=key_of), False)


def check_feed(folder):
    """A technician's calendar: no METHOD, events under stable UIDs, times in UTC."""
    calendar = icalendar.Calendar.from_ical((folder / "calendar-feed.ics").read_bytes())
    agree("feed: errors", list(calendar.errors), [])
    agree("feed: METHOD", calendar.get("METHOD"), None)
    agree("feed: NAME", str(calendar["NAME"]), 'Palo Brea: Lucía, "Lu"')
    events = calendar.walk("VEVENT")
    agree("feed: UIDs", [str(event["UID"]) for event in events],
          [f"technician-visit-{number}.palobrea@hotspell" for number in (41, 42)])
    agree("feed: errors of events", [list(event.errors) for event in events], [[], []])
    agree("feed: DTSTART", [event["DTSTART"].dt for event in events],
          [datetime(2026, 3, 8, 7, 30, tzinfo=timezone.utc),
           datetime(2026, 3, 10, 15, 0, tzinfo=timezone.utc)])
    agree("feed: DTEND", [event["DTEND"].dt for event in events],
          [datetime(2026, 3, 8, 8, 30, tzinfo=timezone.utc),
           datetime(2026, 3, 10, 15, 45, tzinfo=timezone.utc)])
    agree("feed: SUMMARY", str(events[0]["SUMMARY"]), "Revisión del capacitor: Peñalosa; 2nd")
    agree("feed: DESCRIPTION", str(events[0]["DESCRIPTION"]).count("\n"), 1)


def check_webhook(folder):
    """The signature of the webhook channel is the one that the reference library makes."""
    moment = datetime(2026, 2, 24, 16, 5, tzinfo=timezone.utc)
    reference = Webhook(base64.b64encode(bytes([9] * 32)).decode())
    theirs = reference.sign("notice-4@palobrea.example.com", moment, '{"kind":"reminder"}')
    agree("webhook signature", (folder / "webhook-signature").read_text(), theirs)


def main():
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        key, record = signing_key(folder)
        subprocess.run(
            ["cargo", "run", "--quiet", "-p", "hotspell-notices", "--example", "write_samples",
             "--", str(folder), str(key)],
            check=True,
        )
        mails = sorted(folder.glob("*.eml"))
        agree("samples", len(mails), 20)
        ids = set()
        for path in mails:
            name, language, _ = path.name.split(".")
            ids.add(check_mail(folder, name, language, record))
        agree("Message-IDs", len(ids), len(mails))
        check_feed(folder)
        check_webhook(folder)
    print(f"notices: {checked} values agree in {len(mails)} mails")


if __name__ == "__main__":
    main()
