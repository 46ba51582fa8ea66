#!/bin/sh
# programs.sh SOURCE FOLDER: what runs in the image beside the service itself.
set -eu
source=$1 folder=$2
mkdir -p "$folder"
install -m 0644 "$source/start.py" "$source/health.py" "$folder"
