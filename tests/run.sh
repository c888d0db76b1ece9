#!/usr/bin/env bash
# Sets up what the tests need and runs them all: formatting, lints, unit, property and end-to-end
# tests, outside checks through independent readers, and the accuracy table over the sample photos.
#
#   bash tests/run.sh              everything
#   bash tests/run.sh accuracy     only the tests whose file name is given
#
# Needs Rust and Python 3; installs Debian packages (poppler-utils, qpdf, opencv-doc, chromium) where apt-get
# is there and they are missing, Python packages into .venv, and axe-core (for the page) beside them.
set -euo pipefail
cd "$(dirname "$0")/.."

need_debian() {
    local missing=()
    command -v pdftoppm >/dev/null || missing+=(poppler-utils)
    command -v qpdf >/dev/null || missing+=(qpdf)
    [ -d /usr/share/doc/opencv-doc/examples/data ] || missing+=(opencv-doc)
    command -v chromedriver >/dev/null || missing+=(chromium chromium-driver)
    command -v npm >/dev/null || missing+=(npm)
    python3 -c 'import ensurepip' 2>/dev/null || missing+=(python3-venv)
    [ ${#missing[@]} -eq 0 ] && return
    echo "installing ${missing[*]}"
    local sudo=""
    [ "$(id -u)" = 0 ] || sudo=sudo
    $sudo apt-get update -qq
    DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
}

need_python() {
    local stamp=.venv/requirements.txt
    if ! cmp -s tests/requirements.txt "$stamp"; then
        python3 -m venv .venv
        .venv/bin/pip install --quiet --disable-pip-version-check -r tests/requirements.txt
        cp tests/requirements.txt "$stamp"
    fi
}

# The accessibility checks of the page: used by its tests only, never shipped.
need_axe() {
    [ -f .venv/axe/package/axe.min.js ] && return
    mkdir -p .venv/axe
    (cd .venv/axe && npm pack --silent axe-core@4 >/dev/null && tar xzf axe-core-*.tgz package/axe.min.js package/LICENSE)
}

need_debian
need_python
need_axe
export CLOTHLINE_AXE="$PWD/.venv/axe/package/axe.min.js"
export CLOTHLINE_PYTHON="$PWD/.venv/bin/python"

if [ $# -gt 0 ]; then
    exec cargo test --test "$1" -- --nocapture
fi
cargo fmt --check
cargo clippy --quiet --all-targets -- -D warnings
# The engine is to compile for the browser (rustup target add wasm32-unknown-unknown).
if rustup target list --installed 2>/dev/null | grep -q '^wasm32-unknown-unknown$'; then
    cargo check --quiet --lib --target wasm32-unknown-unknown
fi
cargo test --quiet --lib --bins
cargo test --tests --no-fail-fast -- --nocapture --skip "tests::"
