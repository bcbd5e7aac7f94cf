#!/bin/sh
# A fleet of two machines under Slurm, all of it on loopback and as one user: a controller and two node daemons run the
# job array of profiles/fleet/verify.sbatch. One node daemon is killed with its task in the middle; the task must be
# queued again and verify must go on. What was collected is checked and compared.
#
#   sh tests/fleet/run.sh --binary HOLDFAST
#
# Skipped (status 77, the reason on the last line) without Debian's slurmctld, slurmd, slurm-client and munge.
set -u
LC_ALL=C
export LC_ALL

root=$(cd "$(dirname "$0")/../.." && pwd)
binary=
while [ $# -gt 0 ]; do
    case $1 in
    --binary) binary=$(realpath "$2") && shift ;;
    *) echo "usage: sh tests/fleet/run.sh --binary HOLDFAST" >&2 && exit 2 ;;
    esac
    shift
done
[ -x "$binary" ] || { echo "--binary must name the holdfast to test" >&2 && exit 2; }
PATH=$PATH:/usr/sbin
for program in slurmctld slurmd sbatch munged; do
    command -v $program >/dev/null || { echo "$program is not installed (packages slurmctld slurmd slurm-client munge)" && exit 77; }
done

# Short paths: a socket's name may have 107 bytes.
work=$(mktemp -d /tmp/holdfast-fleet.XXXXXX) || exit 2
daemons=
# Every process that names the words in its command line. Of this test only: the words hold the scratch folder's name.
processes_of() {
    for folder in /proc/[0-9]*; do
        { tr '\0' ' ' <"$folder/cmdline" | grep -qF -e "$1" && echo "${folder#/proc/}"; } 2>/dev/null
    done
}
parent_of() {
    sed -n 's/^PPid:[^0-9]*//p' "/proc/$1/status"
}
end_all() {
    for pid in "$@"; do kill -s KILL "$pid" 2>/dev/null; done
}
finish() {
    # shellcheck disable=SC2046,SC2086 # lists of numbers
    end_all $daemons $(processes_of "$work/")
    sleep 0.2
    rm -rf "$work"
}
trap finish EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
broken() {
    echo "broken: $*"
    for file in "$work"/*.log "$work"/spool/*.log; do
        [ -f "$file" ] && echo "--- $file" && tail -n 25 "$file"
    done
    exit 1
}
# Waits, at most $1 s, until the rest succeeds.
until_true() {
    tries=$(($1 * 5))
    shift
    while ! "$@" >/dev/null 2>&1; do
        tries=$((tries - 1))
        [ $tries -gt 0 ] || return 1
        sleep 0.2
    done
}

# --- the fleet: heron-1 and heron-2 ---
port=$((20000 + $$ % 20000))
chmod 755 "$work"
mkdir "$work/munge" "$work/state" "$work/spool" "$work/runs" "$work/collected" "$work/bin"
chmod 700 "$work/munge"
ln -s "$binary" "$work/bin/holdfast"
head -c 128 /dev/urandom >"$work/munge/key" && chmod 400 "$work/munge/key"
cat >"$work/slurm.conf" <<EOF
ClusterName=tide
SlurmctldHost=$(hostname -s)(127.0.0.1)
SlurmctldPort=$port
SlurmUser=$(id -un)
SlurmdUser=$(id -un)
AuthType=auth/munge
AuthInfo=socket=$work/munge/socket,cred_expire=5
CredType=cred/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
SelectType=select/linear
SchedulerType=sched/builtin
SchedulerParameters=sched_interval=3
SlurmdParameters=config_overrides
ReturnToService=2
JobRequeue=1
SlurmdTimeout=10
KillWait=5
InactiveLimit=0
StateSaveLocation=$work/state
SlurmdSpoolDir=$work/spool/%n
SlurmctldPidFile=$work/controller.pid
SlurmdPidFile=$work/%n.pid
SlurmctldLogFile=$work/controller.log
SlurmdLogFile=$work/%n.log
NodeName=heron-1 NodeHostname=$(hostname -s) NodeAddr=127.0.0.1 Port=$((port + 1)) CPUs=2 State=UNKNOWN
NodeName=heron-2 NodeHostname=$(hostname -s) NodeAddr=127.0.0.1 Port=$((port + 2)) CPUs=2 State=UNKNOWN
PartitionName=all Nodes=heron-1,heron-2 Default=YES MaxTime=INFINITE State=UP
EOF
SLURM_CONF=$work/slurm.conf
export SLURM_CONF
munged --foreground --force --key-file="$work/munge/key" --socket="$work/munge/socket" \
    --pid-file="$work/munge/pid" --log-file="$work/munge/log" --seed-file="$work/munge/seed" \
    --origin=127.0.0.1 >"$work/munge.log" 2>&1 &
daemons="$daemons $!"
until_true 10 test -S "$work/munge/socket" || broken "munged does not start"
slurmctld -D -i >"$work/controller.out.log" 2>&1 &
daemons="$daemons $!"
node_starts() {
    mkdir -p "$work/spool/$1"
    slurmd -D -N "$1" >"$work/$1.out.log" 2>&1 &
    eval "node_$2=$!"
    daemons="$daemons $!"
}
node_1= node_2=
node_starts heron-1 1
node_starts heron-2 2
idle() { [ "$(sinfo -h -N -o '%N %t' | grep -c ' idle$')" -eq 2 ]; }
until_true 30 idle || broken "the nodes do not come up: $(sinfo -h -N -o '%N %t %E')"

# --- what the fleet has been certified for ---
for number in 1 2; do
    # Four workers a group, so that a busy test machine leaves each the share of blocks that a pass needs.
    (. "$root/tests/cli/lib.sh" && profile "s/\"tern\"/\"heron-$number\"/; /\"rig\"/s/\"7\"/\"$number\"/
        s/3000/300/; s/\"soak_hours\": 1/\"soak_hours\": 0.5/
        s/\"cpus\": \"0\"/\"cpus\": \"0-3\"/; s/\"cpus\": \"1\"/\"cpus\": \"4-7\"/") >"$work/heron-$number.json"
    "$binary" search --profile "$work/heron-$number.json" --run "$work/runs/heron-$number" >"$work/search-$number.log" 2>&1 ||
        broken "the search of heron-$number left with status $?"
done

# --- the array; node 2 is lost in the middle ---
cd "$work" || exit 2
HOLDFAST_RUNS=$work/runs HOLDFAST_COLLECTED=$work/collected HOLDFAST_FOR=1h PATH=$work/bin:$PATH
export HOLDFAST_RUNS HOLDFAST_COLLECTED HOLDFAST_FOR PATH
sbatch --array=1-2 "$root/profiles/fleet/verify.sbatch" || broken "sbatch refuses"
under_load() { sed -n '/verify begins/,$p' "$1" | grep -q '"type":"exposure"'; }
until_true 30 under_load "$work/runs/heron-2/journal.jsonl" || broken "heron-2 does not begin to verify: $(squeue)"

# As a reset would: the daemon, what it started for the task, and holdfast with its workers, all at once.
script=$(processes_of "$work/spool/heron-2/" | head -n 1)
[ -n "$script" ] || broken "there is no task on heron-2"
# shellcheck disable=SC2046,SC2086
end_all $node_2 "$(parent_of "$script")" "$script" $(processes_of "verify --run $work/runs/heron-2")
kept=$(wc -l <"$work/runs/heron-2/journal.jsonl")
lost() { sinfo -h -n heron-2 -o %t | grep -q '^down'; }
until_true 40 lost || broken "the controller does not miss heron-2: $(sinfo -h -N -o '%N %t')"
squeue -h -o '%F_%K %t %r' | sed 's/^/queued again: /'
node_starts heron-2 2 # the machine has booted

# --- both answers ---
answered() { [ -s "$work/collected/heron-1/status" ] && [ -s "$work/collected/heron-2/status" ]; }
until_true 80 answered || broken "not both machines have answered: $(squeue) $(sinfo -h -N -o '%N %t')"
for machine in heron-1 heron-2; do
    [ "$(cat "$work/collected/$machine/status")" = 0 ] || broken "$machine left with status $(cat "$work/collected/$machine/status")"
    grep -q '"decision": *"accepted"' "$work/collected/$machine/verify.json" || broken "$machine was not accepted"
    holdfast certify --run "$work/collected/$machine" --check "$work/collected/$machine/certificate-machine.json" ||
        broken "the certificate of $machine does not agree with its journal"
done
grep -h '^heron-[12]: ' verify-*.log
grep -q ': task 2, start 2$' verify-2.log || broken "the task of heron-2 was not queued again"
grep -q '^heron-2: verify left with status 0$' verify-2.log || broken "the task of heron-2 did not come back to it"
grep -c '^heron-1: task 1, start 1$' verify-1.log >/dev/null || broken "the task of heron-1 did not go through at once"
journal=$work/collected/heron-2/journal.jsonl
[ "$(wc -l <"$journal")" -gt "$kept" ] || broken "heron-2 has not gone on"
[ "$(grep -c '"text":"verify begins: ' "$journal")" -eq 1 ] || broken "heron-2 began its test anew instead of going on"
[ "$(grep -c '"text":"verify ends"' "$journal")" -eq 1 ] || broken "heron-2 has not ended its test"
holdfast report --compare collected/heron-1 collected/heron-2 --out fleet.html >compared.log || broken "report --compare"
grep -q 'heron-1' compared.log && grep -q 'heron-2' compared.log && [ -s fleet.html ] || broken "the comparison lacks a machine"
echo "2 machines verified, 1 lost and queued again, certificates checked and compared"
