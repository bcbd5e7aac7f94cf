#!/bin/sh
# A program for the driver "command": a working one to copy. It keeps the ratios of a pretend board in a folder; put your
# board's own tool into the two functions below and leave the rest as it is.
#
#   "driver": "command",
#   "command": { "program": ["/usr/share/holdfast/command-driver.sh", "/run/board"], "limit_s": 10 }
#
# Asked on standard input, answers on standard output, one JSON object each (docs/drivers.md). What it says on standard
# error is kept in the run's journal. It must never answer with a ratio that it has not read back.
set -u
LC_ALL=C
export LC_ALL
board=${1:-/run/board}

# --- the two functions to change -------------------------------------------------------------------------

# Sets the ratio $2 of the group $1, whose CPUs are $3. Status 0 when the board took it.
set_ratio() {
    mkdir -p "$board" && echo "$2" >"$board/$1.new" && mv "$board/$1.new" "$board/$1"
}

# Prints the ratio that is in force in the group $1 now.
get_ratio() {
    cat "$board/$1"
}

# --- what is the same for every board ----------------------------------------------------------------------

question=$(cat)
# The value of a member that is a plain string or number.
member() {
    printf '%s\n' "$question" | sed -n "s/.*\"$1\": *\"\{0,1\}\([^\",}]*\).*/\1/p"
}
action=$(member action)
group=$(member group)
ratio=$(member ratio)
cpus=$(printf '%s\n' "$question" | sed -n 's/.*"cpus": *"\([^"]*\)".*/\1/p')

fail() {
    printf '{"group":"%s","error":"%s"}\n' "$group" "$1"
    exit 0
}

case $group in
'' | *[!a-z0-9-]*) fail "no such group" ;;
esac
case $action in
apply | baseline)
    case $ratio in
    '' | *[!0-9.]*) fail "no ratio was asked for" ;;
    esac
    set_ratio "$group" "$ratio" "$cpus" || fail "the board did not take ratio $ratio"
    ;;
read) ;;
*) fail "unknown action $action" ;;
esac
now=$(get_ratio "$group") || fail "the ratio cannot be read"
printf '{"group":"%s","ratio":%s}\n' "$group" "$now"
