#!/usr/bin/env bash
# The packages are the same bytes from two folders: packages_test.sh SOURCE. Builds the four programs
# twice, without a compiler cache, which takes minutes: tests/run.sh --long runs it.
set -euo pipefail
source=$(cd "$1" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export SOURCE_DATE_EPOCH=1700000000 CCACHE_DISABLE=1
for folder in one/here another/place/further/down; do
  mkdir -p "$work/$folder"
  git -C "$source" archive HEAD | tar -x -C "$work/$folder"
  ( cd "$work/$folder"
    umask "$([[ $folder == one/* ]] && echo 022 || echo 027)"
    cmake -S . -B build -G Ninja -DBUILD_TESTING=OFF
    cmake --build build -j "$(nproc)"
    cd build && cpack ) > "$work/log" 2>&1 || { tail -n 20 "$work/log"; exit 1; }
done
cd "$work/one/here/build"
made=(*.deb *.tar.gz)
[[ ${#made[@]} == 2 ]] || { echo "a package is missing: ${made[*]}"; exit 1; }
sha256sum --quiet -c ./*.sha256
for package in "${made[@]}"; do
  cmp "$package" "$work/another/place/further/down/build/$package"
done

# The archive runs where it was unpacked.
mkdir "$work/unpacked"
tar -xzf ./*.tar.gz -C "$work/unpacked"
cd "$work/unpacked"
env -u LOADLINE_BOOK bash loadline-*/share/loadline/sample-runs/demo.sh > log 2>&1 ||
  { tail -n 20 log; echo "the demo of the unpacked archive broke off"; exit 1; }
echo "the same bytes twice: ${made[*]}"
