#!/usr/bin/env bash
# Whatever file a page names is there, by its path or by its name alone; a function is in the file
# that DEVELOPERS.md says it is in; and the pages that README.md names are installed.
set -euo pipefail
cd "$(dirname "$0")/../.."

missing=0 seen=0
while IFS=: read -r page path; do
  seen=$((seen + 1))
  [[ -e $path || -e $(dirname "$page")/$path ]] && continue
  echo "$page: there is no $path"
  missing=1
# NAME, CODE and N stand for what a reader puts in.
done < <(find README.md DEVELOPERS.md db fit logger firmware-protocol tests sample-runs -name '*.md' \
  -print0 | xargs -0 grep -oHE \
  '`[a-z0-9_.-]+(/[A-Za-z0-9_.-]+)*/[a-zR][a-z0-9_.EADM-]*\.(md|h|cc|c|sh|py|svg|css|js|cmake|evening|html|txt)`' | tr -d '`')
names=$(find db fit logger firmware-protocol tests sample-runs -name '*.cc' -o -name '*.h' |
  sed 's|.*/||' | sort -u)
while IFS=: read -r page name; do
  grep -qxF "$name" <<< "$names" && continue
  echo "$page: there is no $name"
  missing=1
done < <(grep -oHE '`[a-z0-9_]+\.(cc|h)`' DEVELOPERS.md fit/README.md db/README.md logger/README.md |
  tr -d '`' | sort -u)
while read -r function file; do
  found=$(find db fit logger -name "$file" -exec grep -lw -- "$function" {} + || true)
  [[ -n $found ]] && continue
  echo "DEVELOPERS.md: $function is not in $file"
  missing=1
done < <(grep -oE '`[A-Za-z_]+(\(\))?` in `[a-z0-9_/]+\.(cc|h)`' DEVELOPERS.md |
  sed -E 's/`([A-Za-z_]+)(\(\))?` in `([^`]*\/)?([^`]*)`/\1 \4/')
[[ $seen -gt 50 ]] || { echo "only $seen paths were found in the pages"; exit 1; }
while read -r page; do
  grep -q "$page" db/basis/packaging.cmake && continue
  echo "README.md names $page, which is not installed"
  missing=1
done < <(grep -oE '`[a-z-]+(/[a-z-]+)*/[A-Za-z]+\.md`' README.md | tr -d '`' | sort -u)
[[ $missing == 0 ]] && echo "$seen paths in pages, all there"
