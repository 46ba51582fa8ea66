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
packages=$("$python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
find "$packages" -depth -type d \( -name tests -o -name include -o -name labextension \) -exec rm -rf {} +
find "$packages" -type f \( -name '*.pyi' -o -name '*.px[di]' -o -name '*.pyx' -o -name '*.[ch]' -o -name '*.cpp' \
    -o -name 'widgetbundle.js' -o -name 'libarrow_flight*' -o -name '*_flight.*' -o -name 'libarrow_s3*' \) -delete
# Arrow's clouds and tests, and the second and third copy of its library for Python.
find "$packages/pyarrow" -type f \( -name '_[agsh]*fs.*.so' -o -name '*_tests.*.so' -o -name 'libarrow_python*.so' \
    -o -name 'libarrow_python*.so.*.*' \) -delete
find "$packages" -path '*/babel/locale-data/*' -type f ! -name 'de*' ! -name 'en*' ! -name 'root*' -delete
# Symbols are for debuggers alone. What wheels bring of other packages' libraries (*.libs) was moved by patchelf and
# does not load any more once it is stripped.
command -v strip >/dev/null || { apt-get update -qq && apt-get install -y -qq --no-install-recommends binutils >/dev/null; }
find "$packages" -name '*.so*' -type f ! -path '*.libs/*' -exec strip --strip-unneeded {} +
"$python" -m pip uninstall -q -y setuptools pip
"$environment/bin/ballgauge" --help >/dev/null
