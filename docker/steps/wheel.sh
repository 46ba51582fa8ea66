#!/bin/sh
# wheel.sh TOOLS SOURCE FOLDER: build the wheel. The same source gives the same bytes, wherever and whenever.
set -eu
tools=$1 source=$2 folder=$3
umask 022
# 2020-02-02, the first day that hatchling itself would choose; any fixed day after 1980 does.
export SOURCE_DATE_EPOCH="${SOURCE_DATE_EPOCH:-1580601600}"
"$tools/bin/python" -m build --wheel --no-isolation --outdir "$folder" "$source"
