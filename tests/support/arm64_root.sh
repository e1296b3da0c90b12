#!/usr/bin/env bash
# The libraries of a Debian for arm64 in a folder of their own, for db/basis/arm64.cmake:
# arm64_root.sh FOLDER. Downloads the packages that setup.sh names for a build and for tests of this
# computer's release and unpacks them there; needs no root's rights and leaves the system's own packages as
# they are (some of them, glog's among them, could not be installed for two kinds of processor at once).
# Does nothing where the folder holds them already.
set -euo pipefail
mkdir -p "$1"
root=$(cd "$1" && pwd)
packages="libboost-dev libboost-program-options-dev libsqlite3-dev libceres-dev libeigen3-dev libfmt-dev \
nlohmann-json3-dev libserialport-dev libsndfile1-dev libmicrohttpd-dev libssl-dev libjs-chart.js doctest-dev \
libgsl-dev"
[[ $(cat "$root/unpacked" 2> /dev/null) == "$packages" ]] && exit 0

apt=$root/apt
mkdir -p "$apt/state/lists/partial" "$apt/cache/archives/partial"
: > "$apt/status"
# get WORDS…: apt-get as on a computer for arm64 on which nothing is installed.
get() {
  apt-get -q -y -o APT::Architecture=arm64 -o APT::Architectures=arm64 -o APT::Sandbox::User= \
    -o Dir::State="$apt/state" -o Dir::State::status="$apt/status" -o Dir::Cache="$apt/cache" \
    -o Dir::Log="$apt" "$@" > "$apt/log" 2>&1
}
# shellcheck disable=SC2086  # the list is meant to be split
get update && get install --download-only --no-install-recommends $packages || {
  tail -n 20 "$apt/log" >&2
  echo "arm64_root.sh: apt-get could not download the libraries for arm64" >&2
  exit 2
}
mkdir -p "$root/usr/lib" "$root/usr/bin" "$root/usr/sbin"
for folder in lib bin sbin; do ln -sfn "usr/$folder" "$root/$folder"; done
for package in "$apt"/cache/archives/*.deb; do
  dpkg-deb --fsys-tarfile "$package" | tar -x --keep-directory-symlink --no-same-owner -C "$root"
done
# What installing would have linked: Ceres asks for them though nothing here calls them.
for library in blas lapack; do
  ln -sfn "atlas/lib$library.so" "$root/usr/lib/aarch64-linux-gnu/lib$library.so"
done
# What Debian says that each library needs, for dpkg-shlibdeps, which knows installed packages only. Of
# a version the first two numbers: within a release Debian adds nothing to an interface.
for package in "$apt"/cache/archives/*.deb; do
  dpkg-deb --info "$package" shlibs 2> /dev/null || true
done | grep -v '^udeb:' | sed -E 's/\(>= ([0-9]+\.[0-9]+)[^)]*\)/(>= \1)/' | LC_ALL=C sort -u > "$root/shlibs"
rm -rf "$apt/cache"
echo "$packages" > "$root/unpacked"
