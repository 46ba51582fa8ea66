#!/bin/sh
# certificate.sh FOLDER [NAME]: a certificate signed by itself, for trying. It is not for callers who do not know
# it: they need one of an authority.
set -eu
folder=$1 name=${2:-localhost}
mkdir -p "$folder"
if [ -e "$folder/key.pem" ]; then
    echo "$folder/key.pem is there already and is kept" >&2
    exit 1
fi
umask 077
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 30 -subj "/CN=$name" \
    -addext "subjectAltName=DNS:$name,DNS:localhost,IP:127.0.0.1" \
    -keyout "$folder/key.pem" -out "$folder/certificate.pem" 2>/dev/null
chmod 644 "$folder/certificate.pem"
