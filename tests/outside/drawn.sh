#!/usr/bin/env bash
# The demo's report as a browser draws it and a record card as poppler does: `drawn.sh FOLDER_OF_THE_DEMO PYTHON_WITH_PILLOW [KEEP_IN]`.
# Installs Chromium and poppler where it may (root, apt); where they are not to be had it says so and passes.
set -euo pipefail
demo="$(cd "$1" && pwd)"
python="$2"
here="$(cd "$(dirname "$0")" && pwd)"
keep="${3:-$(mktemp -d)}"
mkdir -p "$keep"

browser() { command -v chromium || command -v chromium-browser || true; }
if { [ -z "$(browser)" ] || ! command -v pdftoppm >/dev/null; } && [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
  { apt-get update -qq && apt-get install -y -qq --no-install-recommends chromium poppler-utils >/dev/null; } || true
fi

if [ -n "$(browser)" ]; then
  for width in 1100 420; do
    # A profile of its own: nothing is read from or left in anybody's. Root cannot have the sandbox; the page is our own.
    "$(browser)" --headless --no-sandbox --disable-gpu --hide-scrollbars --user-data-dir="$(mktemp -d)" \
      --window-size="$width,2400" --screenshot="$keep/report_$width.png" "file://$demo/report.html" >/dev/null 2>&1
    "$python" "$here/drawn.py" "$keep/report_$width.png"
  done
else
  echo "Chromium cannot be installed here; the report is not drawn"
fi

if command -v pdftoppm >/dev/null; then
  for card in "$demo"/cards/*.pdf; do
    name="$keep/card_$(basename "$card" .pdf)"
    pdftoppm -png -r 60 -f 1 -l 1 -singlefile "$card" "$name"
    "$python" "$here/drawn.py" "$name.png"
  done
else
  echo "poppler cannot be installed here; the cards are not drawn by it"
fi
