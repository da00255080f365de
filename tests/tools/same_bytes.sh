#!/usr/bin/env bash
# Two builds of the program must write the same bytes: the demo is simulated and replayed with both.
# usage: same_bytes.sh CRANKWITNESS_A CRANKWITNESS_B
set -euo pipefail
a=$(readlink -f "${1:?usage: same_bytes.sh CRANKWITNESS_A CRANKWITNESS_B}")
b=$(readlink -f "${2:?usage: same_bytes.sh CRANKWITNESS_A CRANKWITNESS_B}")
[[ $a != "$b" ]] || {
  echo "expected two builds, found one" >&2
  exit 1
}
here=$(dirname "$(readlink -f "$0")")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

bash "$here/../../config/demo/story.sh" "$a" "$work/a" >"$work/a.txt"
bash "$here/../../config/demo/story.sh" "$b" "$work/b" >"$work/b.txt"
for file in recording/edges.csv recording/truth.json session/events.jsonl session/trend.csv; do
  [[ -s $work/a/$file ]]
  cmp "$work/a/$file" "$work/b/$file"
  echo "$file: $(stat -c %s "$work/a/$file") bytes, the same"
done
