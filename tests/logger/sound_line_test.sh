#!/usr/bin/env bash
# The sound input through the real programs: takes of the simulated bench become runs, beside the
# same runs from its wire; a file, a pipe and standard input are one; what cannot be is refused.
#   sound_line_test.sh LOGGER SIMRIG DB FIT SCENARIOS LONG_TAKE
set -euo pipefail
logger=$1 simrig=$2 db=$3 fit=$4 scenarios=$5 long_take=$6
folder=$(mktemp -d)
trap 'kill $(jobs -p) 2> /dev/null || true; rm -rf "$folder"' EXIT
cd "$folder"
export LOADLINE_BOOK=$folder/sound.book
fail() { echo "FAILED: $*" >&2; exit 1; }
"$db" init > /dev/null
for name in wired heard; do "$db" add machine $name > /dev/null; done
"$db" add motor heron --type series --rated-v 230 > /dev/null
"$db" add rig bench --arm-mm 100 > /dev/null
field() { jq -r "$1" "$2"; }

# One pair of coast-downs, seen by the wire and heard with hum, noise and a card that is 80 ppm off.
sound=(--set sound.snr_db=26 --set sound.hum=0.2 --set sound.clock_ppm=80 --set handwheel_tach.pulses=4)
for added in 0 0.0021; do
  "$simrig" "$scenarios/coast-down.ini" --capture wire --wav take.wav "${sound[@]}" \
    --set machine.added_kgm2=$added --set run.action_s=8
  more=()
  [[ $added == 0 ]] || more=(--added-inertia-kgm2 $added)
  "$logger" record coast-down --port wire --rig bench --machine wired "${more[@]}" > /dev/null 2> err \
    || fail "wire: $(cat err)"
  "$logger" record coast-down --port take.wav --pulses 4 --machine heard "${more[@]}" --json > a.json \
    2> err || fail "take: $(cat err)"
  [[ $(field .sound.take_sha256 a.json) == $(sha256sum take.wav | cut -d' ' -f1) ]] || fail "hash of the take"
  (($(field .sound.edges a.json) > 120 && $(field .sound.lost_pulses a.json) <= 2)) \
    || fail "edges: $(cat a.json)"
done
"$fit" drag wired --json > wired.json && "$fit" drag heard --json > heard.json || fail "drag"
# The scenario's c0 is 0.09 N·m: within the limits of either, and within 1 % of each other.
jq -e '.c0.low - 0.0001 < 0.09 and .c0.high + 0.0001 > 0.09' heard.json > /dev/null || fail "c0: $(cat heard.json)"
jq -e -s '(.[0].c0.value / .[1].c0.value - 1) | fabs < 0.01' wired.json heard.json > /dev/null \
  || fail "wire and sound differ: $(jq .c0 wired.json heard.json)"
kept=$(sqlite3 sound.book "SELECT detail FROM event WHERE detail LIKE 'sound take%' LIMIT 1")
[[ $kept == *SHA-256* && $kept == *millionths* ]] || fail "the run does not say where it is from: $kept"
[[ $(sqlite3 sound.book "SELECT count(*) FROM run WHERE rig_id IS NULL") == 2 ]] || fail "a sound input became a rig"

# The same take by standard input, a pipe, and on the right of two channels.
samples=$(field .samples a.json)
"$logger" record coast-down --port - --pulses 4 --machine heard --json < take.wav > b.json 2> err || fail "$(cat err)"
cat take.wav | "$logger" record coast-down --port - --pulses 4 --machine heard --json > c.json 2> err || fail "$(cat err)"
mkfifo pipe
cat take.wav > pipe &
"$logger" record coast-down --port pipe --pulses 4 --machine heard --json > d.json 2> err || fail "$(cat err)"
for other in b c d; do
  n=$(field .samples $other.json)
  ((n >= samples - 2 && n <= samples + 2)) || fail "$other: $n samples of $samples"
  [[ $(field .sound.take_sha256 $other.json) == $(field .sound.take_sha256 a.json) ]] || fail "hash of $other"
done

# Ended by time, long before the sound: it still says where it is from.
"$simrig" "$scenarios/top-speed.ini" --wav long.wav --set handwheel_tach.pulses=4
"$logger" record top-speed --port - --for 5 --pulses 4 --machine heard --json < <(cat long.wav 2> /dev/null) > g.json 2> err \
  || fail "$(cat err)"
jq -e '.state == "complete" and .duration_s <= 5 and .samples > 60' g.json > /dev/null || fail "--for: $(cat g.json)"
[[ $(sqlite3 sound.book "SELECT count(*) FROM event WHERE detail LIKE 'sound take%' AND run_id = $(field .run g.json)") == 1 ]] \
  || fail "a run that ended by time does not say where it is from"

# Clipped: recorded, with a word about it.
"$simrig" "$scenarios/coast-down.ini" --wav loud.wav --set handwheel_tach.pulses=4 --set sound.gain=3 --set run.action_s=8
"$logger" record coast-down --port loud.wav --pulses 4 --machine heard > /dev/null 2> err || fail "$(cat err)"
grep -q "turned down" err || fail "no word about clipping: $(cat err)"

