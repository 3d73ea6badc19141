#!/usr/bin/env bash
# Runs logins.sql with the passwords of deploy/compose.yaml's secrets.
set -euo pipefail
PGPASSWORD=$(cat /run/secrets/owner_password)
export PGPASSWORD
psql -v "serve_password=$(cat /run/secrets/serve_password)" -v "work_password=$(cat /run/secrets/work_password)" -f /sql/logins.sql
