#!/bin/sh
# Do the tests notice? Changes one comparison or constant at a time in src/plan, src/record and the judge, builds what
# depends on it, and runs the tests of that layer until one fails. Prints each change that no test noticed.
#
#   sh tests/mutation.sh [--count N] [--seed N] [--keep DIR]     100 changes, seed 1; about half an hour
#   sh tests/mutation.sh --list                                  all places that could be changed, and how
#   sh tests/mutation.sh --self-test                             a change that a test must notice, and one in a comment
#
# Works in a copy of the tree (DIR, or a temporary one); the tree itself is not touched. Exit status 1 when fewer than
# nine tenths were noticed. Left out: asserts (they notice themselves), preprocessor lines, sizes of
# arrays.
set -u

cd "$(dirname "$0")/.." || exit 2
count=100
seed=1
keep=
mode=run
while [ $# -gt 0 ]; do
    case $1 in
    --count) count=$2 && shift 2 ;;
    --seed) seed=$2 && shift 2 ;;
    --keep) keep=$2 && shift 2 ;;
    --list) mode=list && shift ;;
    --self-test) mode=self && shift ;;
    *) echo "usage: sh tests/mutation.sh [--count N] [--seed N] [--keep DIR] | --list | --self-test" >&2 && exit 2 ;;
    esac
done

