#!/bin/sh
# tools.sh FOLDER REQUIREMENTS: a virtual environment with the tools that build; they do not get into the image.
set -eu
folder=$1 requirements=$2
python3 -m venv "$folder"
"$folder/bin/python" -m pip install -q --require-hashes --only-binary :all: -r "$requirements"
