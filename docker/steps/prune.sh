#!/bin/sh
# prune.sh ENVIRONMENT: take away what only building, testing and debugging need, and the parts of packages that the
# service has no use for. What it does need is run afterwards by kernels.sh and by the tests of the image. Licenses
# (*.dist-info) stay.
set -eu
environment=$1
packages=$("$environment/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
cd "$packages"
take() { for part in "$@"; do [ -e "$part" ] || { echo "prune.sh: $part is not there" >&2; exit 1; }; rm -rf "$part"; done; }

# Tests, headers, sources of compiled modules, and what notebooks would show.
find . -depth -type d \( -name tests -o -name include -o -name labextension \) -exec rm -rf {} +
find . -type f \( -name '*.pyi' -o -name '*.px[di]' -o -name '*.pyx' -o -name '*.[ach]' -o -name '*.[ch]pp' -o -name '*.cc' \
    -o -name 'widgetbundle.js' \) -delete
rm -rf "$environment/share" pyarrow/src pyarrow/includes
# Arrow's clouds, services and other formats than CSV, JSON and Parquet, and the second and third copy of its library
# for Python.
find pyarrow -type f \( -name 'libarrow_flight*' -o -name '*_flight.*' -o -name 'libarrow_s3*' \
    -o -name '_[agsh]*fs.*.so' -o -name '*_tests.*.so' -o -name 'libarrow_python*.so' -o -name 'libarrow_python*.so.*.*' \
    -o -name '_orc.*' -o -name '_dataset_orc.*' -o -name '_feather.*' -o -name '_substrait.*' -o -name '*_encryption.*so*' \
    \) -delete
# Pictures are PNG and JPEG; fonts are Roboto, regular and bold; languages are English and German.
rm -f PIL/_avif.*.so PIL/_webp.*.so pillow.libs/libavif-* pillow.libs/libwebp* pillow.libs/libsharpyuv-*
find font_roboto/files -type f ! -name 'Roboto-Regular.ttf' ! -name 'Roboto-Bold.ttf' -delete
find babel/locale-data -type f ! -name 'de*' ! -name 'en*' ! -name 'root*' -delete
# Other sciences: graphics processors, signals, clusters, files of other programs.
take numba/cuda scipy/cluster scipy/datasets scipy/fftpack scipy/io scipy/misc scipy/odr scipy/signal
rm -f numpy/_core/_simd.*.so
# Of plotly, the script that draws in a browser is all that is used.
find plotly -mindepth 1 -maxdepth 1 ! -name __init__.py ! -name package_data -exec rm -rf {} +
# Dask's own pages, data frames and arrays; XML as objects and as HTML; the grammars of the languages that are colored.
take dask/array dask/dataframe distributed/http/static lxml/html lxml/isoschematron tornado/test
rm -f lxml/objectify.*.so
# The second form of fuzzy comparing, for some processors; the first one serves them all.
rm -f rapidfuzz/*_avx2.*.so rapidfuzz/distance/*_avx2.*.so
find pygments/lexers -type f ! -name '__init__.py' ! -name '_mapping.py' ! -name 'python.py' -delete
# Symbols are for debuggers alone. What wheels bring of other packages' libraries (*.libs) was moved by patchelf and
# does not load any more once it is stripped.
command -v strip >/dev/null || { apt-get update -qq && apt-get install -y -qq --no-install-recommends binutils >/dev/null; }
find . -name '*.so*' -type f ! -path '*.libs/*' -exec strip --strip-unneeded {} +
"$environment/bin/ballgauge" --help >/dev/null
