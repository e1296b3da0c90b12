#!/usr/bin/env bash
# The recorder under valgrind's memcheck: no read of what was never written, none beyond an end,
# nothing lost track of. Exit status 77, which ctest counts as skipped, without valgrind.
#   memcheck_test.sh LOGGER SIMRIG DB SCENARIOS
set -euo pipefail
logger=$1 simrig=$2 db=$3 scenarios=$4
command -v valgrind > /dev/null || { echo "no valgrind here (Debian: apt-get install valgrind)"; exit 77; }
folder=$(mktemp -d)
trap 'kill $(jobs -p) 2> /dev/null || true; rm -rf "$folder"' EXIT
cd "$folder"
export LOADLINE_BOOK=$folder/memory.book
fail() { echo "FAILED: $*" >&2; exit 1; }

# checked STATUS PROGRAM WORDS…: the program under memcheck must end with this status of its own.
faults=99
checked() {
  local wanted=$1 status=0
  shift
  valgrind --quiet --error-exitcode=$faults --leak-check=full --num-callers=25 \
    --errors-for-leak-kinds=definite,indirect,possible \
    --show-leak-kinds=definite,indirect,possible --log-file=valgrind.%p "$@" > out.txt 2> err.txt ||
    status=$?
  [[ $status != "$faults" ]] || fail "memcheck: $* $(cat valgrind.*)"
  [[ $status == "$wanted" ]] || fail "$*: exit status $status: $(cat err.txt)"
  rm -f valgrind.*
}

checked 0 "$db" init
checked 0 "$db" add rig bench --arm-mm 100
checked 0 "$db" add motor heron

# A live line, its capture, and a line with every kind of fault.
short=(--set run.lead_s=1 --set run.action_s=2 --set run.tail_s=1)
"$simrig" "$scenarios/no-load.ini" --link rig --wait 60 --fast "${short[@]}" > /dev/null &
for _ in $(seq 200); do [[ -e rig ]] && break; sleep 0.05; done
checked 0 "$logger" record no-load --port rig --motor heron --save-capture line.capture --json
wait
live=$(jq .samples out.txt)
checked 0 "$logger" record no-load --port line.capture --motor heron --json
[[ $(jq .samples out.txt) == "$live" && $live -gt 200 ]] || fail "the capture differs from its line"
"$simrig" "$scenarios/brake.ini" --capture bad.capture --set faults.lose_byte=0.002 \
  --set faults.flip_bit=0.002 --set faults.repeat_frame=0.01 --set faults.garbage_every_s=1 \
  --set faults.reset_at_s=4 "${short[@]}" > /dev/null
checked 0 "$logger" record brake --port bad.capture --motor heron --json --yes
[[ $(jq '.damaged > 0 and .repeated > 0' out.txt) == true ]] || fail "no fault came: $(cat out.txt)"
printf 't_ms,rpm,g\n1000,3000,500\n1010,3001,501\nrubbish\n1020,3002,502\n' > printed.txt
checked 0 "$logger" record brake --port printed.txt --motor heron --lines t_ms,motor_rpm,grams --yes

# What is refused; zero and probe; the book afterwards.
checked 3 "$logger" record no-load --port printed.txt --motor heron
checked 2 "$logger" record no-load --port line.capture --motor nobody
"$simrig" "$scenarios/rest.ini" --capture rest.capture > /dev/null
checked 0 "$logger" zero --port rest.capture
checked 0 "$logger" probe --port rest.capture --json
checked 0 "$db" check
checked 0 "$db" backup copy.book
checked 0 "$db" export run 1
echo "memcheck test passed"
