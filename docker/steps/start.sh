#!/bin/sh
# Start the service in the image; arguments are those of `ballgauge serve`.
#
# The compiled kernels are copied to where they can be written: the compiler takes kept code only from there. On
# another kind of processor than NUMBA_CPU_NAME says, it compiles anew into the same place.
set -eu
kept=/opt/ballgauge/kernels/ballgauge
cache=${XDG_CACHE_HOME:-/tmp/cache}/ballgauge
if mkdir -p "$cache" 2>/dev/null && [ -w "$cache" ]; then
    for folder in "$kept"/*; do
        place=$cache/${folder##*/}
        [ -e "$place" ] && continue
        # A start that is broken off leaves no half of a folder under its name.
        rm -rf "$place.new"
        cp -R "$folder" "$place.new"
        mv "$place.new" "$place"
    done
else
    echo "start.sh: $cache cannot be written; the kernels are compiled at each start" >&2
fi
exec /opt/ballgauge/environment/bin/ballgauge serve "$@"
