#!/usr/bin/env bash
# The real program on the real line: pseudo-terminal, FIFO, capture, and libserialport itself, which
# a preloaded shim lets take a pseudo-terminal for a serial device.
#   line_test.sh LOGGER SIMRIG DB SHIM SCENARIOS
set -euo pipefail
logger=$1 simrig=$2 db=$3 shim=$4 scenarios=$5
folder=$(mktemp -d)
trap 'kill $(jobs -p) 2> /dev/null || true; rm -rf "$folder"' EXIT
cd "$folder"
export LOADLINE_BOOK=$folder/line.book
fail() { echo "FAILED: $*" >&2; exit 1; }
"$db" init > /dev/null
"$db" add rig bench --arm-mm 100 > /dev/null
"$db" add motor heron > /dev/null

rig() {  # rig SCENARIO [options]: plays in the background behind ./rig
  rm -f rig
  "$simrig" "$scenarios/$1.ini" --link rig --wait 30 "${@:2}" > /dev/null &
  for _ in $(seq 200); do [[ -e rig ]] && return; sleep 0.05; done
  fail "the simulated rig did not come up"
}
short=(--set run.lead_s=1 --set run.action_s=3 --set run.tail_s=1)
field() { jq -r "$1" "$2"; }

# A pseudo-terminal, with the raw bytes kept; then the capture again: the same samples.
rig no-load --fast "${short[@]}"
"$logger" record no-load --port rig --motor heron --json --save-capture line.capture > a.json 2> a.err \
  || fail "$(cat a.err)"
wait
[[ $(field .state a.json) == complete && $(field .lost a.json) == 0 ]] || fail "pseudo-terminal"
"$logger" record no-load --port line.capture --motor heron --json > b.json 2> b.err || fail "$(cat b.err)"
[[ $(field .samples a.json) == $(field .samples b.json) ]] || fail "capture differs from its line"

# A FIFO and standard input carry the same capture.
mkfifo pipe
cat line.capture > pipe &
"$logger" record no-load --port pipe --motor heron --json > c.json 2> c.err || fail "$(cat c.err)"
"$logger" record no-load --port - --motor heron --json < line.capture > d.json 2> d.err || fail "$(cat d.err)"
[[ $(field .samples c.json) == $(field .samples a.json) ]] || fail "FIFO"
[[ $(field .samples d.json) == $(field .samples a.json) ]] || fail "standard input"

# A clock that stands before the last run, as one without its battery does, is spoken of.
! grep -q "set the clock" d.err || fail "a sound clock was spoken of"
sqlite3 line.book "UPDATE run SET started_utc = '2199-01-01T00:00:00.000Z'
                   WHERE id = $(field .run d.json)"
"$logger" record no-load --port line.capture --motor heron --json > d.json 2> d.err || fail "$(cat d.err)"
grep -q "set the clock" d.err || fail "a clock that stands before the last run went unsaid: $(cat d.err)"
sqlite3 line.book "UPDATE run SET started_utc = '2026-01-01T00:00:00.000Z' WHERE started_utc > '2199'"

# libserialport for real. A sanitizer's runtime need not stand before a shim that allocates nothing.
shimmed() {
  LD_PRELOAD=$shim ASAN_OPTIONS=${ASAN_OPTIONS:-}:verify_asan_link_order=0 "$@"
}
rig no-load --fast "${short[@]}"
shimmed "$logger" record no-load --port serial:rig --motor heron --json > e.json 2> e.err \
  || fail "libserialport: $(cat e.err)"
wait
[[ $(field .samples e.json) == $(field .samples a.json) ]] || fail "libserialport lost samples"
# Unplugged in mid-run and plugged in again: one run, the gap recorded.
rig no-load "${short[@]}" --set faults.hang_up_at_s=1.5 --set faults.hang_up_for_s=1
shimmed "$logger" record no-load --port serial:rig --motor heron --json > f.json 2> f.err \
  || fail "re-plug: $(cat f.err)"
wait
run=$(field .run f.json)
[[ $(field .state f.json) == complete ]] || fail "re-plug did not complete"
kinds=$(sqlite3 line.book "SELECT group_concat(kind) FROM event WHERE run_id = $run")
[[ $kinds == *hang-up*resumed* ]] || fail "re-plug left no events: $kinds"