# file <tab> line <tab> column <tab> length <tab> replacement. One place a line of the source, drawn by the seed.
places() {
    awk -v seed="$seed" '
        BEGIN {
            srand(seed)
            n = split("<= >= == != && || < >", operator, " ")
            split("< > != == || && <= >=", instead, " ")
        }
        FNR == 1 { comment = 0 }
        {
            code = $0
            gsub(/"([^"\\]|\\.)*"/, "\"\"", code)
            if (length(code) != length($0)) next # columns would not agree
            if (code ~ /\/\*/ && code !~ /\*\//) { comment = 1; sub(/\/\*.*/, "", code) }
            else if (comment) { if (code ~ /\*\//) comment = 0; next }
            sub(/\/\*.*\*\//, "", code)
            if (code ~ /^#/ || code ~ /assert/ || code ~ /->$|^ *\*/ || code ~ /^(static |extern )?(const )?[a-z_ ]+\[/) next
            if (code ~ /^ *[a-z_0-9 ]+ \**[a-z_]+\[[^]]*\](\[[^]]*\])?;$/) next # room, not a rule
            found = 0
            for (i = 1; i <= n; i++) {
                from = 1
                while ((at = index(substr(code, from), " " operator[i] " ")) > 0) {
                    found++
                    column[found] = from + at
                    width[found] = length(operator[i])
                    text[found] = instead[i]
                    from += at + length(operator[i])
                }
            }
            rest = code
            base = 0
            while (match(rest, /[^A-Za-z0-9_.x][0-9]+(\.[0-9]+)?/)) {
                number = substr(rest, RSTART + 1, RLENGTH - 1)
                after = substr(rest, RSTART + RLENGTH, 1)
                if (after !~ /[A-Za-z0-9_.]/) {
                    found++
                    column[found] = base + RSTART + 1
                    width[found] = length(number)
                    text[found] = number ~ /\./ ? number * 1.25 + 0.01 : number + 1
                }
                base += RSTART + RLENGTH - 1
                rest = substr(rest, RSTART + RLENGTH)
            }
            if (found > 0) {
                i = 1 + int(rand() * found)
                printf "%s\t%d\t%d\t%d\t%s\n", FILENAME, FNR, column[i], width[i], text[i]
            }
        }' "$@"
}

drawn() {
    awk -v seed="$seed" 'BEGIN { srand(seed + 1) } { printf "%.9f\t%s\n", rand(), $0 }' | sort | cut -f2-
}

sources() {
    ls src/plan/*.c src/record/*.c src/harness/judge.c
}

if [ "$mode" = list ]; then
    # shellcheck disable=SC2046 # names of files hold no blanks
    places $(sources)
    exit
fi

scratch=${keep:-$(mktemp -d "${TMPDIR:-/tmp}/holdfast-mutation.XXXXXX")} || exit 2
mkdir -p "$scratch/tree" || exit 2
[ -n "$keep" ] || trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT TERM HUP
tar -cf - CMakeLists.txt CMakePresets.json README.md LICENSE DEVELOPERS.md src include workloads tests profiles docs |
    tar -xf - -C "$scratch/tree" || exit 2
cd "$scratch/tree" || exit 2
generator=$(command -v ninja >/dev/null && echo Ninja || echo 'Unix Makefiles')
cmake -S . -B ../build -G "$generator" -DCMAKE_BUILD_TYPE= -DCMAKE_C_FLAGS=-O1 >../cmake.log 2>&1 || {
    cat ../cmake.log
    exit 1
}

# The tests of a layer, quickest first; ctest names them in that order on every run once it has timed them.
tests_of() {
    case $1 in
    src/plan/*) echo '^(unit|standards)/plan/|^sim/test_(rehearse|same_journal|verify_risks)$' ;;
    src/record/*) echo '^unit/(record|output)/|^crash/|^sim/test_same_journal$' ;;
    *) echo '^unit/harness/|^sim/test_(detector|narrow|stop)$' ;;
    esac
}

targets_of() {
    ctest --test-dir ../build -N -R "$(tests_of "$1")" | sed -n 's/^ *Test *#[0-9]*: //p' | tr / _
}

build_for() {
    # shellcheck disable=SC2046
    cmake --build ../build -j "${jobs:-1}" --target $(targets_of "$1") holdfast >../build.log 2>&1
}

# 0: a test failed. 1: none did. 2: it does not compile.
noticed() {
    build_for "$1" || return 2
    ! ctest --test-dir ../build -R "$(tests_of "$1")" --stop-on-failure --timeout 900 >../ctest.log 2>&1
}

change() {
    awk -v line="$2" -v column="$3" -v width="$4" -v text="$5" '
        FNR == line { $0 = substr($0, 1, column - 1) text substr($0, column + width) } { print }' "$1" >../changed &&
        cp ../changed "$1"
}

if [ "$mode" = self ]; then
    at=$(grep -n ' == ' src/harness/judge.c | grep -v assert | grep -v '\*' | head -n 1 | cut -d: -f1)
    [ -n "$at" ] || exit 1
    build_for src/harness/judge.c || { tail -n 20 ../build.log && exit 1; }
    cp src/harness/judge.c ../kept
    sed "${at}s/ == / != /" ../kept >src/harness/judge.c
    noticed src/harness/judge.c || { echo "a turned comparison in the judge was not noticed" && exit 1; }
    sed "1s/.*/& /" ../kept >src/harness/judge.c
    noticed src/harness/judge.c && { echo "a blank in a comment was noticed" && cat ../ctest.log && exit 1; }
    echo "a turned comparison is noticed, a blank in a comment is not"
    exit 0
fi

for layer in src/plan/x src/record/x src/harness/x; do
    build_for $layer || { tail -n 20 ../build.log && exit 1; }
    ctest --test-dir ../build -R "$(tests_of $layer)" >../ctest.log 2>&1 || {
        echo "the tests fail before anything is changed:"
        cat ../ctest.log
        exit 1
    }
done

killed=0
tried=0
# shellcheck disable=SC2046
places $(sources) | drawn >../places
while [ $tried -lt "$count" ] && IFS="$(printf '\t')" read -r file line column width text; do
    cp "$file" ../kept
    change "$file" "$line" "$column" "$width" "$text"
    noticed "$file"
    case $? in
    0) tried=$((tried + 1)) killed=$((killed + 1)) ;;
    1)
        tried=$((tried + 1))
        echo "not noticed: $file:$line: $(sed -n "${line}s/^ *//p" "$file")"
        ;;
    esac
    cp ../kept "$file"
done <../places
echo "$killed of $tried changes were noticed"
[ $tried -gt 0 ] && [ $((killed * 10)) -ge $((tried * 9)) ]
