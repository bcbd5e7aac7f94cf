#!/bin/sh
# The demo: builds holdfast and runs a whole night's search on the simulated machine "heron", resets included.
#
#   sh profiles/demo.sh
#
# It can be run from any directory, as root or not, and again. It writes build/ and nothing else; the run is kept in
# build/demo-run until the next demo. When the simulated machine resets, the supervisor is killed without a word
# (exit status 137), as a real reset would end it; this script then starts the same command again, as a boot would.
set -eu

cd "$(dirname "$0")/.."
run=build/demo-run
holdfast=build/holdfast
profile=profiles/heron.json
resets_bound=40
log=

say() {
    printf '%s\n' "$*"
}

fail() {
    status=$1
    shift
    printf 'demo: %s\n' "$*" >&2
    exit "$status"
}

tidy() {
    [ -z "$log" ] || rm -f "$log"
}
trap tidy EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

# shellcheck source=tests/packages.sh
. tests/packages.sh

# --- build -----------------------------------------------------------------------------------------------------

quietly() {
    "$@" >"$log" 2>&1 && return 0
    cat "$log" >&2
    return 1
}

build() {
    tests=ON # as in any other build of this folder; without cmocka they cannot be configured
    pkg-config --exists cmocka || tests=OFF
    say "building (release) ..."
    quietly cmake --preset release -DHOLDFAST_TESTS=$tests || fail 4 "configuring failed"
    quietly cmake --build build --target holdfast -j "$(nproc)" || fail 4 "building failed"
}

# --- the night -------------------------------------------------------------------------------------------------

# Resets of the simulated machine so far, from the file that it keeps in the run.
boots() {
    count=$(sed -n 's/.*"boots": *"\([0-9]*\)".*/\1/p' "$run/rig-boot" 2>/dev/null || :)
    echo "${count:-0}"
}

search() {
    resets=0
    while :; do
        status=0
        "$holdfast" search --profile "$profile" --run "$run" || status=$?
        [ $status -eq 0 ] && return 0
        [ $status -eq 137 ] || fail $status "the search ended with exit status $status; the run is kept in $run"
        [ "$(boots)" -gt "$resets" ] ||
            fail 137 "the search was killed, and not by the simulated machine (out of memory?); the run is kept in $run"
        resets=$(boots)
        say ""
        say "*** reset $resets of the simulated machine: the supervisor died without a word. The same command again."
        say ""
        [ "$resets" -lt $resets_bound ] || fail 3 "$resets resets are more than this demo expects; the run is kept in $run"
    done
}

# shellcheck disable=SC2086 # a list of packages
packages_need $packages_build
build_folder_check build
log=$(mktemp)
build
rm -rf "$run"
began=$(date +%s)
search
night=$(($(date +%s) - began))

say ""
say "--- certificates"
"$holdfast" certify --run "$run" || fail $? "certify failed"
say ""
say "--- report"
"$holdfast" report --run "$run" || fail $? "report failed"
say ""
say "--- files of the run"
for file in "$run"/*; do
    say "  $file"
done
say ""
if [ "$resets" -eq 0 ]; then
    say "The simulated machine did not reset this time: going on after a reset was not shown."
else
    say "The simulated machine was reset $resets time(s); the search went on each time where the journal ended."
fi
say "The simulated night took $night s of real time. Nothing of this machine was changed: the ratios, faults and"
say "resets are the model's; the load on its CPUs was real."
