#!/usr/bin/env bash
# Takes the viewer of the API reference anew from the npm registry. What it takes
# is committed, so that neither a build nor a reader needs another host.
set -euo pipefail
cd "$(dirname "$0")/static"
version=9.3.8
integrity=sha512-eCYEbr1Xr8OJZvVCw8SXl9zBCRoLJbhNGuG5IZTHq/RWAOq/O4MafUCuFEyZHsrhLrlUcGZMa64pyhpib8fQKQ==
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
(cd "$work" && npm pack --silent "rapidoc@$version" >/dev/null)
got=sha512-$(openssl dgst -sha512 -binary "$work"/*.tgz | base64 -w0)
[ "$got" = "$integrity" ] || { echo "rapidoc $version is $got, not $integrity" >&2; exit 1; }
tar xzf "$work"/*.tgz -C "$work"
rm -f rapidoc-*
# Without the last line, which names a map of the source that is not served.
grep -v '^//# sourceMappingURL=' "$work/package/dist/rapidoc-min.js" >"rapidoc-$version.js"
{
  cat "$work/package/LICENSE.txt"
  printf '\n----\nAnd of the libraries that the file holds:\n\n'
  cat "$work/package/dist/rapidoc-min.js.LICENSE.txt"
} >"rapidoc-$version.LICENSE.txt"
