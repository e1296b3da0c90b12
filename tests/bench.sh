#!/usr/bin/env bash
# Measures speed, each figure as a ratio against a peer or limit taken in the same run. Prints one
# line per figure: name, median of its rounds, target, 'pass', 'short' or, where a round of the same
# run did reach the target, 'noisy'; then the least and the greatest round. In each round either side
# is measured right after the other. Not part of the tests: nothing here decides whether a build is
# right.
#
#   bash tests/bench.sh               all figures
#   bash tests/bench.sh start import  only figures whose name holds one of these words
#
# LOADLINE_BENCH_SCALE (default 1) shrinks the big sets, 0.01 for a quick look. In full it takes a
# quarter of an hour and 6 GB in $TMPDIR on two cores that have nothing else to do.
set -euo pipefail
cd "$(dirname "$0")/.."

bash tests/setup.sh bench tests >&2
if [[ ! -f build/CMakeCache.txt ]]; then
  mkdir -p build
  cmake -S . -B build -G Ninja > build/configure.log 2>&1 || { cat build/configure.log >&2; exit 1; }
fi
cmake --build build -j "$(nproc)" > build/bench-build.log 2>&1 ||
  { tail -n 40 build/bench-build.log >&2; exit 1; }
grep -Eq '^CMAKE_BUILD_TYPE:STRING=(RelWithDebInfo|Release)$' build/CMakeCache.txt ||
  echo "bench.sh: this build is not optimised; its figures say nothing." >&2
exec /usr/bin/python3 tests/bench/bench.py build "$@"
