#!/usr/bin/env bash
# Makes sure that what the tests hold the program against is on this machine:
# curl (every example of the documents), Chromium (the board, seen), openpyxl and
# scipy (spreadsheets and least squares, by programs of others), poppler (PDF read
# back), a C++ compiler (DuckDB reads the exports back), node and npm (the TypeScript client, the accessibility
# checker). Installs what is missing; the program itself needs none of it.
set -euo pipefail

python() { [ -x /usr/bin/python3 ] && /usr/bin/python3 -c "import $1" 2>/dev/null; }
here() { command -v "$1" >/dev/null; }

missing=()
here curl || missing+=(curl ca-certificates)
here chromium || here chromium-browser || here google-chrome || missing+=(chromium)
python openpyxl || missing+=(python3-openpyxl)
python scipy.optimize || missing+=(python3-scipy)
here pdftotext && here pdftoppm && here pdfinfo && here pdffonts || missing+=(poppler-utils)
here gcc && here g++ || missing+=(gcc g++ libc6-dev)
here node && here npm || missing+=(nodejs npm)
if [ "${#missing[@]}" = 0 ]; then exit 0; fi

echo "the tests need ${missing[*]}: installing" >&2
as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}
if command -v apt-get >/dev/null; then
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
else
  echo "Install these with this system's package manager, then run this again: ${missing[*]} (Debian's names)" >&2
  exit 1
fi
