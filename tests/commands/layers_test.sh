#!/usr/bin/env bash
# The layer check must pass on this tree and fail on a tree with one wrong include.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
bash "$here/layers.sh"

tree=$(mktemp -d)
trap 'rm -rf "$tree"' EXIT
mkdir -p "$tree/db" "$tree/fit/readings" "$tree/logger"
echo '#include "db/book.h"' > "$tree/fit/readings/torque.cc"
echo '#include "db/book.h"' > "$tree/logger/recorder.cc"
bash "$here/layers.sh" "$tree" > /dev/null || { echo "a clean tree was refused"; exit 1; }
echo '#include "fit/readings/torque.h"' > "$tree/logger/recorder.cc"
if bash "$here/layers.sh" "$tree" > /dev/null; then
  echo "a recorder that leans on a fit was let through"
  exit 1
fi
echo '#include "db/book.h"' > "$tree/logger/recorder.cc"
mkdir "$tree/fit/readings/noise"
echo '#include "fit/readings/noise/noise.h"' > "$tree/fit/readings/torque.cc"
echo '#include "fit/readings/torque.h"' > "$tree/fit/readings/noise/noise.cc"
if bash "$here/layers.sh" "$tree" > /dev/null; then
  echo "folders that include each other were let through"
  exit 1
fi
