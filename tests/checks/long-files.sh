#!/usr/bin/env bash
# A file of more than 500 lines is listed in long-files.txt with its reason, and what is listed there
# is really that long: the list may only shrink by itself.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

limit=500
list=tests/checks/long-files.txt
mapfile -t files < <(git ls-files '*.rs' '*.py' '*.sh' '*.sql' '*.html' '*.css' '*.js' '*.mjs' '*.md' tests/run)
[ "${#files[@]}" -gt 50 ] || { echo "long-files: only ${#files[@]} files found" >&2; exit 1; }

status=0
declare -A reasons
while IFS=$'\t' read -r path reason; do
    case $path in '' | '#'*) continue ;; esac
    [ -n "$reason" ] || { echo "$list: no reason for $path (a tab stands before it)" >&2; status=1; }
    reasons[$path]=$reason
done <"$list"
for file in "${files[@]}"; do
    [ -f "$file" ] || continue
    lines=$(wc -l <"$file")
    if [ "$lines" -gt "$limit" ] && [ -z "${reasons[$file]:-}" ]; then
        echo "$file: $lines lines; split it, or give a reason in $list" >&2
        status=1
    elif [ "$lines" -le "$limit" ] && [ -n "${reasons[$file]:-}" ]; then
        echo "$list: $file has $lines lines now; take it off the list" >&2
        status=1
    fi
    unset "reasons[$file]"
done
for path in "${!reasons[@]}"; do
    echo "$list: $path is not in the project" >&2
    status=1
done
[ "$status" -eq 0 ] && echo "long files: ${#files[@]} looked at"
exit "$status"
