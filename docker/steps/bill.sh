#!/bin/sh
# bill.sh TOOLS ENVIRONMENT FILE: write the bill of materials (CycloneDX 1.6, JSON) of an environment.
# Nothing in it depends on the time or the machine.
set -eu
tools=$1 environment=$2 file=$3
mkdir -p "$(dirname "$file")"
"$tools/bin/python" -m cyclonedx_py environment --spec-version 1.6 --output-format JSON --output-reproducible \
    --output-file "$file" "$environment/bin/python"
