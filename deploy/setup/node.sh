#!/usr/bin/env bash
# Makes sure that node and npm are on this machine: proto/generate.sh takes the
# googleapis protos from an npm package and merges the OpenAPI documents with node.
set -euo pipefail

if command -v node >/dev/null && command -v npm >/dev/null; then exit 0; fi
echo "node or npm is not here yet: installing them" >&2
as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}
if command -v apt-get >/dev/null; then
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends nodejs npm >/dev/null
elif command -v brew >/dev/null; then
  brew install node
else
  echo "Install node and npm with this system's package manager, then run this again." >&2
  exit 1
fi
