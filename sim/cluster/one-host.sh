#!/bin/sh
# A Slurm of its own on this host, on the loopback alone, without systemd and without touching /etc: to try things out, and for the tests.
# Usage: one-host.sh start FOLDER | one-host.sh stop FOLDER
# After `start`: export SLURM_CONF=FOLDER/slurm.conf. The host's name must lead to an address (getent hosts "$(hostname -s)").
set -eu
[ $# -eq 2 ] || { echo "usage: $0 start|stop FOLDER" >&2; exit 2; }
export PATH="$PATH:/usr/sbin"
what=$1
mkdir -p "$2"
folder=$(cd "$2" && pwd)

# Ends the daemon whose number a file holds, and waits until it is gone.
end() {
    [ -s "$1" ] || return 0
    number=$(cat "$1")
    kill "$number" 2>/dev/null || return 0
    for _ in $(seq 50); do
        kill -0 "$number" 2>/dev/null || return 0
        sleep 0.1
    done
    kill -9 "$number" 2>/dev/null || true
}

if [ "$what" = stop ]; then
    end "$folder/slurmd.pid"
    end "$folder/slurmctld.pid"
    end "$folder/munged.pid"
    exit 0
fi

for program in munged slurmctld slurmd sbatch scontrol squeue; do
    command -v "$program" >/dev/null || {
        echo "missing: $program (Debian: apt-get install slurmctld slurmd slurm-client munge)" >&2
        exit 2
    }
done
host=$(hostname -s)
user=$(id -un)
chmod 755 "$folder"
mkdir -p "$folder/state" "$folder/spool" "$folder/log"
( umask 077; head -c 128 /dev/urandom >"$folder/munge.key" )
munged --key-file="$folder/munge.key" --socket="$folder/munge.socket" --pid-file="$folder/munged.pid" \
    --log-file="$folder/log/munged.log" --seed-file="$folder/munge.seed" --num-threads=2 --force 2>/dev/null

cat >"$folder/slurm.conf" <<C
ClusterName=local
SlurmctldHost=$host(127.0.0.1)
SlurmUser=$user
SlurmdUser=$user
AuthType=auth/munge
AuthInfo=socket=$folder/munge.socket,cred_expire=5
CredType=cred/munge
StateSaveLocation=$folder/state
SlurmdSpoolDir=$folder/spool
SlurmctldPidFile=$folder/slurmctld.pid
SlurmdPidFile=$folder/slurmd.pid
SlurmctldLogFile=$folder/log/slurmctld.log
SlurmdLogFile=$folder/log/slurmd.log
SlurmctldPort=${SLURM_TRIAL_PORT:-16817}
SlurmdPort=$((${SLURM_TRIAL_PORT:-16817} + 1))
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
SchedulerType=sched/backfill
SchedulerParameters=bf_interval=1,sched_interval=1,batch_sched_delay=0
AccountingStorageType=accounting_storage/none
JobCompType=jobcomp/filetxt
JobCompLoc=$folder/log/jobs.txt
JobAcctGatherType=jobacct_gather/none
MpiDefault=none
KillWait=1
ReturnToService=2
SlurmdParameters=config_overrides
NodeName=$host NodeAddr=127.0.0.1 CPUs=$(nproc) State=UNKNOWN
PartitionName=main Nodes=$host Default=YES MaxTime=INFINITE State=UP
C
export SLURM_CONF="$folder/slurm.conf"
slurmctld -c -f "$SLURM_CONF"
slurmd -f "$SLURM_CONF"
for _ in $(seq 100); do
    [ "$(sinfo -h -o %T 2>/dev/null)" = idle ] && exit 0
    sleep 0.1
done
echo "the node does not come up; its logs are in $folder/log" >&2
"$0" stop "$folder"
exit 2
