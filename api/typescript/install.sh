#!/usr/bin/env bash
# Installs the pinned tools of the TypeScript client (package-lock.json) into the
# ignored folder .cache/typescript, if they are not there, and prints that folder.
set -euo pipefail
cd "$(dirname "$0")"
to=$PWD/../../.cache/typescript
mkdir -p "$to"
if ! cmp -s package-lock.json "$to/package-lock.json" || [ ! -e "$to/node_modules/.complete" ]; then
  cp package.json package-lock.json "$to/"
  (cd "$to" && npm ci --silent --no-audit --no-fund >&2 && touch node_modules/.complete)
fi
(cd "$to" && pwd)
