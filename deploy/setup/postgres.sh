#!/usr/bin/env bash
# Makes sure that PostgreSQL's server programs are on this machine, for `up`
# and for the tests, which start a private server of their own. Does nothing
# where they are found. Touches no database server that is already running, and
# leaves none running.
set -euo pipefail

oldest=15 # the oldest that the migrations are tested with

found() {
  local dir major
  for dir in "${CREEPAGE_POSTGRES_BIN:-}" /usr/lib/postgresql/*/bin /usr/pgsql-*/bin /opt/homebrew/opt/postgresql*/bin /usr/local/opt/postgresql*/bin /usr/local/pgsql/bin \
    "$(dirname "$(command -v initdb 2>/dev/null || echo /nowhere/x)")"; do
    [ -x "$dir/initdb" ] && [ -x "$dir/postgres" ] && [ -x "$dir/pg_ctl" ] || continue
    major=$("$dir/postgres" --version | sed -E 's/[^0-9]*([0-9]+).*/\1/')
    [ "$major" -ge "$oldest" ] && return 0
  done
  return 1
}

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

by_apt() {
  # Debian's package makes and starts a cluster on port 5432 when it is first
  # installed. Nothing here needs it.
  local no_cluster=/etc/postgresql-common/createcluster.d/creepage-setup.conf
  as_root mkdir -p "$(dirname "$no_cluster")"
  echo 'create_main_cluster = false' | as_root tee "$no_cluster" >/dev/null
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends postgresql >/dev/null
  as_root rm -f "$no_cluster"
}

if found; then exit 0; fi
echo "PostgreSQL is not here yet: installing it" >&2
if command -v apt-get >/dev/null; then
  by_apt
elif command -v brew >/dev/null; then
  brew install postgresql@17
else
  echo "Install PostgreSQL $oldest or newer (the server, with initdb and pg_ctl) with this system's package manager, then run this again." >&2
  exit 1
fi
found || { echo "PostgreSQL $oldest or newer was not found after installing it; install it by hand." >&2; exit 1; }
