#!/bin/sh
# One shard of a campaign, as a task of a Slurm array: submit.sh puts it in. A task that is requeued goes on where it was killed.
#SBATCH --job-name=prove-shard
#SBATCH --ntasks=1
#SBATCH --cpus-per-task=1
#SBATCH --requeue
#SBATCH --open-mode=append
export RAYON_NUM_THREADS="${SLURM_CPUS_PER_TASK:-1}"
"$BELLCRANK" prove "$SUITE" --out "$OUT" --shard "$SLURM_ARRAY_TASK_ID/$SLURM_ARRAY_TASK_COUNT" --resume
code=$?
# 1: a run has failed. That is for the merged ledger to judge; the shard is done.
[ "$code" -eq 1 ] && exit 0
exit "$code"
