#!/usr/bin/env bash
# Every crate of the workspace takes the workspace's lints; a crate that forgets has none.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

mapfile -t manifests < <(git ls-files '*Cargo.toml' | grep -v '^Cargo.toml$')
[ "${#manifests[@]}" -gt 0 ] || { echo "lints: no crate found" >&2; exit 1; }
status=0
for manifest in "${manifests[@]}"; do
    if ! grep -A1 -x '\[lints\]' "$manifest" | grep -qx 'workspace = true'; then
        echo "$manifest: says not «[lints] workspace = true»" >&2
        status=1
    fi
done
[ "$status" -eq 0 ] && echo "lints: ${#manifests[@]} crates"
exit "$status"
