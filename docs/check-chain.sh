#!/bin/sh
# Checks a meterlink journal's chain with a shell and sha256sum alone:  sh check-chain.sh FOLDER
LC_ALL=C; export LC_ALL; prev=$(printf %064d 0); seq=0
in=${1:?name the folder of a journal}; d='[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'; n='[0-9][0-9][0-9]'
set --; for file in "$in"/$d*.jsonl; do
  case ${file##*/} in $d.jsonl | ${d}p$n.jsonl | ${d}p[0-9]$n.jsonl) set -- "$@" "$file" ;; *) continue ;; esac
  { [ -f "$file" ] && [ ! -L "$file" ] && [ "$(tr -cd '\000' <"$file" | head -c 1 | wc -c)" -eq 0 ]; } ||
    { echo "a segment in $in is no plain file, or has NUL bytes"; exit 1; }
done; [ $# -gt 0 ] || set -- /dev/null
cat "$@" | { while IFS= read -r line; do seq=$((seq + 1))
  case $line in
    "{\"prev\":\"$prev\",\"seq\":$seq,\"at\":\""*) prev=$(printf %s "$line" | sha256sum | cut -c 1-64) ;;
    *) echo "record $seq does not follow the one before it: that one or this one was changed"; exit 1 ;;
  esac; done; [ -z "$line" ] || { echo "behind record $seq a line has no end"; exit 1; }
[ "$seq" -gt 0 ] || { echo "there is no record in $in"; exit 1; }; echo "$seq records, head $prev"; }
