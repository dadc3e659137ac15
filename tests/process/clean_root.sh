#!/bin/bash
# Run a command where ROOT is the root of another computer: this one's programs, and nothing else of it.
# Mounts are in a namespace of their own (unshare -m) and end with it. Usage: clean_root.sh ROOT PYTHON COMMAND...
set -euo pipefail
root=$1 python=$2
shift 2
mkdir -p "$root"/{usr,local,etc,var/lib,proc,dev,tmp,run,opt} "$root$python"
mount --rbind /usr "$root/usr"
mount --bind "$root/local" "$root/usr/local"
for name in bin sbin lib lib64; do
  [ ! -L "/$name" ] || [ -e "$root/$name" ] || ln -s "$(readlink "/$name")" "$root/$name"
done
mount --rbind "$python" "$root$python"
mount -t proc proc "$root/proc"
for name in null zero urandom; do
  touch "$root/dev/$name"
  mount --bind "/dev/$name" "$root/dev/$name"
done
[ -e "$root/etc/passwd" ] || cp /etc/passwd /etc/group "$root/etc/"
touch "$root/etc/shadow"
exec "$@"
