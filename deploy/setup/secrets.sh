#!/usr/bin/env bash
# Makes deploy/secrets/ for deploy/compose.yaml: three passwords and the three
# connection strings with them. What is there already stays as it is.
set -euo pipefail
cd "$(dirname "$0")/.."
umask 077
mkdir -p secrets
for role in owner api worker; do
  if [ ! -s "secrets/${role}_password" ]; then
    head -c 24 /dev/urandom | base64 | tr '+/' '-_' | tr -d '\n' >"secrets/${role}_password"
  fi
  printf 'postgres://creepage_%s:%s@postgres:5432/creepage' "$role" "$(cat "secrets/${role}_password")" >"secrets/${role}_url"
done
