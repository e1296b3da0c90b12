#!/usr/bin/env bash
# The packages of a build are the same bytes as those of one in another folder: packages_test.sh SOURCE BUILD.
# The other is made of what is committed, without a compiler cache, which takes minutes: tests/run.sh
# --long runs it. (packed_test.sh looks at what is in a package.)
set -euo pipefail
source=$(cd "$1" && pwd)
build=$(cd "$2" && pwd)
git -C "$source" diff --quiet HEAD || { echo "$source has changes that are not committed"; exit 1; }
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export SOURCE_DATE_EPOCH=1700000000 CCACHE_DISABLE=1
there=$work/another/place/further/down
mkdir -p "$there"
git -C "$source" archive HEAD | tar -x -C "$there"
cpack --config "$build/CPackConfig.cmake" -B "$work/first" > "$work/log" 2>&1 || { tail -n 20 "$work/log"; exit 1; }
together=$(sed -n 's/^LOADLINE_TOGETHER:BOOL=//p' "$build/CMakeCache.txt")
( umask 027
  cmake -S "$there" -B "$there/build" -G Ninja -DBUILD_TESTING=OFF -DLOADLINE_TOGETHER="$together"
  cmake --build "$there/build" -j "${LOADLINE_JOBS:-$(nproc)}"
  cpack --config "$there/build/CPackConfig.cmake" -B "$work/second" ) >> "$work/log" 2>&1 ||
  { tail -n 20 "$work/log"; exit 1; }
cd "$work/first"
made=(loadline*.deb loadline*.tar.gz)
[[ ${#made[@]} == 2 ]] || { echo "a package is missing: ${made[*]}"; exit 1; }
for package in "${made[@]}"; do
  cmp "$package" "$work/second/$package"
  cmp "$package.sha256" "$work/second/$package.sha256"
done
echo "the same bytes from two folders: ${made[*]}"
