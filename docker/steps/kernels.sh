#!/bin/sh
# kernels.sh ENVIRONMENT FOLDER KIND...: compile the numeric kernels that requests of these kinds need, and keep
# the code in FOLDER, from where start.sh takes it. It fails where something that they use is missing, and leaves the
# modules that they use compiled.
set -eu
environment=$1 folder=$2
shift 2
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
mkdir -p "$folder"
XDG_CACHE_HOME=$folder "$environment/bin/python" -I "$here/kernels.py" "$@"
chmod -R a+rX "$folder"
