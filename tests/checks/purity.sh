#!/usr/bin/env bash
# The pure rooms depend on what is listed for them in purity/NAME.txt, and on nothing else: no
# database, no HTTP, no clock, and of the other rooms on the domain alone.
#
#   tests/checks/purity.sh domain weather ...          compare
#   WRITE=1 tests/checks/purity.sh domain weather ...  write the lists anew; read the difference
#
# A list of what is allowed is compared, not a search for what is forbidden: a search for a misspelt
# name finds nothing and passes.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

[ $# -gt 0 ] || { echo "usage: purity.sh ROOM..." >&2; exit 2; }
status=0
for room in "$@"; do
    list=tests/checks/purity/$room.txt
    found=$(cargo tree --locked -p "hotspell-$room" -e normal --target x86_64-unknown-linux-gnu \
        --prefix none --format '{p}' |
        awk '{ print $1 }' | LC_ALL=C sort -u)
    [ -n "$found" ] || { echo "purity: cargo tree names nothing for $room" >&2; exit 1; }
    if [ -n "${WRITE:-}" ]; then printf '%s\n' "$found" >"$list"; fi
    if ! diff -u "$list" <(printf '%s\n' "$found"); then
        echo "purity: the dependencies of $room are not those of $list" >&2
        status=1
    fi
    while read -r other; do
        echo "purity: $room may know the domain alone, but depends on $other" >&2
        status=1
    done < <(grep '^hotspell-' <<<"$found" | grep -vx -e "hotspell-$room" -e hotspell-domain || true)
done
# store and notices have libraries of their own choice, but of the other rooms they know the domain alone.
for room in store notices; do
    rooms=$(cargo tree --locked -p "hotspell-$room" -e normal --prefix none --format '{p}' |
        awk '{ print $1 }' | grep '^hotspell-' | LC_ALL=C sort -u | tr '\n' ' ')
    if [ "$rooms" != "$(printf '%s\n' hotspell-domain "hotspell-$room" | LC_ALL=C sort | tr '\n' ' ')" ]; then
        echo "purity: $room may know the domain alone, but knows: $rooms" >&2
        status=1
    fi
done
[ "$status" -eq 0 ] && echo "purity: $*"
exit "$status"