# One mark on a machine that soon stands: a word about it.
"$simrig" "$scenarios/coast-down.ini" --wav one.wav --set handwheel_tach.pulses=1 --set run.action_s=8
"$logger" record coast-down --port one.wav --pulses 1 --machine heard > /dev/null 2> err || fail "$(cat err)"
grep -q "put more marks on it" err || fail "no word about too few marks: $(cat err)"

# A motor comes up: its shaft, not a hand wheel's.
"$simrig" "$scenarios/spin-up.ini" --wav up.wav --set motor_tach.pulses=1 --set run.action_s=6
"$logger" record spin-up --port up.wav --pulses 1 --motor heron --inertia-kgm2 0.001232 --supply-v 230 \
  --clock-ppm 12 > /dev/null 2> err || fail "$(cat err)"
[[ $(sqlite3 sound.book "SELECT motor_pulses_per_turn, firmware FROM run ORDER BY id DESC LIMIT 1") \
  == "1.0|sound input, clock checked" ]] || fail "spin-up"

# Two tachometers on one take: wheel and motor of the same top speed, seen by the wire too.
for shaft in handwheel motor; do
  "$simrig" "$scenarios/top-speed.ini" --wav $shaft.wav --capture pair.wire --set sound.tach=$shaft \
    --set handwheel_tach.pulses=4 --set motor_tach.pulses=2 --set sound.snr_db=20
done
python3 - << 'END'
import wave
takes = [wave.open(name) for name in ("handwheel.wav", "motor.wav")]
left, right = (take.readframes(take.getnframes()) for take in takes)
with wave.open("pair.wav", "wb") as out:
    out.setnchannels(2)
    out.setsampwidth(2)
    out.setframerate(takes[0].getframerate())
    out.writeframes(b"".join(left[i:i + 2] + right[i:i + 2] for i in range(0, min(len(left), len(right)), 2)))
open("pair.raw", "wb").write(wave.open("pair.wav").readframes(10**9))
END
ratio() {  # motor turns over wheel turns of run $1, between its 4th and 9th second
  sqlite3 sound.book "WITH seen AS (SELECT motor_edges AS m, handwheel_edges AS w, tick - motor_edge_age_ticks AS tm,
    tick - handwheel_edge_age_ticks AS tw FROM sample JOIN run ON run.id = run_id WHERE run_id = $1 AND
    tick BETWEEN 4 * tick_hz AND 9 * tick_hz) SELECT (1.0 * (max(m) - min(m)) / (max(tm) - min(tm))) /
    (1.0 * (max(w) - min(w)) / (max(tw) - min(tw))) * handwheel_pulses_per_turn / motor_pulses_per_turn
    FROM seen, run WHERE run.id = $1"
}
"$logger" record top-speed --port pair.wire --rig bench --machine wired --motor heron --json > p.json 2> err || fail "$(cat err)"
wired=$(ratio "$(field .run p.json)")
for way in "--port pair.wav" "--port pair.raw --raw-hz 48000 --channel left"; do
  # shellcheck disable=SC2086
  "$logger" record top-speed $way --pulses 4 --other-pulses 2 --machine heard --motor heron --json > q.json 2> err \
    || fail "two tachometers: $(cat err)"
  jq -e '.sound.other.shaft == "motor" and .sound.other.edges > 2000 and .sound.other.lost_pulses == 0
    and .sound.edges > 800 and .sound.lost_pulses == 0' q.json > /dev/null || fail "two tachometers: $(cat q.json)"
  heard=$(ratio "$(field .run q.json)")
  jq -n -e "($heard / $wired - 1) | fabs < 0.0003" > /dev/null || fail "ratio $heard, wire: $wired"
done
"$logger" record top-speed --port pair.wav --channel right --pulses 2 --other-pulses 4 --machine heard --json > r.json 2> err \
  || fail "$(cat err)"
jq -e '.sound.edges > 800 and .sound.other.edges > 2000' r.json > /dev/null && fail "the channels changed places"

# A slip check by the motor's mark: no torque, but the creep speed that is the setting.
"$simrig" "$scenarios/slip-check.ini" --wav slip.wav --capture slip.wire --set sound.tach=motor --set motor_tach.pulses=2
"$logger" record slip-check --port slip.wire --rig bench --machine wired --motor heron --yes --json > s.json 2> err \
  || fail "$(cat err)"
"$logger" record slip-check --port slip.wav --pulses 2 --machine heard --motor heron --json > t.json 2> err \
  || fail "slip check: $(cat err)"
jq -e -s '(.[0].slip.creep_speed.value / .[1].slip.creep_speed.value - 1) | fabs < 0.02' s.json t.json > /dev/null \
  || fail "creep by wire and sound: $(jq -c .slip s.json t.json)"
jq -e '.slip.torque.value == null' t.json > /dev/null || fail "a torque out of sound"
cat slip.wav | "$logger" record slip-check --port - --pulses 2 --machine heard --motor heron > /dev/null 2> err || fail "$(cat err)"
grep -q "two seconds at most" err || fail "a pipe without the cautions of a slip check"

