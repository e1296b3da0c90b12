#!/usr/bin/env bash
# The main job from end to end, on recorded bench sessions of an invented workshop: installs what is
# missing, builds, replays the captures through the real recorder into a fresh book, calibrates,
# fits, answers, reports. Products end up in build/demo/ (in loadline-demo/ when Loadline is
# installed and its source is not here). Running it again starts afresh.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)

if [[ -f $here/../CMakeLists.txt ]]; then
  cd "$here/.."
  bash tests/setup.sh build
  if [[ ! -f build/CMakeCache.txt ]]; then
    mkdir -p build
    cmake -S . -B build -G Ninja -DBUILD_TESTING=OFF -DLOADLINE_TOGETHER=ON > build/configure.log 2>&1 ||
      { cat build/configure.log >&2; exit 1; }
  fi
  cmake --build build -j "$(nproc)" \
    --target loadline-db loadline-logger loadline-fit loadline-simrig
  for folder in db logger fit firmware-protocol; do PATH=$PWD/build/$folder:$PATH; done
  demo=$PWD/build/demo
else
  # Unpacked somewhere: the programs lie beside.
  [[ -x $here/../../../bin/loadline-db ]] && PATH=$(cd "$here/../../../bin" && pwd):$PATH
  demo=$PWD/loadline-demo
fi
rm -rf "$demo"
mkdir -p "$demo"
cd "$demo"
ln -s "$here/captures" captures
export LOADLINE_BOOK=evening.book

bold="" plain=""
if [[ -t 1 && -z ${NO_COLOR:-} ]]; then bold=$'\e[1m' plain=$'\e[0m'; fi
began=$SECONDS
steps=9 step=0
# chapter TITLE: what comes next, and how far the evening has come.
chapter() {
  step=$((step + 1))
  printf '\n%s%d of %d. %s%s\n' "$bold" "$step" "$steps" "$1" "$plain"
}
# show COMMAND…: prints the command as it would be typed, then runs it.
show() {
  local words=() word
  for word in "$@"; do
    [[ $word == *[!A-Za-z0-9_./=+-]* ]] && word="'$word'"
    words+=("$word")
  done
  printf '\n%s$ %s%s\n' "$bold" "${words[*]}" "$plain"
  "$@"
}

cat <<'TEXT'
The workshop by the mill race has two motors in its drawer, Heron 70 and Finch 45, and a machine,
Wren, that wants to run again. Its bench recorded them on one evening; what follows plays those
recordings back. Nothing turns while you watch.
TEXT

chapter "A book, and what lies on the bench"
show loadline-db init
show loadline-db add rig Bench --arm-mm 100 --arm-sd-mm 0.1 --cell brake
show loadline-db add motor 'Heron 70' --type series --rated-v 230 --rated-hz 50 --max-rpm 10000 --shaft-mm 6
show loadline-db add motor 'Finch 45' --type series --rated-v 230 --rated-hz 50 --max-rpm 10000 --shaft-mm 6
show loadline-db add machine Wren --stroke-mm 30 --max-rpm 2000
show loadline-db add pulley 'motor 20' --role motor --pitch-mm 20 --rim-mm 23.6 --groove-top-mm 6.3 --groove-depth-mm 6.5 --groove-angle-deg 38 --bore-mm 6
show loadline-db add pulley 'motor 16' --role motor --pitch-mm 16 --rim-mm 19.6 --groove-top-mm 6.3 --groove-depth-mm 6.5 --groove-angle-deg 38 --bore-mm 6
show loadline-db add pulley 'wheel 110' --role hand --pitch-mm 110 --rim-mm 113.6 --groove-top-mm 6.3 --groove-depth-mm 7 --groove-angle-deg 38 --bore-mm 12
show loadline-db add belt notched --section v --width-mm 6 --height-mm 4 --angle-deg 38 --length-mm 600
show loadline-db add belt ring --section round --round-mm 5 --length-mm 590
show loadline-db add belt link --section link --width-mm 6 --height-mm 5 --angle-deg 38 --length-mm 600

chapter "Known masses on the arm: counts become newtons"
points=()
for mass in 0 50 100 200 300 400; do points+=(--point "$mass=captures/mass-up-$mass.raw"); done
for mass in 300 200 100 50 0; do points+=(--point "$mass=captures/mass-down-$mass.raw"); done
show loadline-logger calibrate --rig Bench "${points[@]}"

chapter "Two motors against the brake"
show loadline-logger record brake --port captures/heron-brake-1.raw --rig Bench --motor 'Heron 70' --inertia-kgm2 5.6e-5
show loadline-logger record brake --port captures/heron-brake-2.raw --rig Bench --motor 'Heron 70' --inertia-kgm2 5.6e-5
show loadline-logger record brake --port captures/finch-brake-1.raw --rig Bench --motor 'Finch 45' --inertia-kgm2 4.5e-5
show loadline-fit motor 'Heron 70'
show loadline-fit motor 'Finch 45'

chapter "The machine coasts down, alone and with a disc of known inertia"
show loadline-logger record coast-down --port captures/wren-coast-down.raw --rig Bench --machine Wren
show loadline-logger record coast-down --port captures/wren-coast-down-disc.raw --rig Bench --machine Wren --added-inertia-kgm2 0.0021
show loadline-fit drag Wren

chapter "Which pulley? The answer for two"
show loadline-fit drive --motor 'Heron 70' --machine Wren --motor-pulley 'motor 20' --hand-pulley 'wheel 110'
show loadline-fit drive --motor 'Heron 70' --machine Wren --motor-pulley 'motor 16' --hand-pulley 'wheel 110'
show loadline-fit drive --motor 'Finch 45' --machine Wren --motor-pulley 'motor 16' --hand-pulley 'wheel 110'

chapter "Three belts, each set anew for every run and checked by its slip"
# record_quietly WORDS…: the number of the new run.
record_quietly() {
  loadline-logger record "$@" --rig Bench --json 2> record.log | sed -n 's/^ *"run": \([0-9]*\),*$/\1/p'
}
mounted=(--motor 'Heron 70' --machine Wren --motor-pulley 'motor 20' --hand-pulley 'wheel 110')
number=0
for belt in ring notched link notched ring link ring link notched; do
  number=$((number + 1))
  slip=$(record_quietly slip-check --port "captures/belt-$number-$belt-slip.raw" --belt "$belt" "${mounted[@]}")
  run=$(record_quietly top-speed --port "captures/belt-$number-$belt.raw" --belt "$belt" "${mounted[@]}" --slip-check "$slip")
  printf 'belt %-8s slip check is run %s, top speed is run %s\n' "$belt" "$slip" "$run"
done
show loadline-fit belts --machine Wren --motor 'Heron 70'

chapter "The whole drawer: which motor, pulley and belt, and is that settled?"
show loadline-fit choose --machine Wren --least-rpm 1200 --most-motor-rpm 8000 --least-needle-n 25

chapter "What is in the book now"
show loadline-db list runs

chapter "Everything on one page"
show loadline-fit report -o report.html --title 'An evening at the mill race'

printf '\nDone in %d s. The book is %s, the page is %s.\n' "$((SECONDS - began))" \
  "$demo/evening.book" "$demo/report.html"
