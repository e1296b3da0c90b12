#!/usr/bin/env bash
# Sets up, builds with warnings as errors, and passes every test; ends with ctest's closing line.
#
#   bash tests/run.sh                     everything, in build/
#   bash tests/run.sh --sanitize address  the same under a sanitizer (address, undefined, thread),
#                                         in build-address/ and so on
#   bash tests/run.sh --part db,logger    only the tests of these folders of tests/, and what they need
#   bash tests/run.sh --tidy              clang-tidy over every source and test besides
#   bash tests/run.sh --fuzz 60           every fuzz target for 60 seconds besides
#   bash tests/run.sh --arm64             instead: build for arm64 in build-arm64/, pass the tests of
#                                         wire, book, recorder and fits under emulation, make packages
#   bash tests/run.sh --long              what takes hours besides: clang-tidy, a minute of each fuzz
#                                         target, all tests under sanitizers, packages built twice and
#                                         installed in fresh systems (as root), --arm64
#   bash tests/run.sh -R belts            further words go to ctest
set -euo pipefail
cd "$(dirname "$0")/.."

sanitize="" part="" tidy=no fuzz=0 long=no arm64=no
while [[ $# -gt 0 ]]; do
  case $1 in
    --sanitize)
      sanitize=${2:-}
      [[ $sanitize =~ ^(address|undefined|address,undefined|thread)$ ]] || {
        echo "run.sh: --sanitize takes address, undefined, address,undefined or thread." >&2
        exit 2
      }
      shift 2 ;;
    --part)
      part=${2:-}
      [[ $part =~ ^[a-z,-]+$ ]] || { echo "run.sh: --part takes names of folders in tests/." >&2; exit 2; }
      shift 2 ;;
    --tidy) tidy=yes; shift ;;
    --arm64) arm64=yes part=firmware-protocol,db,logger,fit; shift ;;
    --long) long=yes tidy=yes fuzz=60; shift ;;
    --fuzz)
      fuzz=${2:-}
      [[ $fuzz =~ ^[1-9][0-9]*$ ]] || { echo "run.sh: --fuzz takes seconds." >&2; exit 2; }
      shift 2 ;;
    --help) sed -n '2,15s/^# \{0,1\}//p' "$0"; exit 0 ;;
    *) break ;;
  esac
done

bash tests/setup.sh tests
jobs=$(nproc)
folder=build${sanitize:+-${sanitize//,/-}}

# configure FOLDER OPTIONS…: keeps what a folder that exists already is built with, and how.
configure() {
  local into=$1; shift
  local generator=(-G Ninja -DLOADLINE_TOGETHER=ON)
  [[ -f $into/CMakeCache.txt ]] && generator=()
  mkdir -p "$into"
  cmake -S . -B "$into" "${generator[@]}" -DLOADLINE_WERROR=ON "$@" > "$into/configure.log" 2>&1 ||
    { cat "$into/configure.log" >&2; exit 1; }
}

cross=() without=()
if [[ $arm64 == yes ]]; then
  bash tests/setup.sh arm64
  folder=build-arm64
  bash tests/support/arm64_root.sh "$folder/root"
  bash tests/support/emulation.sh
  # For programs that a test starts; CMake gives the same to those that it starts itself.
  export QEMU_LD_PREFIX=$PWD/$folder/root
  cross=(--toolchain "$PWD/db/basis/arm64.cmake" -DLOADLINE_ARM64_ROOT="$QEMU_LD_PREFIX")
  # These watch a program from outside, by valgrind, preloading, a terminal or against the clock, or
  # start hundreds, or look at the source: they would test qemu or nothing new.
  without=(-E '^(memcheck|system_faults|hostile_page|terminal|line|thread_annotations|awkward_tables|table_growth)_test$')
fi

# On a build server the assertions of Eigen and of the standard library stay in.
assertions=OFF
[[ ${CI:-} == true ]] && assertions=ON
configure "$folder" -DBUILD_TESTING=ON -DLOADLINE_SANITIZE="$sanitize" \
  -DLOADLINE_ASSERTIONS=$assertions "${cross[@]}"
targets=() label=()
if [[ -n $part ]]; then
  targets=(--target) label=(-L "^(${part//,/|})\$")
  for name in ${part//,/ }; do targets+=("tests_$name"); done
fi
cmake --build "$folder" -j "$jobs" "${targets[@]}"

if [[ $tidy == yes ]]; then
  bash tests/tidy.sh
fi

if [[ $fuzz != 0 ]]; then
  CC=clang CXX=clang++ configure build-fuzz -DLOADLINE_FUZZ=ON
  cmake --build build-fuzz -j "$jobs" --target fuzzers
  for target in build-fuzz/tests/fuzz/*; do
    [[ -f $target && -x $target ]] || continue
    name=$(basename "$target")
    mkdir -p "build-fuzz/corpus/$name"
    echo "$name: $fuzz s"
    # New finds go to the first folder; the kept corpus is only read.
    "$target" -max_total_time="$fuzz" -timeout=10 -rss_limit_mb=2048 -print_final_stats=1 \
      -artifact_prefix="build-fuzz/$name-" "build-fuzz/corpus/$name" $(cat "$target.corpus") \
      > "build-fuzz/$name.log" 2>&1 ||
      { tail -n 40 "build-fuzz/$name.log" >&2; echo "run.sh: $name found a fault." >&2; exit 1; }
    grep -E 'stat::(number_of_executed_units|new_units_added)' "build-fuzz/$name.log" || true
  done
fi

# A program that a sanitizer ends has a status that no contract knows: 1, their usual one, is a "no".
found=exitcode=86
export ASAN_OPTIONS=${ASAN_OPTIONS:-detect_leaks=1:strict_string_checks=1:$found}
export UBSAN_OPTIONS=${UBSAN_OPTIONS:-halt_on_error=1:print_stacktrace=1:$found}
export LSAN_OPTIONS=${LSAN_OPTIONS:-suppressions=$PWD/tests/support/leaks.supp:print_suppressions=0:$found}
export TSAN_OPTIONS=${TSAN_OPTIONS:-halt_on_error=1:$found}
if [[ $long == yes ]]; then
  # Without tests/study: its one test computes for hours there.
  bash tests/run.sh --sanitize address,undefined \
    --part firmware-protocol,db,logger,fit,drive,report,reference,commands,browser "$@"
  bash tests/run.sh --sanitize thread --part firmware-protocol,db,logger,browser "$@"
  bash tests/commands/packages_test.sh . "$folder"
  ( cd "$folder" && rm -f loadline*.deb && cpack )
  bash tests/setup.sh releases
  bash tests/commands/releases_test.sh "$folder"/loadline*.deb bookworm trixie
  bash tests/run.sh --arm64
fi
if [[ $arm64 == yes ]]; then
  cmake --build "$folder" -j "$jobs" --target pages firmware
  ( cd "$folder" && cpack )
fi
# One more than there are processors: many tests wait for a bench in real time.
ctest --test-dir "$folder" --output-on-failure -j "$((jobs + 1))" "${label[@]}" "${without[@]}" "$@"