# One port, one reader, root or not: a second recorder is refused and told who holds the line, and the
# first loses nothing. A killed recorder holds nothing.
refused() {  # refused COMMAND…: exit status 3, and one sentence that names the first
  local status=0
  "$@" > out.txt 2> err.txt || status=$?
  [[ $status == 3 && $(wc -l < err.txt) == 1 ]] || fail "second reader: status $status: $(cat err.txt)"
  grep -q "in use by process $first (loadline-logger)" err.txt || fail "second reader: $(cat err.txt)"
}
for port in rig serial:rig; do
  rig no-load "${short[@]}"
  LD_PRELOAD=$shim ASAN_OPTIONS=${ASAN_OPTIONS:-}:verify_asan_link_order=0 \
    "$logger" record no-load --port $port --motor heron --json > k.json 2> k.err & first=$!
  device=$(readlink -f rig)
  for _ in $(seq 200); do
    [[ -n $(find /proc/$first/fd -lname "$device" 2> /dev/null) ]] && break
    sleep 0.02
  done
  sleep 0.1
  refused shimmed "$logger" record no-load --port "$port" --motor heron
  refused shimmed "$logger" probe --port serial:rig
  refused "$logger" zero --port rig
  wait $first || fail "the first reader: $(cat k.err)"
  [[ $(field .lost k.json) == 0 && $(field .damaged k.json) == 0 ]] || fail "a second reader took bytes"
  wait
done
rig no-load "${short[@]}"
"$logger" record no-load --port rig --motor heron > out.txt 2> err.txt & first=$!
sleep 0.5
kill -9 $first
wait $first || true
"$logger" record no-load --port rig --motor heron > out.txt 2> err.txt || fail "after a kill: $(cat err.txt)"
wait

# What is no rig is said so, with exit status 3 and the book as it was.
runs=$(sqlite3 line.book "SELECT count(*) FROM run")
printf 'not a rig\n' > text.txt
: > empty.txt
for port in absent text.txt empty.txt "$folder" /dev/null serial:text.txt; do
  status=0
  "$logger" record no-load --port "$port" --motor heron > out.txt 2> err.txt || status=$?
  [[ $status == 3 ]] || fail "port $port: exit status $status: $(cat err.txt)"
  [[ $(wc -l < err.txt) == 1 ]] || fail "port $port: not one sentence: $(cat err.txt)"
done
[[ $(sqlite3 line.book "SELECT count(*) FROM run") == "$runs" ]] || fail "a refused port made a run"
# In a book without a rig the same; a rig that answers is entered as it describes itself.
"$db" init --book first.book > /dev/null && "$db" add motor heron --book first.book > /dev/null
before=$(sha256sum first.book)
status=0
"$logger" record no-load --port text.txt --motor heron --book first.book > out.txt 2> err.txt || status=$?
[[ $status == 3 && $(sha256sum first.book) == "$before" ]] || fail "no rig: $status: $(cat err.txt)"
"$logger" record no-load --port line.capture --motor heron --book first.book --json > first.json \
  2> err.txt || fail "first rig: $(cat err.txt)"
