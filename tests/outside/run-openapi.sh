#!/usr/bin/env bash
# Reads the API document with three validators that know nothing of each other.
#
#   tests/outside/run-openapi.sh openapi/openapi.json
#
# 1. openapi-spec-validator: the document against the published JSON Schema of OpenAPI 3.1
# 2. spectral, rule set "oas"; exceptions in openapi/.spectral.yaml
# 3. redocly, rule set "recommended"; exceptions in openapi/redocly.yaml
# Warnings fail too: an exception is written down with its reason or does not exist.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

if [ $# -ne 1 ] || [ ! -s "$1" ]; then
    echo "usage: run-openapi.sh DOCUMENT (a file with something in it)" >&2
    exit 2
fi
document=$1
beside=$(dirname "$document")
programs=tests/node_modules/.bin
export REDOCLY_TELEMETRY=off REDOCLY_SUPPRESS_UPDATE_NOTICE=true SCARF_ANALYTICS=false

status=0
echo "-- openapi-spec-validator"
tests/.venv/bin/openapi-spec-validator "$document" || status=1

echo "-- spectral"
"$programs/spectral" lint --fail-severity=warn --ruleset "$beside/.spectral.yaml" "$document" || status=1

echo "-- redocly"
report=$("$programs/redocly" lint --config "$beside/redocly.yaml" --max-problems 200 \
    --format=stylish "$document" 2>&1) || status=1
printf '%s\n' "$report"
if grep -qE '^ +[0-9]+:[0-9]+ +(warning|error) ' <<<"$report"; then status=1; fi

exit "$status"
