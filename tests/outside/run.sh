#!/usr/bin/env bash
# Runs every check against the outside that is written in Python: published tables, worked examples
# and reference libraries. Each tests/outside/NAME.py is a program of its own that ends with status 0
# when all agrees; a name that begins with _ is a module of others. Run from the project's root.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

python=tests/.venv/bin/python
[ -x "$python" ] || { echo "outside: run tests/install.sh first" >&2; exit 1; }
mapfile -t checks < <(git ls-files 'tests/outside/*.py' | grep -v '/_' || true)
[ "${#checks[@]}" -gt 0 ] || { echo "outside: no check found" >&2; exit 1; }

failed=()
for check in "${checks[@]}"; do
    started=$SECONDS
    echo "-- $check"
    "$python" "$check" || failed+=("$check")
    echo "   $((SECONDS - started)) s"
done
if [ "${#failed[@]}" -gt 0 ]; then
    echo "outside: ${#failed[@]} of ${#checks[@]} checks failed: ${failed[*]}" >&2
    exit 1
fi
echo "outside: ${#checks[@]} checks agree"
