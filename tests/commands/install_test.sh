#!/usr/bin/env bash
# What `cmake --install` leaves behind is whole and works by itself: install_test.sh CMAKE BUILD.
set -euo pipefail
prefix=$(mktemp -d)
trap 'rm -rf "$prefix"' EXIT
"$1" --install "$2" --prefix "$prefix" > /dev/null

for program in loadline-db loadline-fit loadline-logger loadline-simrig; do
  "$prefix/bin/$program" --version > /dev/null
  zcat "$prefix/share/man/man1/$program.1.gz" | grep -q "^.TH ${program^^} 1" ||
    { echo "$program has no man page of its own"; exit 1; }
  bash -n "$prefix/share/bash-completion/completions/$program"
done
for file in lib/udev/rules.d/70-loadline-rig.rules share/loadline/sample-runs/demo.sh \
  share/loadline/sample-runs/captures/heron-brake-1.raw; do
  [[ -s $prefix/$file ]] || { echo "$file is not installed"; exit 1; }
done
grep -rq "^Permission to use, copy, modify" "$prefix"/share/doc/*/copyright ||
  { echo "the licence is not installed"; exit 1; }

# The installed demo, without any source beside it, from an empty folder.
mkdir "$prefix/empty"
cd "$prefix/empty"
env -u LOADLINE_BOOK PATH="$prefix/bin:$PATH" bash "$prefix/share/loadline/sample-runs/demo.sh" \
  > demo.log 2>&1 || { tail -n 20 demo.log; echo "the installed demo broke off"; exit 1; }
[[ -s loadline-demo/report.html && -s loadline-demo/evening.book ]]
