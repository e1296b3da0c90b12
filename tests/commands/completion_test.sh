#!/usr/bin/env bash
# The completions offer the names that the book holds, quoted for the shell and without running what
# is in them: completion_test.sh DB FIT LOGGER.
set -uo pipefail
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
for program in "$@"; do
  ln -s "$(realpath "$program")" .
  "$program" --completion > "$(basename "$program").completion"
done
PATH=$work:$PATH
export LOADLINE_BOOK=bench.book
failed=0

loadline-db init > /dev/null
for motor in 'Heron 70' 'Heron $(touch ran) `touch ran`' "it's"; do
  loadline-db add motor "$motor" > /dev/null
done
loadline-db add machine Wren > /dev/null
loadline-db add pulley 'motor 20' > /dev/null
loadline-db init --book other.book > /dev/null
loadline-db add motor Finch --book other.book > /dev/null

# offered EXPECTED PROGRAM WORDS…: EXPECTED is all that is offered, one a line, after these words.
offered() {
  local expected=$1 program=$2 found
  shift
  found=$(bash -c 'source ./$1.completion; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1))
    "_${1//-/_}"; printf "%s\n" "${COMPREPLY[@]}"' - "$@")
  [[ $found == "$expected" ]] || { echo "after '$*' came '$found', not '$expected'"; failed=1; }
}
offered Wren loadline-fit drag ''
offered 'Heron\ 70' loadline-fit drive --motor 'Heron\ 7'
offered 'Heron 70' loadline-fit drive --motor "'Heron 7"
offered "it\\'s" loadline-logger record brake --motor it
offered 'motor\ 20' loadline-fit drive --motor-pulley ''
offered Wren loadline-db show machine ''
offered Finch loadline-fit drive --book other.book --motor ''
offered $'Heron\\ \\$\\(touch\\ ran\\)\\ \\`touch\\ ran\\`\nHeron\\ 70' loadline-fit motor Her
[[ ! -e ran ]] || { echo "a name was run"; failed=1; }
exit $failed
