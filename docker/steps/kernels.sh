#!/bin/sh
# kernels.sh ENVIRONMENT FOLDER KIND...: compile the numeric kernels that requests of these kinds need, and keep
# the code in FOLDER, from where start.py takes it. It fails where something that they use is missing. Modules of others
# that were compiled on this occasion are kept in that form alone; ours keep their sources, which kernels go by.
set -eu
environment=$1 folder=$2
shift 2
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
mkdir -p "$folder"
XDG_CACHE_HOME=$folder "$environment/bin/python" -I "$here/kernels.py" "$@"
chmod -R a+rX "$folder"
"$environment/bin/python" -I "$here/sourceless.py"
