#!/usr/bin/env bash
# Makes deploy/secrets/ for deploy/compose.yaml: three passwords, the three
# connection strings with them, and the key under which webhooks' secrets are kept. What is there already stays as it is.
set -euo pipefail
cd "$(dirname "$0")/.."
umask 077
mkdir -p secrets
for login in owner serve work; do
  if [ ! -s "secrets/${login}_password" ]; then
    head -c 24 /dev/urandom | base64 | tr '+/' '-_' | tr -d '\n' >"secrets/${login}_password"
  fi
  printf 'postgres://creepage_%s:%s@postgres:5432/creepage' "$login" "$(cat "secrets/${login}_password")" >"secrets/${login}_url"
done
if [ ! -s secrets/secret_key ]; then
  head -c 24 /dev/urandom | base64 | tr -d '\n' >secrets/secret_key
fi
# The containers' users differ from the one who made these; the folder keeps others out.
chmod 0644 secrets/*
