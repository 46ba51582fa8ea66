#!/bin/sh
# install.sh ENVIRONMENT FOLDER: install the wheel that lies in FOLDER, hold that all it needs is there in the
# versions it asks for, and take away what only installing and testing need.
set -eu
environment=$1 folder=$2
set -- "$folder"/ballgauge-*.whl
[ $# -eq 1 ] || { echo "one wheel was expected in $folder: $*" >&2; exit 1; }
python=$environment/bin/python
"$python" -m pip install -q --no-index --no-deps "$1"
"$python" -m pip check
packages=$("$python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
for package in numba numpy pyarrow scipy; do
    find "$packages/$package" -type d \( -name tests -o -name include \) -prune -exec rm -rf {} +
done
"$python" -m pip uninstall -q -y setuptools pip
"$environment/bin/ballgauge" --help >/dev/null
