#!/usr/bin/env bash
# Holds the running service to its own document: schemathesis makes requests from openapi.json, right
# and wrong ones, follows links, and judges every answer.
#
#   tests/outside/run-schemathesis.sh [BINARY]
#
# EXAMPLES=200 tries more of each operation (25 if not set).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

binary=$(realpath "${1:-${CARGO_TARGET_DIR:-target}/debug/hotspell}")
root=$PWD
folder=$(mktemp -d "${TMPDIR:-/tmp}/hotspell-contract.XXXXXX")
daemon=
finish() {
    local status=$?
    if [ -n "$daemon" ]; then kill "$daemon" 2>/dev/null || true; wait "$daemon" 2>/dev/null || true; fi
    if [ "$status" -ne 0 ] && [ -f "$folder/log" ]; then grep -iE '"level":"(ERROR|WARN)"' "$folder/log" | tail -n 20 || true; fi
    rm -rf "$folder"
}
trap finish EXIT

export HOTSPELL_DATABASE__URL=sqlite:$folder/hotspell.db
export HOTSPELL_SERVER__BIND=127.0.0.1:0
export HOTSPELL_SERVER__REQUESTS_PER_MINUTE=1000000
export HOTSPELL_MAIL__FOLDER=$folder/outbox
export HOTSPELL_JOBS__ENABLED=false
export HOTSPELL_LOG__FORMAT=json
export HOTSPELL_LINKS__SIGNING_KEY=a-key-for-tests-of-thirty-two-characters

cd "$folder"
"$binary" branch add --key test --name 'Test branch' --time-zone America/Phoenix \
    --postal-address '1 Example Street, Phoenix, AZ 85001' >/dev/null
token=$("$binary" account add --role office --name Office --email office@example.com)
"$binary" serve 2>log >/dev/null &
daemon=$!
base=
for _ in $(seq 200); do
    base=$(sed -n 's/.*"message":"listening".*"address":"\([^"]*\)".*/\1/p;s/.*"address":"\([^"]*\)".*"message":"listening".*/\1/p' log | head -n 1)
    [ -z "$base" ] || break
    kill -0 "$daemon" 2>/dev/null || { cat log >&2; exit 1; }
    sleep 0.1
done
[ -n "$base" ] || { echo "schemathesis: hotspell does not listen" >&2; cat log >&2; exit 1; }

"$root/tests/.venv/bin/schemathesis" --config-file "$root/tests/outside/schemathesis.toml" \
    run "http://$base/openapi.json" --seed 1 --max-examples "${EXAMPLES:-25}" \
    --header "Authorization: Bearer $token" --no-color
kill -0 "$daemon" 2>/dev/null || { echo "schemathesis: hotspell has ended" >&2; exit 1; }