grep -q "first rig" err.txt || fail "the first rig was entered silently"
[[ $(sqlite3 first.book "SELECT count(*) FROM run JOIN rig ON rig.id = run.rig_id
  WHERE rig.name = 'first rig'") == 1 ]] || fail "the first rig's run does not name it"
# A missing port is said before anything else is missed: here the book knows no rig, and is none.
"$db" init --book bare.book > /dev/null
for words in "record brake --port absent" "record brake --port serial:absent" "zero --port absent" \
  "record brake --port absent --motor nobody"; do
  for book in bare.book absent.book; do
    status=0
    # shellcheck disable=SC2086
    "$logger" $words --book "$book" > out.txt 2> err.txt || status=$?
    [[ $status == 3 ]] || fail "$words, $book: exit status $status: $(cat err.txt)"
    [[ $(wc -l < err.txt) == 1 && $(cat err.txt) == *absent* ]] || fail "$words: $(cat err.txt)"
  done
done
for words in "brake" "brake --port line.capture" "sweep --port line.capture --motor heron" \
  "no-load --port line.capture --motor nobody" "no-load --port line.capture --motor heron --for -1" \
  "top-speed --port line.capture --machine heron"; do
  status=0
  # shellcheck disable=SC2086
  "$logger" record $words > out.txt 2> err.txt || status=$?
  [[ $status == 2 ]] || fail "record $words: exit status $status: $(cat err.txt)"
done
for words in "probe --port line.capture --for -3" "zero --port line.capture --for 0" \
  "watch --port line.capture --page-port 99999" "plan frobnicate" \
  "plan belts p --machine heron --belt a --belt a" \
  "record no-load --port line.capture --motor heron --listen" \
  "record no-load --port line.capture --motor heron --inertia-kgm2 560"; do
  status=0
  # shellcheck disable=SC2086
  timeout 20 "$logger" $words > out.txt 2> err.txt || status=$?
  [[ $status == 2 ]] || fail "$words: exit status $status: $(cat err.txt)"
  [[ $(wc -l < err.txt) == 1 ]] || fail "$words: not one sentence: $(cat err.txt)"
done
status=0
"$logger" record no-load --port line.capture --motor heron --book absent.book > out.txt 2> err.txt || status=$?
[[ $status == 4 ]] || fail "absent book: exit status $status"

# A book that may only be read is refused before anything is recorded; root may write anywhere.
mkdir ro && "$db" backup ro/line.book > /dev/null && chmod 444 ro/line.book && chmod 555 ro
before=$(sha256sum ro/line.book) status=0 anyone=()
[[ $(id -u) == 0 ]] && anyone=(setpriv --reuid 65534 --clear-groups) && chmod 755 .
cp "$logger" copy  # where it was built may be closed to others
"${anyone[@]}" ./copy record no-load --port line.capture --motor heron --book ro/line.book \
  > out.txt 2> err.txt || status=$?
[[ $status == 4 && $(wc -l < err.txt) == 1 ]] || fail "read-only: status $status: $(cat err.txt)"
grep -q "may only be read here" err.txt || fail "read-only: $(cat err.txt)"
[[ $(sha256sum ro/line.book) == "$before" && $(ls ro) == line.book ]] || fail "read-only: touched"
chmod 755 ro

# Printed lines.
printf 't_ms;rpm;g\n1000;3000;500\n1010;3001;501\nrubbish\n1020;3002;502\n' > printed.txt
"$logger" record brake --port printed.txt --motor heron --lines t_ms,motor_rpm,grams \
  --separator semicolon --json > g.json 2> g.err || fail "$(cat g.err)"
[[ $(field .samples g.json) == 3 && $(field .damaged g.json) == 2 ]] || fail "printed lines"

# Probe, zero and calibration.
"$simrig" "$scenarios/rest.ini" --capture rest.capture > /dev/null
"$logger" probe --port rest.capture --json > h.json 2> h.err || fail "$(cat h.err)"
[[ $(field '.channels[0].well' h.json) == true ]] || fail "probe"
"$logger" zero --port rest.capture --json > i.json 2> i.err || fail "$(cat i.err)"
for mass in 0 500 1000; do
  "$simrig" "$scenarios/rest.ini" --set cell.mass_g=$mass --capture rest-$mass.capture > /dev/null
done
"$logger" calibrate --point 0=rest-0.capture --point 500=rest-500.capture \
  --point 1000=rest-1000.capture --point 500=rest-500.capture --point 0=rest-0.capture \
  --local-g 9.80665 --json > j.json 2> j.err || fail "$(cat j.err)"
# The scenario's truth: counts per newton.
counts=$(awk -F= '/^counts_per_n/{gsub(/ /,"",$2); print $2+0}' "$scenarios/rest.ini")
jq -e --argjson truth "$counts" '1 / .slope.value / $truth | . > 0.999 and . < 1.001' \
  j.json > /dev/null || fail "calibration: $(cat j.json)"

# Slips of units are asked about where they come in, and nothing of them is kept.
if "$logger" calibrate --point 0=rest-0.capture --point 0.5=rest-500.capture \
  --point 1=rest-1000.capture > k.out 2> k.err < /dev/null; then fail "kilograms passed for grams"; fi
grep -q "heaviest mass is 1 g" k.err || fail "calibration in kilograms: $(cat k.err)"
if "$logger" calibrate --point 0=rest-0.capture --point 50=rest-500.capture \
  --point 100=rest-1000.capture > k.out 2> k.err < /dev/null; then fail "a slope ten times less"; fi
grep -q "0.1 times the force" k.err || fail "another slope: $(cat k.err)"
"$db" list calibrations --json > l.json || fail "list calibrations"
[[ $(jq ".calibrations | length" l.json) == 1 ]] || fail "odd calibrations were kept"
if "$logger" record spin-up --port rest.capture --motor heron --inertia-kgm2 3.5 > m.out 2> m.err < /dev/null
then fail "a flywheel that no shaft carries"; fi
grep -q "more than such a shaft carries" m.err || fail "flywheel: $(cat m.err)"
echo "line test passed"
