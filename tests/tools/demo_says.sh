#!/usr/bin/env bash
# Runs the demo and compares kind, tooth, angle and cam teeth of its findings with what config/demo/story.toml put in.
# usage: demo_says.sh CRANKWITNESS FOLDER
set -euo pipefail
here=$(dirname "$(readlink -f "$0")")
folder=${2:?usage: demo_says.sh CRANKWITNESS FOLDER}

bash "$here/../../config/demo/story.sh" "$1" "$folder" >"$folder.txt" || {
  cat "$folder.txt"
  exit 1
}

# value KEY: the value of "KEY": in each line of events.jsonl, - where there is none.
value() {
  sed -E "s/.*\"$1\":\"?([^\",}]*).*/\1/; t; s/.*/-/" "$folder/session/events.jsonl"
}

# Teeth and angles by hand: the reference tooth stands at 720 - 402 = 318 degrees, a pitch is 6 degrees. Tooth 23 is at
# 318 + 22 * 6 = 450 and, in the other turn, at 90; 41 at 558, 8 at 0, 9 at 6, 38 to 41 at 540 to 558. The chatter begins
# at 27.000 s, 358.5 degrees (truth.json).
expected='missed-edge 23 90.000 -
missed-edge 41 558.000 -
missed-edge 8 0.000 -
missed-edge 8 0.000 -
missed-edge 9 6.000 -
missed-edge 38 540.000 -
missed-edge 39 546.000 -
missed-edge 40 552.000 -
missed-edge 41 558.000 -
noise-burst at 354-370
sync-lost at 7-9
sync-regained
cam-step 1.000'

found=$(paste -d' ' <(value kind) <(value tooth) <(value angle_deg) <(value gear_teeth_moved) |
  sed -E 's/^(noise-burst) .* 3(5[4-9]|6[0-9])\.[0-9]* .*/\1 at 354-370/
    s/^sync-lost [789] .*/sync-lost at 7-9/
    s/^(sync-regained) .*/\1/
    s/^cam-step .* /cam-step /')
if [[ $found != "$expected" ]]; then
  printf 'expected:\n%s\nfound:\n%s\n' "$expected" "$found"
  exit 1
fi
