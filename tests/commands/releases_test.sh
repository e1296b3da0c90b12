#!/usr/bin/env bash
# A package installs by apt in fresh Debian systems and does the demo there: releases_test.sh PACKAGE.deb
# RELEASE…. Needs root, debootstrap and the network, and takes minutes (for another processor, under
# emulation, half an hour): tests/run.sh --long asks it of the package that it built, for Debian 12 and 13.
set -euo pipefail
package=$(realpath "$1")
architecture=$(dpkg-deb --field "$package" Architecture)
mirror=${LOADLINE_DEBIAN_MIRROR:-http://deb.debian.org/debian}
shift
work=$(mktemp -d)
trap 'rm -rf --one-file-system "$work"' EXIT
for release in "$@"; do
  root=$work/$release
  debootstrap --arch "$architecture" --variant=minbase "$release" "$root" "$mirror" > "$work/log" 2>&1 ||
    { tail -n 20 "$work/log"; exit 1; }
  cp "$package" "$root/loadline.deb"
  inside() { chroot "$root" env -i PATH=/usr/bin:/bin:/usr/sbin:/sbin DEBIAN_FRONTEND=noninteractive "$@"; }
  inside apt-get install -y -q --no-install-recommends /loadline.deb > "$work/log" 2>&1 ||
    { tail -n 20 "$work/log"; echo "$release: apt does not install $package"; exit 1; }
  mkdir -m 777 "$root/evening"
  inside setpriv --reuid 1000 --regid 1000 --clear-groups \
    bash -c 'cd /evening && bash /usr/share/loadline/sample-runs/demo.sh' > "$work/log" 2>&1 ||
    { tail -n 20 "$work/log"; echo "$release: the installed demo broke off"; exit 1; }
  [[ -s $root/evening/loadline-demo/report.html ]] || { echo "$release: no report"; exit 1; }
  echo "$release ($architecture): installed, demo done"
  rm -rf --one-file-system "$root"
done
