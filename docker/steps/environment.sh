#!/bin/sh
# environment.sh FOLDER SOURCE REQUIREMENTS: the virtual environment of the service, with the packages it stands on.
# Exactly the files whose hashes are listed are installed. One, a font, comes as source alone; SOURCE lists what
# builds it, and install.sh takes that away again. Modules are compiled when kernels.sh uses them, and no other.
set -eu
folder=$1 source=$2 requirements=$3
python3 -m venv "$folder"
"$folder/bin/python" -m pip install -q --no-compile --require-hashes --only-binary :all: -r "$source"
"$folder/bin/python" -m pip install -q --no-compile --require-hashes --only-binary :all: --no-binary font-roboto \
    --no-build-isolation -r "$requirements"
