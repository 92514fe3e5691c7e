#!/bin/sh
# Puts a campaign into Slurm's queue: an array of shards, and a job that merges them when all of them are done. Prints both job numbers.
# Usage: submit.sh SUITE SHARDS OUT
set -eu
[ $# -eq 3 ] || { echo "usage: $0 SUITE SHARDS OUT" >&2; exit 2; }
here=$(cd "$(dirname "$0")" && pwd)
export SUITE="$1" SHARDS="$2" OUT="$3" BELLCRANK="${BELLCRANK:-bellcrank}"
mkdir -p "$OUT"
array=$(sbatch --parsable --array="1-$SHARDS" --output="$OUT/shard-%a.log" "$here/shard.sh")
merge=$(sbatch --parsable --dependency="afterok:$array" --kill-on-invalid-dep=yes --output="$OUT/merge.log" "$here/merge.sh")
echo "$array $merge"
