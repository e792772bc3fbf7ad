#!/usr/bin/env bash
# Installs what the tests need beyond Rust and a C compiler, at the versions written down in
# outside/requirements.txt and package-lock.json. Does nothing when all is there.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"

is_installed() { command -v "$1" >/dev/null 2>&1; }
has_postgresql() { is_installed initdb || compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null; }

missing=()
has_postgresql || missing+=(postgresql)
is_installed chromium || missing+=(chromium)
is_installed chromedriver || missing+=(chromium-driver)
is_installed faketime || missing+=(faketime)
is_installed sqlite3 || missing+=(sqlite3)
is_installed shellcheck || missing+=(shellcheck)
is_installed node || missing+=(nodejs)
is_installed npm || missing+=(npm)
is_installed java || missing+=(default-jre-headless)
if ! is_installed python3; then missing+=(python3 python3-venv)
elif ! python3 -c 'import ensurepip, venv' 2>/dev/null; then missing+=(python3-venv); fi

if [ "${#missing[@]}" -gt 0 ]; then
    if ! is_installed apt-get; then
        echo "install: please install what Debian calls ${missing[*]}, then run again" >&2
        exit 1
    fi
    as_root=()
    if [ "$(id -u)" -ne 0 ]; then
        if ! sudo -n true 2>/dev/null; then
            echo "install: please run: sudo apt-get install ${missing[*]}" >&2
            exit 1
        fi
        as_root=(sudo -n)
    fi
    echo "Debian packages: ${missing[*]}"
    "${as_root[@]}" apt-get update -q >/dev/null
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -q --no-install-recommends "${missing[@]}" >/dev/null
fi

python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
    echo "install: Python 3.11 or later is needed, this is $(python3 --version)" >&2
    exit 1
}

# A folder is good as long as the list that it was made from is the one that stands here now.
is_current() { [ -f "$1/.made-from" ] && [ "$(cat "$1/.made-from")" = "$2" ]; }

wanted=$(python3 --version; sha256sum <outside/requirements.txt)
if ! is_current .venv "$wanted"; then
    echo "Python packages into tests/.venv"
    rm -rf .venv
    python3 -m venv .venv
    .venv/bin/pip install --quiet --disable-pip-version-check -r outside/requirements.txt
    printf '%s\n' "$wanted" >.venv/.made-from
fi

wanted=$(node --version; sha256sum <package-lock.json)
if ! is_current node_modules "$wanted"; then
    echo "npm packages into tests/node_modules"
    # Install scripts fetch programs of their own from elsewhere; none of these packages needs one.
    npm ci --ignore-scripts --no-audit --no-fund --loglevel=error >/dev/null
    printf '%s\n' "$wanted" >node_modules/.made-from
fi

# Look where it counts: a folder that exists is not yet a program that starts.
.venv/bin/python --version
node_modules/.bin/spectral --version
echo "Nu HTML checker $(java -jar node_modules/vnu-jar/build/dist/vnu.jar --version)"
chromium --version 2>/dev/null | head -n 1
chromedriver --version | head -n 1
initdb=$(command -v initdb || compgen -G '/usr/lib/postgresql/*/bin/initdb' | sort -V | tail -n 1)
"$initdb" --version
