#!/usr/bin/env bash
# Generates ../api from the contract. Needs Go, node and npm; asks no schema registry.
#   generate.sh            generate
#   generate.sh lint       buf lint
#   generate.sh breaking   compare the contract with baseline.binpb
#   generate.sh baseline   accept today's contract as the new baseline (a release does this)
set -euo pipefail
cd "$(dirname "$0")"
tools=$PWD/../.cache/tools
googleapis_version=6.0.1 # npm package google-proto-files

mkdir -p "$tools"
(cd tools && go build -o "$tools/" tool)
export PATH="$tools:$PATH"

if [ ! -f deps/.complete ] || [ ! -f deps/google/api/httpbody.proto ]; then
  rm -rf deps && mkdir -p deps/google/api deps/google/rpc deps/buf/validate
  work=$(mktemp -d)
  trap 'rm -rf "$work"' EXIT
  (cd "$work" && npm pack --silent "google-proto-files@$googleapis_version" >/dev/null && tar xzf ./*.tgz)
  for f in annotations client field_behavior http httpbody launch_stage resource; do
    cp "$work/package/google/api/$f.proto" deps/google/api/
  done
  for f in code error_details status; do
    cp "$work/package/google/rpc/$f.proto" deps/google/rpc/
  done
  validate=$(cd tools && go mod download -json github.com/bufbuild/protovalidate | sed -n 's/.*"Dir": "\(.*\)",*/\1/p')
  cp "$validate/proto/protovalidate/buf/validate/validate.proto" deps/buf/validate/
  chmod -R u+w deps
  touch deps/.complete
fi

case "${1:-generate}" in
  generate)
    rm -rf ../api/creepage ../api/openapi
    buf generate
    # One document for all services.
    node openapi.mjs prepare ../api/openapi/creepage/v1/*.json
    openapiv3-merge ../api/openapi/creepage/v1/*.json >../api/openapi/creepage.json
    node openapi.mjs finish ../api/openapi/creepage.json
    rm -rf ../api/openapi/creepage
    cp openapi.go.txt ../api/openapi/openapi.go
    # Types of the TypeScript client.
    typescript=$(../api/typescript/install.sh)
    "$typescript/node_modules/.bin/openapi-typescript" ../api/openapi/creepage.json --output ../api/typescript/src/contract.ts >/dev/null
    ;;
  lint) buf lint ;;
  breaking)
    buf build --path creepage -o deps/current.binpb
    buf breaking deps/current.binpb --against baseline.binpb
    ;;
  baseline) buf build --path creepage -o baseline.binpb ;;
  *)
    echo "generate.sh: '$1' is none of generate, lint, breaking, baseline" >&2
    exit 2
    ;;
esac
