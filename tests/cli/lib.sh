# Functions for the cases; sourced by tests/cli/run.sh before each.

# A small profile on standard output: two groups of one CPU on the simulated machine, whose clock runs so fast
# that a whole search lasts seconds: nothing fails below ratio 37. $1: a sed script that changes it.
profile() {
    sed "${1:-}" <<'JSON'
{
  "format": 1,
  "name": "tern",
  "description": "small rig of the command-line tests",
  "base_clock_mhz": 100,
  "ratio": { "lowest": 34, "highest": 36.5, "step": 0.25, "baseline": 36 },
  "groups": [
    { "name": "g0", "cpus": "0" },
    { "name": "g1", "cpus": "1" }
  ],
  "driver": "rig",
  "temperature": { "limit_c": 95 },
  "mix": "quick",
  "search": {
    "method": "bisect",
    "claim_hours": 1,
    "confidence": 0.9,
    "soak_hours": 1,
    "baseline_minutes": 2,
    "seed": "1"
  },
  "rig": { "seed": "7", "clock_factor": 3000 }
}
JSON
}

# Runs the rest and prints its exit status; never ends the case.
run() {
    code=0
    "$@" || code=$?
    echo "status $code"
}

# Waits, at most 10 s, for a line of the file that holds the words.
await() {
    printf '%s\n' "$2" | "$TOOL" lines "$1" "${3:-10}"
}

# Ends the case as failed, with words.
broken() {
    echo "broken: $*" >&2
    exit 1
}

skip() {
    echo "$*" >&2
    exit 77
}

# How many worker processes of this case are alive.
workers() {
    "$TOOL" workers | wc -l | tr -d ' '
}

# The number of a journal's lines of one type.
records() {
    grep -c "\"type\":\"$2\"" "$1" || :
}
