#!/usr/bin/env bash
# The recorder's shared state is touched under its lock: clang's thread-safety analysis of every
# source whose classes are annotated (db/basis/mutex.h). Skipped (77) without clang.
set -euo pipefail
cd "$(dirname "$0")/../.."
command -v clang++ > /dev/null || { echo "clang is not installed"; exit 77; }

analyse() {
  clang++ -std=c++20 -fsyntax-only -Wthread-safety -Werror=thread-safety-analysis -I. \
    -isystem /usr/include/eigen3 -DFMT_SHARED -DLOADLINE_VERSION='"0"' "$@"
}

# The analysis itself must see a lock that is missing, before its silence means anything.
control=$(mktemp --suffix=.cc)
trap 'rm -f "$control"' EXIT
for body in '++count_;' 'raise();' '{ Lock lock(mutex_); } ++count_;' '++alone_;'; do
  cat > "$control" <<SOURCE
#include "db/basis/mutex.h"
namespace loadline {
class Counter {
 public:
  void good() { Lock lock(mutex_); ++count_; raise(); }
  void run() { role_.play(); ++alone_; }
  void bad() { $body }
 private:
  void raise() REQUIRES(mutex_) { ++count_; }
  Mutex mutex_;
  int count_ GUARDED_BY(mutex_) = 0;
  ThreadRole role_;
  int alone_ GUARDED_BY(role_) = 0;
};
void use(Counter& counter) { counter.good(); counter.run(); counter.bad(); }
}
SOURCE
  if analyse "$control" 2> /dev/null; then
    echo "the analysis let '$body' without a lock through"
    exit 1
  fi
done

count=0
while read -r source; do
  analyse "$source"
  count=$((count + 1))
done < <(grep -l 'GUARDED_BY' logger/*.h logger/*/*.h | sed 's/\.h$/.cc/'; echo db/store/recorder_mark.cc)
[[ $count -ge 6 ]] || { echo "only $count annotated classes were found"; exit 1; }
# No lock beside the annotated one.
if grep -nE 'std::(mutex|condition_variable|lock_guard|unique_lock)' -r logger db --include='*.h' --include='*.cc' |
  grep -v '^db/basis/mutex.h:'; then
  echo "use Mutex, Lock and Condition of db/basis/mutex.h"
  exit 1
fi
echo "$count sources, every shared member under its lock"
