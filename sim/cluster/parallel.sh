#!/bin/sh
# A campaign in shards by GNU parallel, on this host or, with --sshloginfile among OPTIONS, on several that share OUT.
# Usage: parallel.sh SUITE SHARDS OUT [OPTIONS of parallel]
set -eu
[ $# -ge 3 ] || { echo "usage: $0 SUITE SHARDS OUT [OPTIONS]" >&2; exit 2; }
export SUITE="$1" SHARDS="$2" OUT="$3" BELLCRANK="${BELLCRANK:-bellcrank}" RAYON_NUM_THREADS=1
shift 3
mkdir -p "$OUT"
# Exit code 1 is a verdict: the merged ledger judges. Anything above is tried twice more, and goes on where it was.
seq "$SHARDS" | parallel --will-cite --retries 3 --env SUITE,SHARDS,OUT,BELLCRANK,RAYON_NUM_THREADS "$@" \
    '"$BELLCRANK" prove "$SUITE" --out "$OUT" --shard {}/"$SHARDS" --resume >"$OUT"/shard-{}.log 2>&1 || [ $? -eq 1 ]'
exec "$BELLCRANK" prove "$SUITE" --out "$OUT" --merge "$OUT"/*-of-"$SHARDS".ledger
