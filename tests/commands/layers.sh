#!/usr/bin/env bash
# Reads every include of ours and holds it against who may use whom. The longest folder of the
# table that a file lies in decides; an argument names another tree to check (the test of the test).
# Nor may folders include each other in a circle: what a folder is built on never includes it.
set -euo pipefail
cd "${1:-$(dirname "$0")/../..}"

rules() {
  cat <<'TABLE'
firmware-protocol         firmware-protocol
firmware-protocol/simrig  firmware-protocol db/basis
db                        db
db/basis                  db/basis
fit/readings              fit/readings db
fit/solver                fit/solver db/basis
fit/equations             fit/equations fit/solver db
fit/curves                fit/curves fit/equations fit/solver fit/readings db
fit/brake_runs            fit/brake_runs fit/curves fit/equations fit/solver fit/readings db
fit/coast_downs           fit/coast_downs fit/curves fit/solver fit/readings db
fit/drags                 fit/drags fit/coast_downs fit/curves fit/equations fit/solver fit/readings db
fit/spin_ups              fit/spin_ups fit/curves fit/equations fit/solver fit/readings db
fit/motor_runs            fit/motor_runs fit/brake_runs fit/drags fit/curves fit/equations fit/solver fit/readings db
fit/motors                fit/motors fit/motor_runs fit/spin_ups fit/brake_runs fit/drags fit/curves fit/equations fit/solver fit/readings db
fit/drive                 fit/drive fit/motors fit/motor_runs fit/spin_ups fit/brake_runs fit/drags fit/coast_downs fit/curves fit/equations fit/solver fit/readings db
fit/belts                 fit/belts fit/motors fit/motor_runs fit/spin_ups fit/brake_runs fit/drags fit/coast_downs fit/curves fit/equations fit/solver fit/readings db
fit/choose                fit/choose fit/drive fit/belts fit/motors fit/motor_runs fit/spin_ups fit/brake_runs fit/drags fit/coast_downs fit/curves fit/equations fit/solver fit/readings db
fit/history               fit/history fit/belts fit/motors fit/motor_runs fit/spin_ups fit/brake_runs fit/drags fit/coast_downs fit/curves fit/equations fit/solver fit/readings db
fit                       fit db
logger                    logger firmware-protocol db
logger/live               logger firmware-protocol db fit/readings
logger/calibration        logger firmware-protocol db fit/readings
logger/slip_verdict       logger firmware-protocol db fit/readings
logger/verbs/plan         logger firmware-protocol db fit/belts/comparison/repeats
TABLE
}

# "FILE:LINE:INCLUDED" for quoted includes only; angle brackets are other people's libraries.
includes=$({ find db fit logger firmware-protocol -type f \
  \( -name '*.cc' -o -name '*.h' -o -name '*.c' \) 2> /dev/null || true; } | sort |
  xargs awk 'match($0, /^[ \t]*#[ \t]*include[ \t]+"[^"]+"/) {
    split($0, part, "\""); print FILENAME ":" FNR ":" part[2] }')

# Folder by folder; tsort names those that come before themselves.
circles=$(awk -F: '$3 ~ /\// {
    from = $1; sub(/\/[^\/]*$/, "", from); to = $3; sub(/\/[^\/]*$/, "", to)
    if (from != to) print from, to }' <<< "$includes" | sort -u | tsort 2>&1 > /dev/null || true)
[[ -z $circles ]] || { echo "Folders include each other: ${circles//tsort: /}"; exit 1; }

echo "$includes" | awk -v rules="$(rules)" '
  BEGIN {
    rule_count = split(rules, line, "\n")
    for (i = 1; i <= rule_count; ++i) {
      split(line[i], word, /[ \t]+/)
      folder[i] = word[1]
      for (j = 2; j in word; ++j) if (word[j] != "") may[i] = may[i] " " word[j]
      delete word
    }
  }
  # A rule covers its folder and, for a single trade in a flat folder, files that start with it.
  function covers(rule, path) {
    return index(path, rule "/") == 1 || index(path, rule ".") == 1 || index(path, rule "_") == 1
  }
  {
    split($0, at, ":"); file = at[1]; included = at[3]; ++seen
    if (included !~ /\//) next  # beside the file itself
    best = 0
    for (i = 1; i <= rule_count; ++i)
      if (covers(folder[i], file) && (!best || length(folder[i]) > length(folder[best]))) best = i
    if (!best) { print file ": no rule covers this file"; bad = 1; next }
    count = split(may[best], allowed, " "); fine = 0
    for (i = 1; i <= count; ++i)
      if (index(included, allowed[i] "/") == 1 || included == allowed[i] ".h") fine = 1
    if (!fine) {
      print file ":" at[2] ": \"" included "\" is not for " folder[best] " (only" may[best] ")"
      bad = 1
    }
  }
  END { if (!bad) print seen " includes, all within their layers"; exit bad }'
