#!/usr/bin/env bash
# Installs the Debian packages that are missing, and only those: `setup.sh [build|tests|bench|arm64|releases]…`.
# DEVELOPERS.md says what each package is for. Silent when nothing is missing.
set -euo pipefail

build="g++ cmake ninja-build pkg-config libboost-dev libboost-program-options-dev libsqlite3-dev \
libceres-dev libeigen3-dev libfmt-dev nlohmann-json3-dev libserialport-dev libsndfile1-dev libmicrohttpd-dev libssl-dev \
libjs-chart.js"
tests="doctest-dev libgsl-dev sqlite3 jq clang-format clang-tidy clang gcc-avr avr-libc \
libsimavr-dev libelf-dev python3 chromium chromium-driver poppler-utils valgrind man-db gpg gpg-agent"
bench="sqlite3 python3-scipy python3-serial"
arm64="g++-aarch64-linux-gnu qemu-user-static"
releases="debootstrap"

wanted=""
for set in "${@:-build}"; do
  case $set in
    build) wanted+=" $build" ;;
    tests) wanted+=" $build $tests" ;;
    bench) wanted+=" $build $bench" ;;
    arm64) wanted+=" $build $tests $arm64" ;;
    releases) wanted+=" $releases" ;;
    *) echo "setup.sh: '$set' is no set of packages; say build, tests, bench, arm64 or releases." >&2; exit 2 ;;
  esac
done

if ! command -v dpkg-query > /dev/null; then
  echo "setup.sh: this is no Debian; please see to these yourself:$wanted" >&2
  exit 0
fi

missing=""
for package in $wanted; do
  [[ " $missing " == *" $package "* ]] && continue
  state=$(dpkg-query -W -f='${db:Status-Status}\n' "$package" 2> /dev/null | head -n 1) || true
  [[ $state == installed ]] || missing+=" $package"
done
[[ -z $missing ]] && exit 0

as_root=""
if [[ $(id -u) != 0 ]]; then
  command -v sudo > /dev/null || {
    echo "setup.sh: run this as root, then start again: apt-get install$missing" >&2
    exit 2
  }
  as_root=sudo
fi
echo "Installing what is missing:$missing"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
install_missing() {
  # shellcheck disable=SC2086  # the list is meant to be split
  $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing
}
# Fresh machines have no package lists yet; a second try with fresh lists settles both cases.
if ! install_missing > "$log" 2>&1; then
  { $as_root apt-get update -q && install_missing; } > "$log" 2>&1 || {
    tail -n 20 "$log" >&2
    echo "setup.sh: apt-get could not install:$missing" >&2
    exit 2
  }
fi
