#!/usr/bin/env bash
# Remake the README's picture from the demonstration report; needs Chromium (Debian: chromium).
# bash notebooks/pictures/make_pictures.sh REPORT_DIR
set -euo pipefail
page=$(realpath "$1/report.html")
here=$(realpath "$(dirname "$0")")
chromium --headless --no-sandbox --disable-gpu --no-first-run --disable-background-networking \
  --disable-sync --hide-scrollbars --user-data-dir="$(mktemp -d)" --force-device-scale-factor=1.5 \
  --screenshot="$here/report.png" --window-size=1100,1420 "file://$page"
