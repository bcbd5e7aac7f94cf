#!/bin/sh
# Measures the figures of docs/performance.md and holds them against their targets.
#
#   sh tests/cli/figures.sh HOLDFAST TOOL [FACTOR]
#
# One line a figure: what, measured, target. Exit status 1 when one is beyond FACTOR (default 1) times its target.
# It takes about 20 s and works in a directory of its own.
set -u

cli=$(cd "$(dirname "$0")" && pwd)
HOLDFAST=$(realpath "$1")
TOOL=$(realpath "$2")
factor=${3:-1}
folder=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-figures.XXXXXX") || exit 2
pid=
trap '[ -z "$pid" ] || kill -s KILL $pid 2>/dev/null; rm -rf "$folder"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
cd "$folder" || exit 2
export TOOL
. "$cli/lib.sh"
beyond=0

# hold WHAT VALUE TARGET UNIT
hold() {
    printf '%-52s %10s %s, target %s\n' "$1" "$2" "$4" "$3"
    awk "BEGIN { exit !(\"$2\" != \"\" && $2 + 0 <= $3 * $factor) }" || {
        echo "  beyond $factor times the target"
        beyond=1
    }
}

now_ms() {
    date +%s%3N
}

# Milliseconds since the epoch of the first record of a type.
wall_ms() {
    date -d "$(sed -n "s/.*\"wall\":\"\([^\"]*\)\".*\"type\":\"$2\".*/\1/p" "$1" | head -n 1)" +%s%3N
}

stop() {
    kill -s INT "$pid"
    wait "$pid" 2>/dev/null
    pid=
}

# --- help: the mean of 20
began=$(now_ms)
for i in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20; do "$HOLDFAST" search --help >help; done
hold "--help" "$(echo "$began $(now_ms)" | awk '{ print ($2 - $1) / 20 }')" 10 ms

# --- worker start, from spawn to ready: the slowest CPU of a survey
"$HOLDFAST" survey --json >survey
worker=0
slowest=0
while start=$("$TOOL" json proof.$worker.start_ms <survey 2>/dev/null); do
    slowest=$(echo "$slowest $start" | awk '{ print ($1 > $2 ? $1 : $2) }')
    worker=$((worker + 1))
done
[ $worker -gt 0 ] || slowest=
hold "worker start, slowest of $worker" "$slowest" 20 ms

# --- 64 workers over the CPUs here, from the session's begin until each has proved itself
profile 's/"cpus": "0"/"cpus": "0-31"/; s/"cpus": "1"/"cpus": "32-63"/; s/3000/1/' >many.json
"$HOLDFAST" search --profile many.json --run many --for 60s >many.out 2>&1 &
pid=$!
await many/journal.jsonl '"type":"proof"' 30
hold "64 workers ready and proved, on $(nproc) CPUs" \
    "$(($(wall_ms many/journal.jsonl proof) - $(wall_ms many/journal.jsonl session-begin)))" 2000 ms
stop

# --- the supervisor of four workers under load
profile 's/"cpus": "0"/"cpus": "0-1"/; s/"cpus": "1"/"cpus": "2-3"/; s/3000/1/' >four.json
"$HOLDFAST" search --profile four.json --run four --for 60s >four.out 2>&1 &
pid=$!
await four/journal.jsonl '"type":"trial-loaded"'
"$TOOL" cpu "$pid" 8 >sample
hold "supervisor of 4 workers" "$(sed -n 's/share \([0-9.]*\) .*/\1/p' sample)" 1 "% of a CPU"
hold "supervisor of 4 workers, resident" "$(sed -n 's/.*rss \([0-9]*\)$/\1/p' sample | awk '{ print $1 / 1024 }')" 24 MiB

# --- resume: the run of four workers, killed, with 100,000 lines of exposure added to its open trial
kill -s KILL "$pid"
wait "$pid" 2>/dev/null
pid=
awk -v more=100000 '
    { print; last = $0 }
    /"type":"exposure"/ { exposure = $0 }
    function after(text, mark) { return substr(text, index(text, mark) + length(mark)) }
    END {
        seq = after(last, "\"seq\":") + 0
        wall = substr(after(last, "\"wall\":\""), 1, 24)
        middle = after(exposure, "\"wall\":\"")
        middle = substr(middle, 25, index(middle, "\"exposure_s\":") - 25 + 13)
        rest = after(exposure, "\"exposure_s\":")
        served = rest + 0
        rest = substr(rest, index(rest, ","))
        for (i = 1; i <= more; i++)
            printf "{\"seq\":%d,\"commit\":%d,\"wall\":\"%s%s%.9g%s\n", seq + i, seq + i, wall, middle,
                served + i * 0.0001, rest
    }
' four/journal.jsonl | "$TOOL" seal >long.jsonl
mv long.jsonl four/journal.jsonl
sessions=$(records four/journal.jsonl session-begin)
began=$(now_ms)
"$HOLDFAST" search --run four --for 1s >resumed.out 2>&1 || :
[ "$(records four/journal.jsonl session-begin)" -gt "$sessions" ] || { cat resumed.out && beyond=1; }
last=$(grep '"type":"session-begin"' four/journal.jsonl | tail -n 1 | sed 's/.*"wall":"\([^"]*\)".*/\1/')
hold "resume of $(wc -l <four/journal.jsonl) records" "$(($(date -d "$last" +%s%3N) - began))" 500 ms
exit $beyond
