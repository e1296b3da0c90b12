#!/usr/bin/env bash
# clang-tidy (.clang-tidy) over every source of ours, the tests too.
#
#   bash tests/tidy.sh              all of them: an hour and more of computing
#   bash tests/tidy.sh --since REV  only what differs from commit REV: a changed source, and the
#                                   source beside a changed header
set -euo pipefail
cd "$(dirname "$0")/.."

since=""
case ${1:-} in
  --since) since=${2:?"tidy.sh: --since takes a commit."} ;;
  "") ;;
  *) sed -n '2,7s/^# \{0,1\}//p' "$0"; exit 2 ;;
esac
if [[ -n $since ]] && ! git rev-parse --verify --quiet "$since^{commit}" > /dev/null; then
  echo "tidy.sh: commit '$since' is not in this clone; nothing to compare with."
  exit 0
fi

# Without precompiled headers: clang reads none of GCC's, and a source that lacks an include shows.
build=build-tidy
generator=(-G Ninja)
[[ -f $build/CMakeCache.txt ]] && generator=()
mkdir -p $build
cmake -S . -B $build "${generator[@]}" -DBUILD_TESTING=ON -DLOADLINE_PRECOMPILED=OFF \
  > $build/configure.log 2>&1 || { cat $build/configure.log >&2; exit 1; }

# Every C++ source that the build knows, by its path from here.
known() {
  jq -r '.[].file' $build/compile_commands.json | sed "s|^$PWD/||" | grep '\.cc$' |
    grep -v '^/\|^build' | sort -u
}
changed() {
  { git diff --name-only --diff-filter=d "$since"; git ls-files --others --exclude-standard; } |
    sed -n 's/\.h$/.cc/p; /\.cc$/p' | sort -u
}
if [[ -n $since ]]; then
  mapfile -t sources < <(comm -12 <(known) <(changed))
else
  mapfile -t sources < <(known)
fi
[[ ${#sources[@]} -gt 0 ]] || { echo "clang-tidy: nothing to read"; exit 0; }

# GCC's options that clang does not know are no complaint about the source.
printf '%s\0' "${sources[@]}" |
  xargs -0 -n 1 -P "$(nproc)" clang-tidy --quiet -p $build \
    --extra-arg=-Wno-unknown-warning-option 2> $build/tidy.log ||
  { echo "tidy.sh: clang-tidy has complaints (above)." >&2; exit 1; }
echo "clang-tidy: ${#sources[@]} sources, clean"
