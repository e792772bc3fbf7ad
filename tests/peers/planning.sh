#!/usr/bin/env bash
# Installs the peers into tests/peers/.venv, builds the planner's examples and prints the table of
# docs/planning.md; arguments go to planning_peers.py.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

if [ ! -x tests/peers/.venv/bin/python ]; then python3 -m venv tests/peers/.venv; fi
tests/peers/.venv/bin/pip install --quiet --disable-pip-version-check -r tests/peers/requirements.txt
cargo build --quiet --release --locked -p hotspell-planning --example route --example season
exec tests/peers/.venv/bin/python tests/peers/planning_peers.py "$@"
