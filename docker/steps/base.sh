#!/bin/sh
# base.sh FOLDER ENVIRONMENT: what the image begins with, in FOLDER. It is this machine's Python without what only
# developing needs, the C libraries that it and ENVIRONMENT load, certificates, and of each library's package the
# licenses and what scanners read. There is no shell in it and no other program.
set -eu
root=$1 environment=$2
python=$(python3 -c 'import sys; print(sys.base_prefix)')
version=$(python3 -c 'import sys; print("python%d.%d" % sys.version_info[:2])')
mkdir -p "$root$python" "$root/etc/ssl/certs" "$root/usr/share" "$root/var/lib/dpkg/status.d" "$root/var/tmp"
mkdir -m 1777 "$root/tmp"

(cd "$python" && tar -c --exclude=test --exclude=tests --exclude=idlelib --exclude=tkinter --exclude=turtledemo \
    --exclude=ensurepip --exclude=lib2to3 --exclude=pydoc_data --exclude=site-packages --exclude='config-*' \
    --exclude='_tkinter*' --exclude='_test*' --exclude='*.opt-?.pyc' --exclude='*.a' \
    bin/python3 "bin/$version" "lib/$version" lib/libpython3*.so*) | tar -x --no-same-owner -C "$root$python"
find "$root$python" -type f -name '*.so*' -exec strip --strip-unneeded {} +

find "$root$python" "$environment" -type f \( -name '*.so*' -o -name "$version" \) -exec ldd {} + 2>/dev/null \
    | sed -n 's,^[^/]*\(/.*\) (0x[0-9a-f]*)$,\1,p' | grep -v -e "^$python/" -e "^$environment/" \
    | sort -u | while read -r library; do
    mkdir -p "$root${library%/*}"
    cp -L "$library" "$root$library"
    real=$(readlink -f "$library")
    # Debian knows a library by its path with or without /usr, and tells of diversions in lines of their own.
    package=$({ dpkg -S "$library" "$real" "${real#/usr}" 2>/dev/null || true; } | sed -n 's/^\([^ :]*\):.*/\1/p' | head -n 1)
    mkdir -p "$root/usr/share/doc/$package"
    cp -L "/usr/share/doc/$package/copyright" "$root/usr/share/doc/$package/"
    dpkg-query -s "$package" > "$root/var/lib/dpkg/status.d/$package"
done
cp -R /usr/share/common-licenses "$root/usr/share/"

cp -L /etc/os-release /etc/nsswitch.conf /etc/ld.so.conf "$root/etc/"
cp -R /etc/ld.so.conf.d "$root/etc/"
/sbin/ldconfig -r "$root"
printf 'root:x:0:0:root:/:/\nballgauge:x:10001:10001::/tmp:/\n' > "$root/etc/passwd"
printf 'root:x:0:\nballgauge:x:10001:\n' > "$root/etc/group"
cp -L /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/"
trusted=$(python3 -c 'import ssl; print(ssl.get_default_verify_paths().openssl_cafile)')
mkdir -p "$root${trusted%/*}"
ln -sf /etc/ssl/certs/ca-certificates.crt "$root$trusted"
