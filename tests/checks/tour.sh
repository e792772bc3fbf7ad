#!/usr/bin/env bash
# README's tour is what the demo prints: each line of its text blocks stands in the print, but for
# «...» (left out) and the outbox, whose folder has another name at each start.
#
#   tests/checks/tour.sh README.md PRINTED
set -euo pipefail
[ $# -eq 2 ] || { echo "usage: tour.sh README PRINTED" >&2; exit 2; }

mapfile -t lines < <(awk '/^```text$/ { on = 1; next } /^```/ { on = 0 } on' "$1")
[ "${#lines[@]}" -gt 30 ] || { echo "tour: only ${#lines[@]} lines in $1" >&2; exit 1; }
status=0
for line in "${lines[@]}"; do
    case "$line" in *...* | *-XXXXXX/* | '') continue ;; esac
    if ! grep -qxF -- "$line" "$2"; then
        echo "$1: the demo does not print: $line" >&2
        status=1
    fi
done
[ "$status" -eq 0 ] && echo "tour: ${#lines[@]} lines are as the demo prints them"
exit "$status"
