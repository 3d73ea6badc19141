#!/usr/bin/env bash
# Makes sure that curl is on this machine: the tests run every example of the
# documents as it stands there.
set -euo pipefail

if command -v curl >/dev/null; then exit 0; fi
echo "curl is not here yet: installing it" >&2
as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}
if command -v apt-get >/dev/null; then
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends curl ca-certificates >/dev/null
else
  echo "Install curl with this system's package manager, then run this again." >&2
  exit 1
fi
