#!/bin/sh
# Command-line tests. One case is a file tests/cli/NAME.test: commands for sh, run in a private directory.
#
#   sh tests/cli/run.sh --binary HOLDFAST [--tool TOOL] [--rewrite] [--sanitized] [NAME ...]
#
# Without names: all cases, one after the other. --rewrite writes what came out as the new expectation; read the
# difference before you believe it. --sanitized: the binary is slow and large, cases that measure are skipped.
#
# Beside a case stand its expectations. A missing one means: empty, empty, 0.
#   NAME.stdout  NAME.stderr   compared line by line, exactly, after normalising
#   NAME.status                exit status of the case
#   NAME.sed                   normalising: a sed script for both outputs, only where times or numbers vary
# The private directory is always written DIR, the binary holdfast.
#
# A case finds: $HOLDFAST the binary; $TOOL tests/cli/tool.c built; $CLI this folder; $SOURCE the source tree; HOME
# and XDG_STATE_HOME inside the private directory; standard input empty, no other file open; the functions of
# tests/cli/lib.sh.
# A comment "# limit: 60" gives it that many seconds instead of 30. It skips with exit status 77 and the reason as
# the last line on standard error. Each case is a process group of its own, which is killed when the case is over.
set -u

cli=$(cd "$(dirname "$0")" && pwd)
binary=
tool=
rewrite=0
sanitized=0
names=

while [ $# -gt 0 ]; do
    case $1 in
    --binary) binary=$2 && shift ;;
    --tool) tool=$2 && shift ;;
    --rewrite) rewrite=1 ;;
    --sanitized) sanitized=1 ;;
    -*) echo "unknown option $1" >&2 && exit 2 ;;
    *) names="$names $1" ;;
    esac
    shift
done
[ -x "$binary" ] || { echo "--binary must name the holdfast to test" >&2 && exit 2; }
binary=$(realpath "$binary")
[ -z "$tool" ] || tool=$(realpath "$tool")
if [ -z "$names" ]; then
    for file in "$cli"/*.test; do
        names="$names $(basename "$file" .test)"
    done
fi

# $1 file, $2 case: the file as it is compared.
normalised() {
    sed -e "s|$work|DIR|g" -e "s|$binary|holdfast|g" "$1" >"$work.plain"
    if [ -f "$cli/$2.sed" ]; then
        sed -f "$cli/$2.sed" "$work.plain"
    else
        cat "$work.plain"
    fi
    rm -f "$work.plain"
}

# $1 what came out, $2 the expectation's path; what is empty needs no file.
check_or_rewrite() {
    if [ $rewrite -eq 1 ] && ! grep -q '^broken: ' "$work.stderr"; then
        if [ -s "$1" ]; then cp "$1" "$2"; else rm -f "$2"; fi
        return 0
    fi
    if [ -f "$2" ]; then diff -u "$2" "$1"; else diff -u /dev/null "$1"; fi
}

# Runs the case in a process group of its own; sets status.
execute() {
    limit=$(sed -n 's/^# limit: *\([0-9]*\)$/\1/p' "$cli/$1.test")
    (
        cd "$work" || exit 2
        export HOLDFAST="$binary" TOOL="$tool" CLI="$cli" SOURCE="$cli/../.." HOME="$work/home" LC_ALL=C TZ=UTC
        export XDG_STATE_HOME="$work/state" TMPDIR="$work" SANITIZED=$sanitized
        unset HWLOC_XMLFILE HWLOC_SYNTHETIC HWLOC_FSROOT HWLOC_COMPONENTS
        mkdir home
        exec setsid timeout -k 3 "${limit:-30}" sh -c '. "$1" && . "$2"' sh "$cli/lib.sh" "$cli/$1.test"
    ) >"$work.out" 2>"$work.err" </dev/null 3>&- 4>&- 5>&- 6>&- 7>&- 8>&- 9>&- &
    group=$!
    status=0
    wait $group || status=$?
    kill -s KILL -- "-$group" 2>/dev/null # whatever the case left behind
    [ $status -ne 124 ] || echo "the case took longer than ${limit:-30} s" >>"$work.err"
}

run_case() {
    name=$1
    [ -f "$cli/$name.test" ] || { echo "FAIL $name: there is no $cli/$name.test" && return 1; }
    work=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-cli.XXXXXX") || return 1
    execute "$name"
    if [ $status -eq 77 ]; then
        echo "SKIP $name: $(tail -n 1 "$work.err")"
        outcome=77
    else
        normalised "$work.out" "$name" >"$work.stdout"
        normalised "$work.err" "$name" >"$work.stderr"
        [ $status -eq 0 ] && : >"$work.status" || echo $status >"$work.status"
        outcome=0
        for kind in stdout stderr status; do
            check_or_rewrite "$work.$kind" "$cli/$name.$kind" >"$work.diff" || {
                outcome=1
                echo "--- $name: $kind is not as expected"
                cat "$work.diff"
            }
        done
        [ $outcome -eq 0 ] && echo "pass $name" || echo "FAIL $name"
    fi
    chmod -R u+rwx "$work" 2>/dev/null
    rm -rf "$work" "$work".[a-z]*
    return $outcome
}

passed=0
failed=0
skipped=0
for name in $names; do
    run_case "$name"
    case $? in
    0) passed=$((passed + 1)) ;;
    77) skipped=$((skipped + 1)) ;;
    *) failed=$((failed + 1)) ;;
    esac
done
echo "$passed passed, $failed failed, $skipped skipped"
[ $failed -eq 0 ] || exit 1
[ $passed -gt 0 ] || exit 77