# The sound input's clock against a better one: a tick each true second, 80 millionths more samples.
python3 - << 'END'
import wave
level = [0] * (8000 * 65)
for second in range(1, 64):
    at = second * 8000 * (1 + 80e-6)
    for n in range(50):
        level[int(at) + 1 + n] = int(20000 * (1 - 0.6 ** (int(at) + 1 + n - at)) * 0.92 ** n)
with wave.open("ticks.wav", "wb") as out:
    out.setnchannels(1)
    out.setsampwidth(2)
    out.setframerate(8000)
    out.writeframes(b"".join(value.to_bytes(2, "little", signed=True) for value in level))
END
"$logger" probe --port ticks.wav --ticks-hz 1 --json > u.json 2> err || fail "clock: $(cat err)"
jq -e '.clock_fast_ppm | .value > 77 and .value < 83 and .low < .value' u.json > /dev/null || fail "clock: $(cat u.json)"

# No sensor at all: the hum of a machine at its top speed. Truth is the bench's, in its wire.
hum=(--set sound.pulse_level=0 --set sound.shaft_level=1 --set sound.snr_db=20 --set sound.hum=0.1)
"$simrig" "$scenarios/top-speed.ini" --wav hum.wav --capture hum.wire "${hum[@]}"
rpm() {  # of run number $1, between its 4th and 9th second
  sqlite3 sound.book "SELECT 60 * (max(handwheel_edges) - min(handwheel_edges)) / handwheel_pulses_per_turn
    / ((max(tick - handwheel_edge_age_ticks) - min(tick - handwheel_edge_age_ticks)) / tick_hz)
    FROM sample JOIN run ON run.id = run_id WHERE run_id = $1 AND handwheel_edge_age_ticks IS NOT NULL
    AND tick BETWEEN 4 * tick_hz AND 9 * tick_hz"
}
"$logger" record top-speed --port hum.wire --rig bench --machine wired --json > e.json 2> err || fail "$(cat err)"
wired=$(rpm "$(field .run e.json)")
"$logger" record top-speed --port hum.wav --tone --top-rpm "$(jq -n "$wired * 0.9")" --machine heard --json > f.json 2> err \
  || fail "tone: $(cat err)"
heard=$(rpm "$(field .run f.json)")
jq -n -e "($heard / $wired - 1) | fabs < 0.0015" > /dev/null || fail "tone: $heard rpm, wire: $wired"

# Refused with one sentence and status 2, the book as before.
runs=$(sqlite3 sound.book "SELECT count(*) FROM run")
refused() {
  local words=$1; shift
  local status=0
  "$logger" "$@" > out 2> err < /dev/null || status=$?
  [[ $status == 2 ]] || fail "$*: exit status $status: $(cat err)"
  [[ $(wc -l < err) == 1 ]] && grep -q "$words" err || fail "$*: $(cat err)"
}
echo "no sound" > text.wav
head -c 40 take.wav > cut.wav
refused "no torque" record brake --port take.wav --pulses 4 --motor heron
refused "no sound that can be read" record coast-down --port text.wav --pulses 4 --machine heard
refused "cut.wav" record coast-down --port cut.wav --pulses 4 --machine heard
refused "from 1 to 10000" record coast-down --port take.wav --pulses 0 --machine heard
refused "left or right" record coast-down --port take.wav --pulses 4 --channel both --machine heard
refused "add --pulses" record coast-down --port take.wav --channel left --machine heard
head -c 768044 hum.wav | tail -c 288000 > part.raw
refused "repeats as that of a shaft.*--top-rpm N" record top-speed --port part.raw --raw-hz 48000 --tone --machine heard
refused "needs two" record top-speed --port hum.wav --pulses 4 --other-pulses 1 --machine heard
refused "about marks" record top-speed --port pair.wav --tone --other-pulses 1 --machine heard
refused "add --pulses" record coast-down --port take.wav --raw-hz 48000 --machine heard
refused "samples a second" record coast-down --port pair.raw --raw-hz 7 --pulses 4 --machine heard
refused "ticks at 1 a second" probe --port take.wav --ticks-hz 1
refused "ticks-hz must be" probe --port ticks.wav --ticks-hz 0
refused "exclude each other" record top-speed --port hum.wav --tone --pulses 4 --machine heard
refused "clock-ppm" record coast-down --port take.wav --pulses 4 --clock-ppm 5000 --machine heard
"$simrig" "$scenarios/coast-down.ini" --wav silent.wav --set sound.pulse_level=0 --set run.action_s=3
status=0
"$logger" record coast-down --port silent.wav --pulses 4 --machine heard > out 2> err || status=$?
[[ $status == 3 ]] && grep -q "no pulses" err || fail "silence: $status $(cat err)"
[[ $(sqlite3 sound.book "SELECT count(*) FROM run") == "$runs" ]] || fail "something refused left a run"
# A take six times as long needs no more memory.
python3 "$long_take" "$logger" "$db" --minutes 1,6 --rate 8000 --most-growth 1.25 > long || fail "a long take: $(cat long)"
echo "The sound input reads files and pipes, and agrees with the wire."
