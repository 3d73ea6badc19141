#!/usr/bin/env bash
# Makes sure that the general-purpose libraries which `make crosscheck` holds the
# statistics against are on this machine: statsmodels and scipy, and R with
# survival, spc and jsonlite. Installs what is missing. Nothing else needs them.
set -euo pipefail

python() { [ -x /usr/bin/python3 ] && /usr/bin/python3 -c "import $1" 2>/dev/null; }
r() { command -v Rscript >/dev/null && Rscript -e "quit(status = !requireNamespace('$1', quietly = TRUE))" 2>/dev/null; }

missing=()
python scipy.stats || missing+=(python3-scipy)
python statsmodels.api || missing+=(python3-statsmodels)
command -v Rscript >/dev/null || missing+=(r-base-core)
for package in survival spc jsonlite; do
  r "$package" || missing+=("r-cran-$package")
done
if [ "${#missing[@]}" = 0 ]; then exit 0; fi

echo "the cross-checks need ${missing[*]}: installing" >&2
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
