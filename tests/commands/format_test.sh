#!/usr/bin/env bash
# Every source of ours looks as .clang-format says.
set -euo pipefail
cd "$(dirname "$0")/../.."
find db fit logger firmware-protocol tests -type f \
  \( -name '*.cc' -o -name '*.h' -o -name '*.c' \) -print0 | sort -z |
  xargs -0 clang-format --dry-run -Werror
