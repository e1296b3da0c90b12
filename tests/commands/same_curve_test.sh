#!/usr/bin/env bash
# One simulated run, twice into a book: its bytes through the recorder, and its readings as a CSV
# file through import. Both curves must hold what is true of that bench, and agree within what
# differs between the two (the recorder takes its own zero, the CSV file has the true one).
#
#   same_curve_test.sh LOGGER SIMRIG DB FIT SCENARIO.ini
set -euo pipefail
logger=$1 simrig=$2 db=$3 fit=$4 scenario=$5
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
cd "$folder"
export LOADLINE_BOOK=both.book

"$simrig" "$scenario" --seed 5 --capture run.raw --csv run.csv --truth truth.json > /dev/null
"$db" init > /dev/null
"$db" add rig R --arm-mm 100 --cell brake > /dev/null
"$db" add motor recorded --rated-v 230 > /dev/null
"$db" add motor imported --rated-v 230 > /dev/null
# The cell of the scenario: 209,300 counts for a newton, 81,250 without load.
{ echo mass_g,counts
  for mass in 0 100 200 300 400 500 300 100 0; do
    awk -v m=$mass 'BEGIN { printf "%d,%.0f\n", m, 81250 + 209300 * m * 1e-3 * 9.80665 }'
  done; } > masses.csv
"$logger" calibrate --rig R --points masses.csv --local-g 9.80665 --yes > /dev/null 2>&1
"$logger" record brake --port run.raw --rig R --motor recorded --inertia-kgm2 5.6e-5 --yes > /dev/null
"$db" import run.csv --kind brake --motor imported --inertia-kgm2 5.6e-5 > /dev/null
for motor in recorded imported; do
  "$fit" motor $motor --json > $motor.json 2> /dev/null
done

jq -n --slurpfile t truth.json --slurpfile r recorded.json --slurpfile i imported.json '
  {stall_torque: "stall_torque_nm", no_load_speed: "no_load_speed_rpm", peak_power: "peak_power_w",
   peak_power_speed: "peak_power_speed_rpm"} | to_entries[] |
  .key as $key | $t[0].motor[.value] as $truth |
  {$key, $truth, recorded: $r[0][$key], imported: $i[0][$key]} |
  .holds = ([.recorded, .imported] | all(.low <= $truth and $truth <= .high)) |
  .agree = ((.recorded.value / .imported.value - 1 | fabs) < 0.01)' > compared.json
jq -c . compared.json
jq -es 'length == 4 and all(.holds and .agree)' compared.json > /dev/null ||
  { echo "same_curve_test: a curve misses the truth, or the two differ by 1 % or more." >&2; exit 1; }
