#!/usr/bin/env bash
# Remake the README's pictures from the demonstration; needs Chromium (Debian: chromium).
# bash notebooks/pictures/make_pictures.sh REPORT_DIR WORTH_DIR SIMULATED_DIR
# REPORT_DIR: of `silagetrial report`; WORTH_DIR: of `silagetrial power ... --budget --out`;
# SIMULATED_DIR: of `silagetrial power data_demo/plan_two_farms --simulate 10000 --out`
set -euo pipefail
here=$(realpath "$(dirname "$0")")

picture() {  # picture NAME HEIGHT PAGE
  chromium --headless --no-sandbox --disable-gpu --no-first-run --disable-background-networking \
    --disable-sync --hide-scrollbars --user-data-dir="$(mktemp -d)" \
    --force-device-scale-factor=1.5 --screenshot="$here/$1" --window-size="1100,$2" "file://$3"
}

picture report.png 1420 "$(realpath "$1/report.html")"
picture plan.png 1320 "$(realpath "$2/worth.html")"
cp "$3/pictures/pairs.png" "$here/power_simulated.png"
cp "$3/pictures/what_lowers.png" "$here/what_lowers.png"
