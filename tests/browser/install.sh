#!/usr/bin/env bash
# What the browser tests of the printable page need, into the folder named (default: tests/browser):
# Debian's chromium and pdftotext (poppler-utils), and the two npm modules of package.json.
# It never fails the run: what cannot be had is told, and the tests then say why they were skipped.
#
#   tests/browser/install.sh FOLDER && export PLANNER_BROWSER_MODULES=FOLDER
set -u
here="$(cd "$(dirname "$0")" && pwd)"
folder="${1:-$here}"
missing=""
for pair in chromium:chromium pdftotext:poppler-utils; do
  command -v "${pair%%:*}" >/dev/null 2>&1 || missing="$missing ${pair##*:}"
done
if [ -n "$missing" ]; then
  if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" -eq 0 ]; then
    timeout 30 apt-get update -qq >/dev/null 2>&1
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive timeout 80 apt-get install -y -qq --no-install-recommends $missing fonts-dejavu-core \
      >/dev/null 2>&1 || echo "browser tests:$missing could not be installed"
  else
    echo "browser tests:$missing is missing, and this is no root shell of Debian"
  fi
fi
if command -v npm >/dev/null 2>&1; then
  mkdir -p "$folder"
  [ "$folder" -ef "$here" ] || cp "$here/package.json" "$folder/"
  (cd "$folder" && timeout 60 npm install --no-audit --no-fund --ignore-scripts --silent) ||
    echo "browser tests: the npm modules could not be installed"
else
  echo "browser tests: npm is missing"
fi
exit 0
