#!/usr/bin/env bash
# What every program owes its user, whatever it does: shape_test.sh PROGRAM. Help with an example
# for every verb, a version, one sentence and the right exit status for what it cannot take,
# nothing on standard output then, a man page that renders without warnings, a completion that bash
# takes.
set -uo pipefail
program=$(realpath "$1")
name=$(basename "$program")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
unset LOADLINE_BOOK
failed=0
complain() { echo "$name $*"; failed=1; }

# refused STATUS WORDS…: ends with STATUS, says one sentence that begins with the program's name.
refused() {
  local wanted=$1; shift
  "$program" "$@" > out 2> err < /dev/null
  local status=$?
  [[ $status == "$wanted" ]] || complain "$*: exit status $status, wanted $wanted: $(head -c 300 err)"
  [[ ! -s out ]] || complain "$*: wrote to standard output while refusing"
  [[ $(wc -l < err) == 1 ]] || complain "$*: said $(wc -l < err) lines instead of one: $(cat err)"
  grep -q "^$name: .*[.]$" err || complain "$*: no sentence of its own: $(cat err)"
}

"$program" --version > out 2> err || complain "--version failed"
grep -Eqx "$name [0-9]+\.[0-9]+\.[0-9]+" out || complain "--version printed '$(cat out)'"
"$program" --help > help 2> err || complain "--help failed"
grep -q "^$name: " help || complain "--help does not open with the program's name and job"

verbs=$(awk '/^Verbs/ {on = 1; next} /^$/ {on = 0} on && /^  [a-z]/ {print $1}' help)
if [[ -z $verbs ]]; then
  grep -A 3 '^Example' help | grep -q "  .*$name" || complain "--help has no example"
  refused 2 --no-such-option
else
  [[ ! -s err ]] || complain "--help wrote to standard error"
  refused 2
  refused 2 no-such-verb
  refused 2 --no-such-option
fi
for verb in $verbs; do
  "$program" "$verb" --help > out 2> err || complain "$verb --help failed"
  grep -A 3 '^Example' out | grep -q "  .*$name $verb" || complain "$verb --help has no example"
  grep -v '^  loadline-' out | awk 'length > 110 {exit 1}' || complain "$verb --help has lines longer than 110"
  refused 2 "$verb" --no-such-option
  refused 2 "$verb" a b c d e f g h i j
done

"$program" --man > page.1 || complain "--man failed"
if command -v man > /dev/null && command -v groff > /dev/null; then
  LC_ALL=C.UTF-8 MANROFFSEQ='' MANWIDTH=80 man --warnings -E UTF-8 -l -Tutf8 -Z page.1 \
    > /dev/null 2> err
  [[ ! -s err ]] || complain "--man does not render cleanly: $(head -3 err)"
fi
"$program" --completion > completion || complain "--completion failed"
bash -n completion || complain "--completion is no bash"
first=$(head -n 1 <<< "$verbs")
if [[ -n $first ]]; then
  # Typing the first letters of a verb must offer it.
  offered=$(bash -c "source ./completion; COMP_WORDS=($name ${first:0:2}); COMP_CWORD=1
    _${name//-/_}; echo \${COMPREPLY[*]}")
  [[ " $offered " == *" $first "* ]] || complain "--completion offers '$offered' for ${first:0:2}"
fi
# complete WORDS…: what is offered for the last of them, or "file" where bash completes a file's name.
complete_words() {
  bash -c 'source ./completion; function=$1; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1))
    "$function"; echo "${COMPREPLY[*]:-file}"' - "_${name//-/_}" "$name" "$@"
}
offers() {  # offers EXPECTED WORDS…
  local expected=$1 offered
  shift
  offered=$(complete_words "$@")
  [[ " $offered " == *" $expected "* ]] || complain "after '$*' --completion offers '$offered'"
}
for verb in $verbs; do offers --help "$verb" --he; done
# Whatever --help shows must stand in the man page and be offered.
man_of() { awk -v section=".SH $1" '/^[.]SH/ {on = $0 == section} on' page.1 | sed 's/\\//g'; }
for verb in ${verbs:-OPTIONS}; do
  shown=$("$program" ${verbs:+"$verb"} --help | sed -n 's/^  \(-., \)\?\(--[a-z0-9-]*\).*/\2/p')
  [[ -n $shown ]] || complain "$verb --help shows no option"
  page=$(man_of "$verb")
  for option in $shown; do
    grep -q "^fB${option}fR" <<< "$page" || complain "$verb: the man page lacks $option"
    offers "$option" ${verbs:+"$verb"} "$option"
  done
done
case $name in
  loadline-db)
    offers machine add ma
    offers --rim-mm add pulley --rim
    [[ $(complete_words add motor --rim) == file ]] || complain "offers pulleys' sizes for a motor"
    offers brake import x.csv --kind br
    offers runs list ru
    offers file import --book "" ;;
  loadline-logger)
    offers coast-down record co
    offers walk plan ""
    offers file record brake --port "" ;;
  loadline-fit) offers file report -o "" ;;
  loadline-simrig) offers --fast --fa; offers file --capture "" ;;
esac
[[ -z $(find . -newer help -name '*.book') ]] || complain "left a book behind"
exit $failed
