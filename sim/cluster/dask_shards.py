#!/usr/bin/env python3
"""A campaign in shards on a dask.distributed cluster whose workers share OUT, then merged. Exit code: that of the merge.

Usage: dask_shards.py SCHEDULER SUITE SHARDS OUT    (SCHEDULER as in tcp://127.0.0.1:8786; `local` starts two workers here)
"""

import glob
import os
import subprocess
import sys

from distributed import Client

BELLCRANK = os.environ.get("BELLCRANK", "bellcrank")


def shard(number, bellcrank, suite, shards, out):
    """Runs one shard, or goes on with it where a lost worker left it."""
    command = [bellcrank, "prove", suite, "--out", out, "--shard", f"{number}/{shards}", "--resume"]
    done = subprocess.run(command, env={**os.environ, "RAYON_NUM_THREADS": "1"}, capture_output=True, text=True)
    # 1: a run has failed. That is for the merged ledger to judge; the shard is done.
    if done.returncode not in (0, 1):
        raise RuntimeError(f"shard {number}/{shards} ended with {done.returncode}: {done.stderr}")
    return number


def main():
    if len(sys.argv) != 5:
        sys.exit(__doc__)
    scheduler, suite, shards, out = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
    os.makedirs(out, exist_ok=True)
    if scheduler == "local":
        client = Client(n_workers=2, threads_per_worker=1, dashboard_address=None)
    else:
        client = Client(scheduler)
    with client:
        # Not pure: a shard that is asked for again is to be run again, from where its ledger ends.
        numbers = range(1, shards + 1)
        tasks = client.map(shard, numbers, bellcrank=BELLCRANK, suite=suite, shards=shards, out=out, pure=False, retries=2)
        client.gather(tasks)
    ledgers = sorted(glob.glob(os.path.join(glob.escape(out), f"*-of-{shards}.ledger")))
    sys.exit(subprocess.run([BELLCRANK, "prove", suite, "--out", out, "--merge", *ledgers]).returncode)


if __name__ == "__main__":
    main()
