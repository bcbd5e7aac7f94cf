#!/bin/sh
# Fuzzing with an engine (libFuzzer, clang): looks for inputs that break what tests/fuzz/NAME.c checks.
#
#   sh tests/fuzz/run.sh [--build DIR] [--for SECONDS] [--keep] [NAME ...]     default: build-fuzz, 600, all targets
#
# Builds the preset `fuzz` unless --build names a build of it. Each target starts from the cases in tests/fuzz/NAME and
# from what earlier runs found (DIR/corpus/NAME). What breaks is written to DIR/found/NAME-*: mend it, then keep the
# input as a case in tests/fuzz/NAME under a name that says what it was. --keep adds those inputs that reach code that
# no case reaches yet to the cases, as reach-NN. One line a target: executions, edges covered, what was found. Exit status
# 1 when something was.
set -u

here=$(cd "$(dirname "$0")" && pwd)
build=
seconds=600
keep=0
names=
while [ $# -gt 0 ]; do
    case $1 in
    --build) build=$2 && shift ;;
    --for) seconds=$2 && shift ;;
    --keep) keep=1 ;;
    -*) echo "usage: sh tests/fuzz/run.sh [--build DIR] [--for SECONDS] [--keep] [NAME ...]" >&2 && exit 2 ;;
    *) names="$names $1" ;;
    esac
    shift
done
if [ -z "$build" ]; then
    cd "$here/../.." || exit 2
    { cmake --preset fuzz >/dev/null && cmake --build --preset fuzz >/dev/null; } || exit 2
    build=$here/../../build-fuzz
fi
[ -n "$names" ] || names=$(sed -n 's/^foreach(name \(.*\))$/\1/p' "$here/tests.cmake")
mkdir -p "$build/found" "$build/corpus"

# The words between quotes in the cases, as libFuzzer's dictionary: it cannot guess a key.
dictionary() {
    cat "$here/$1"/* | LC_ALL=C grep -aoE '"[a-z0-9_+ -]{2,30}"' | sort -u | head -n 400 | sed 's/.*/"\\&/; s/"$/\\""/'
}

# Inputs that reach what no case reaches, smallest first.
keep_reaching() {
    mkdir -p "$build/merged/$1"
    rm -f "$build/merged/$1"/*
    cp "$here/$1"/* "$build/merged/$1/"
    "$build/fuzz_$1" -merge=1 -max_len=16384 "$build/merged/$1" "$build/corpus/$1" >"$build/$1.merge" 2>&1 || return 1
    number=0
    for file in "$build/merged/$1"/*; do
        [ -e "$here/$1/$(basename "$file")" ] && continue
        [ "$(wc -c <"$file")" -le 2048 ] || continue
        number=$((number + 1))
        [ $number -le 40 ] || break
        cp "$file" "$here/$1/reach-$(printf %02d $number)"
    done
}

found_all=0
for name in $names; do
    mkdir -p "$build/corpus/$name"
    dictionary "$name" >"$build/$name.words"
    # shellcheck disable=SC2046 # words of an option
    "$build/fuzz_$name" -max_total_time="$seconds" -max_len=16384 -timeout=10 -rss_limit_mb=2048 -print_final_stats=1 \
        -artifact_prefix="$build/found/$name-" $([ -s "$build/$name.words" ] && echo "-dict=$build/$name.words") \
        "$build/corpus/$name" "$here/$name" >"$build/$name.log" 2>&1
    status=$?
    [ $status -eq 0 ] || found_all=1
    printf '%-15s %9s executions in %s s, %5s edges, %s\n' "$name" \
        "$(sed -n 's/^stat::number_of_executed_units: *//p' "$build/$name.log")" "$seconds" \
        "$(sed -n 's/.* cov: \([0-9]*\) .*/\1/p' "$build/$name.log" | tail -n 1)" \
        "$([ $status -eq 0 ] && echo "nothing found" || echo "FOUND: $build/found, $build/$name.log")"
    [ $keep -eq 0 ] || keep_reaching "$name" || echo "merging failed: $build/$name.merge" >&2
done
exit $found_all
