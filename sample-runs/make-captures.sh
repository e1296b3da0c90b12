#!/usr/bin/env bash
# Makes captures/ anew with loadline-simrig: the bytes that the rig would have sent. For some it
# also writes what is true of that bench (truth/), which no program of Loadline reads.
# Same scenario, seed and settings give the same bytes.
set -euo pipefail
cd "$(dirname "$0")"
simrig=${1:-../build/firmware-protocol/loadline-simrig}
mkdir -p captures truth

# make NAME SCENARIO SEED SETTINGS…
make() {
  local name=$1 scenario=$2 seed=$3; shift 3
  local sets=()
  for setting in "$@"; do sets+=(--set "$setting"); done
  "$simrig" "workshop/$scenario.ini" --seed "$seed" "${sets[@]}" --capture "captures/$name.raw" \
    --truth "truth/$name.json"
  case $name in heron-brake-1 | finch-brake-1 | wren-coast-down | belt-2-notched) ;;
    *) rm "truth/$name.json" ;; esac
}

# Masses on the arm: up the scale, then down again.
seed=100
for mass in 0 50 100 200 300 400; do
  make "mass-up-$mass" bench $((seed += 1)) cell.mass_g=$mass cell.direction=up
done
for mass in 300 200 100 50 0; do
  make "mass-down-$mass" bench $((seed += 1)) cell.mass_g=$mass cell.direction=down
done

make heron-brake-1 heron-brake 11
make heron-brake-2 heron-brake 12 motor.start_c=38 supply.volts=228
make finch-brake-1 finch-brake 21

make wren-coast-down wren-coast-down 31
make wren-coast-down-disc wren-coast-down 32 machine.added_kgm2=0.0021

# Three belts, each set anew for every run, in mixed order. On the fifth the ring was set far too
# tight, which its slip check shows.
belt_run() {
  local number=$1 belt=$2 loss=$3 capacity=$4
  local sets=(belt.motor_pulley_mm=20 belt.hand_pulley_mm=110 "belt.loss_nm=$loss"
              "belt.capacity_nm=$capacity")
  make "belt-$number-$belt-slip" wren-slip-check $((40 + number)) "${sets[@]}"
  make "belt-$number-$belt" wren-top-speed $((60 + number)) "${sets[@]}"
}
belt_run 1 ring 0.0110 0.121
belt_run 2 notched 0.0050 0.118
belt_run 3 link 0.0072 0.122
belt_run 4 notched 0.0050 0.120
belt_run 5 ring 0.0165 0.235
belt_run 6 link 0.0072 0.117
belt_run 7 ring 0.0110 0.119
belt_run 8 link 0.0072 0.120
belt_run 9 notched 0.0050 0.122

du -sh captures
