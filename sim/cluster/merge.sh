#!/bin/sh
# Puts the shards of a campaign together once all are done: submit.sh puts it in. Its exit code is the verdict of the campaign.
#SBATCH --job-name=prove-merge
#SBATCH --ntasks=1
exec "$BELLCRANK" prove "$SUITE" --out "$OUT" --merge "$OUT"/*-of-"$SHARDS".ledger
