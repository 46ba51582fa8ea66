#!/bin/sh
# install.sh ENVIRONMENT FOLDER: install the wheel that lies in FOLDER, hold that all it needs is there in the
# versions it asks for, and take away what only installing and testing need.
set -eu
environment=$1 folder=$2
set -- "$folder"/ballgauge-*.whl
[ $# -eq 1 ] || { echo "one wheel was expected in $folder: $*" >&2; exit 1; }
python=$environment/bin/python
"$python" -m pip install -q --no-compile --no-index --no-deps "$1"
"$python" -m pip check
# Narwhals is for plotly's modules, which prune.sh takes away.
"$python" -m pip uninstall -q -y narwhals setuptools pip
"$environment/bin/ballgauge" --help >/dev/null
