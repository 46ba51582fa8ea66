#!/bin/sh
# Look for known vulnerabilities in what goes into the image and into what builds it. Needs the network: it asks
# the Python Package Index about each version (SERVICE=osv asks osv.dev). Leaves with 1 where there is one that
# audit.txt does not explain, and with 1 where it cannot ask.
set -eu
cd "$(dirname "$0")"
set --
while read -r vulnerability reason; do
    case $vulnerability in
    '' | '#'*) continue ;;
    esac
    [ -n "$reason" ] || { echo "audit.txt gives no reason for $vulnerability" >&2; exit 2; }
    set -- "$@" --ignore-vuln "$vulnerability"
done < audit.txt
for lock in service.txt build.txt source.txt; do
    "${PIP_AUDIT:-pip-audit}" --strict --require-hashes --disable-pip --progress-spinner off \
        --vulnerability-service "${SERVICE:-pypi}" -r "$lock" "$@"
done
