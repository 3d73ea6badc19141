#!/bin/sh
# Fetches the accessibility checker of the browser tests into the ignored
# folder .cache, from the npm registry. It is used by tests alone and is not
# part of the program.
set -eu
cd "$(dirname "$0")/../.."
mkdir -p .cache/axe
cd .cache/axe
npm pack --silent axe-core@4.10.3 >/dev/null
tar -xzf axe-core-4.10.3.tgz package/axe.min.js
mv package/axe.min.js axe.min.js
rm -rf package axe-core-4.10.3.tgz
