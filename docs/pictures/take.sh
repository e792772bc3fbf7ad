#!/usr/bin/env bash
# Takes README's pictures anew: walks the demo's pages in Chromium (tests/pages) and keeps five of
# the shots. Run tests/install.sh first.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

cargo build --quiet --release --locked
HOTSPELL_BINARY=$(realpath "${CARGO_TARGET_DIR:-target}/release/hotspell") \
    cargo test --quiet --locked -p hotspell-acceptance --test pages
shots=tests/shots
cp "$shots/office-season-1440.png" docs/pictures/office-season.png
cp "$shots/office-rehearsal-768.png" docs/pictures/office-rehearsal.png
cp "$shots/office-proof-768.png" docs/pictures/office-proof.png
cp "$shots/technician-next-stop.png" docs/pictures/technician-today.png
cp "$shots/household-answer-360.png" docs/pictures/homeowner-answer.png
