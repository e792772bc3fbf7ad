#!/usr/bin/env bash
# The documents tell the truth about the tree: a path in backticks that begins with a folder of the
# project or of a crate exists, and so does every relative link. A path with a PLACEHOLDER is a form.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

mapfile -t documents < <(git ls-files '*.md' | grep -v '/templates/')
[ "${#documents[@]}" -gt 3 ] || { echo "documents: only ${#documents[@]} found" >&2; exit 1; }
status=0
paths=0
for document in "${documents[@]}"; do
    # shellcheck disable=SC2016 # the backticks are those of the document
    while read -r path; do
        paths=$((paths + 1))
        if ! compgen -G "$path" >/dev/null && ! compgen -G "service/*/$path" >/dev/null; then
            echo "$document: there is no $path" >&2
            status=1
        fi
    done < <(grep -oE '`(service|seed|migrations|openapi|tests|deploy|docs)/[A-Za-z0-9_./*-]*`' "$document" | tr -d '`' |
        { grep -vE '(^|/)[A-Z]{3,}[./]' || true; } | sort -u)
    while read -r link; do
        paths=$((paths + 1))
        if [ ! -e "$(dirname "$document")/$link" ]; then
            echo "$document: links to $link, which is not there" >&2
            status=1
        fi
    done < <(grep -oE '\]\([^)#: ]+' "$document" | cut -c3- | sort -u)
done
[ "$paths" -gt 20 ] || { echo "documents: only $paths paths found" >&2; exit 1; }
[ "$status" -eq 0 ] && echo "documents: $paths paths in ${#documents[@]} documents"
exit "$status"
