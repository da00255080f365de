#!/usr/bin/env bash
# The demo: records the story of story.toml, replays it, and shows that the session gives the same findings again.
# usage: story.sh CRANKWITNESS [FOLDER]   FOLDER (build/demo without it) is made anew.
set -euo pipefail
program=$(readlink -f "${1:?usage: story.sh CRANKWITNESS [FOLDER]}")
folder=$(readlink -m "${2:-build/demo}")
cd "$(dirname "$(readlink -f "$0")")"

show() {
  printf '\n$ crankwitness'
  printf ' %s' "${@//$folder\//}"
  printf '\n'
  "$program" "$@"
}

cat <<'TEXT'

The story, told by the simulator about an invented engine (config/demo/story.toml):
   0 s  the starter turns, the engine fires, idles, and is taken up to 4200 rpm: a sound run
  18 s  the crank sensor's plug begins to fail: one tooth is missed, a few seconds later another, and another
  27 s  two teeth in a row, then four, then the contact chatters for four turns: sync can't be kept
  41 s  at 2600 rpm the belt of the cam jumps by one tooth
What follows is what crankwitness says about the edges alone. Times count from the first edge, 0.4 s into the story.
TEXT

rm -rf "$folder"
mkdir -p "$folder"
show simulate story.toml --out "$folder/recording"
echo "$(($(wc -l <"$folder/recording/edges.csv") - 1)) edges written to recording/edges.csv"
show replay "$folder/recording/edges.csv" --engine mill-four.toml --out "$folder/session"
show replay "$folder/session" --out "$folder/again" >"$folder/again.txt"
for file in events.jsonl trend.csv; do
  cmp "$folder/session/$file" "$folder/again/$file"
done
cat <<TEXT

The session was replayed once more from its own recording: events.jsonl and trend.csv came out the same, byte for byte.
All of it is in $folder: recording/ session/ again/
TEXT
