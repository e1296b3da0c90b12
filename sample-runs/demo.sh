#!/usr/bin/env bash
# The main job from end to end, on recorded bench sessions: installs what is missing, builds,
# replays the captures into a fresh book, fits, and answers. Products end up in build/demo/.
set -euo pipefail
cd "$(dirname "$0")/.."

bash tests/setup.sh build
generator=(-G Ninja)
[[ -f build/CMakeCache.txt ]] && generator=()
mkdir -p build
cmake -S . -B build "${generator[@]}" -DBUILD_TESTING=OFF > build/configure.log 2>&1 ||
  { cat build/configure.log >&2; exit 1; }
cmake --build build -j "$(nproc)"
