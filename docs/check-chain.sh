#!/bin/sh
# Checks a meterlink journal's chain with a shell and sha256sum alone:  sh check-chain.sh FOLDER
LC_ALL=C; export LC_ALL; prev=$(printf %064d 0); seq=0
for file in "$1"/*.jsonl; do [ -e "$file" ] || [ -L "$file" ] || continue
  { [ -f "$file" ] && [ ! -L "$file" ] && [ "$(tr -cd '\000' <"$file" | head -c 1 | wc -c)" -eq 0 ]; } ||
    { echo "a segment in $1 is no plain file, or has NUL bytes"; exit 1; }
done
cat "$1"/*.jsonl | { while IFS= read -r line; do seq=$((seq + 1))
  case $line in
    "{\"prev\":\"$prev\",\"seq\":$seq,\"at\":\""*) prev=$(printf %s "$line" | sha256sum | cut -c 1-64) ;;
    *) echo "record $seq does not follow the one before it: that one or this one was changed"; exit 1 ;;
  esac
done; [ -z "$line" ] || { echo "behind record $seq a line has no end"; exit 1; }
[ "$seq" -gt 0 ] || { echo "there is no record in $1"; exit 1; }
echo "$seq records, head $prev"; }
