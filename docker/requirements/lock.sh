#!/bin/sh
# Write the exact versions and hashes of what goes into the image, after a change of pyproject.toml or build.in.
# Needs the network and uv. The versions are chosen for the image's Python on Linux; hashes are of all files.
set -eu
cd "$(dirname "$0")/../.."
lock() {
    uv pip compile -q --upgrade --generate-hashes --no-header --no-annotate --no-emit-index-url \
        --python-version 3.13 --python-platform linux -o "$@"
}
lock docker/requirements/service.txt --extra service --extra cluster --extra tracing pyproject.toml
lock docker/requirements/build.txt docker/requirements/build.in
lock docker/requirements/source.txt docker/requirements/source.in
