#!/bin/sh
# Are the kernels compiled with the flags that their answers rest on? Reads compile_commands.json of a build.
#
#   sh tests/flags.sh [BUILD]       default: build-dev
#   sh tests/flags.sh --self-test   plants one violation of each kind and must find every one
#
#   pinned      every file of workloads/ has the flags below, and none that undoes one of them after it
#   forbidden   no unsafe math, no link-time optimisation, nothing tuned to the machine that builds, no -DNDEBUG
#   folders     an instruction set is allowed only in the folder named after it
#   complete    every kernel file of this architecture is compiled
# Each violation is one line "file: what". Exit status 1 when there is one, 2 when the check itself cannot run.
set -u
LC_ALL=C
export LC_ALL

# A flag that must be there, and what would undo it.
pinned='
-ffp-contract=off -ffp-contract=fast|-ffp-contract=on
-fno-fast-math -ffast-math|-Ofast|-funsafe-math-optimizations|-fassociative-math|-freciprocal-math|-ffinite-math-only
-frounding-math -fno-rounding-math
-fno-lto -flto|-flto=[a-z0-9]+
-fno-strict-aliasing -fstrict-aliasing
-fno-builtin -fbuiltin
-fno-tree-vectorize -ftree-vectorize
-fno-tree-slp-vectorize -ftree-slp-vectorize
'

forbidden='-ffast-math|-Ofast|-funsafe-math-optimizations|-fassociative-math|-freciprocal-math|-ffinite-math-only|-fno-signed-zeros|-flto|-flto=[a-z0-9]+|-march=.*|-mtune=native|-mcpu=native|-DNDEBUG|-fwhole-program'

# Folders of kernels, and what of instruction sets they may ask for.
folders='
reference none
x86-64-crypto -mssse3|-msse4[.][12]|-maes|-mpclmul|-msha
x86-64-avx2 -mavx2|-mfma|-mbmi2|-madx|-mavxvnni|-maes|-mpclmul|-mvaes|-mvpclmulqdq
x86-64-avx512 -mavx2|-mfma|-mbmi2|-mavx512[a-z0-9]+|-maes|-mpclmul|-mvaes|-mvpclmulqdq|-mprefer-vector-width=512
aarch64 -march=armv8-a[+]crypto[+]crc
'

# shellcheck disable=SC2016 # an awk program
program='
function violation(words) {
    printf "%s: %s\n", file, words
    violations++
}
function check_command(    n, words, i, at, undone, flag) {
    n = split(command, words, " ")
    for (flag in undoes) {
        at = 0; undone = 0
        for (i = 1; i <= n; i++) {
            if (words[i] == flag) { at = i; undone = 0 }
            if (words[i] ~ ("^(" undoes[flag] ")$") && at > 0) undone = i
        }
        if (at == 0) violation("is compiled without " flag)
        if (undone > 0) violation(words[undone] " undoes " flag)
    }
    for (i = 1; i <= n; i++) {
        if (allowed != "" && words[i] ~ ("^(" allowed ")$")) continue
        if (words[i] ~ ("^(" forbidden ")$")) violation("is compiled with " words[i])
        if (words[i] ~ /^-m(avx|sse|ssse|fma|bmi|adx|aes|sha|pclmul|vaes|vpclmul|prefer-vector|f16c|gfni|lzcnt|popcnt)/)
            violation("may not ask for " words[i])
    }
}
function folder_of(name,    parts) {
    if (name !~ /^workloads\/kernels\//) return "reference"
    split(name, parts, "/")
    return parts[3]
}
BEGIN {
    n = split(pinned, lines, "\n")
    for (i = 1; i <= n; i++) if (split(lines[i], words, " ") == 2) undoes[words[1]] = words[2]
    n = split(folders, lines, "\n")
    for (i = 1; i <= n; i++) if (split(lines[i], words, " ") == 2) may[words[1]] = words[2]
    n = split(sources, lines, " ")
    for (i = 1; i <= n; i++) expected[lines[i]] = 1
}
/^ *"command": / {
    command = $0
    sub(/^ *"command": "/, "", command)
    sub(/",?$/, "", command)
    next
}
/^ *"file": / {
    file = $0
    sub(/^ *"file": "/, "", file)
    sub(/",?$/, "", file)
    if (index(file, root "/") != 1) next
    file = substr(file, length(root) + 2)
    if (file !~ /^workloads\//) next
    files++
    delete expected[file]
    folder = folder_of(file)
    if (!(folder in may)) { violation("its folder is not described in tests/flags.sh"); next }
    allowed = may[folder] == "none" ? "" : may[folder]
    check_command()
}
END {
    if (files == 0) { print "flags.sh: no file of workloads/ is in it"; exit 2 }
    for (file in expected) violation("is not compiled")
    printf "flags: %d files, %d violations\n", files, violations
    exit violations > 0
}
'

# $1 build, $2 the folder of the sources.
check() {
    if ! [ -f "$1/compile_commands.json" ]; then
        echo "flags.sh: there is no $1/compile_commands.json" >&2
        return 2
    fi
    case ${machine:-$(uname -m)} in
    x86_64) own='x86-64-*' ;;
    *) own=aarch64 ;;
    esac
    sources=$(cd "$2" && find workloads/kernels/reference workloads/kernels/$own -name '*.c' 2>/dev/null | sort | tr '\n' ' ')
    awk -v pinned="$pinned" -v forbidden="$forbidden" -v folders="$folders" -v sources="$sources" -v root="$2" \
        "$program" "$1/compile_commands.json"
}

# --- proof that it can fail ---

plants=0
failures=0

entry() { # file, flags
    mkdir -p "$scratch/tree/$(dirname "$1")"
    : >"$scratch/tree/$1"
    printf '{\n  "directory": "/b",\n  "command": "/usr/bin/cc -O3 %s -o x.o -c x.c",\n  "file": "%s/%s"\n},\n' \
        "$2" "$scratch/tree" "$1" >>"$scratch/tree/compile_commands.json"
}

begin_tree() {
    rm -rf "$scratch/tree"
    mkdir -p "$scratch/tree"
    entry workloads/kernels/reference/one.c "$right"
    entry workloads/kernels/x86-64-avx2/one.c "$right -mavx2 -mfma"
    entry src/base/text.c "-ffast-math"
}

run_on() {
    machine=x86_64
    check "$scratch/tree" "$scratch/tree" >"$scratch/out" 2>&1
    status=$?
}

plant() { # what, file, flags, expected line
    plants=$((plants + 1))
    begin_tree
    entry "$2" "$3"
    run_on
    if [ $status -eq 1 ] && grep -qxF "$2: $4" "$scratch/out" && grep -q ' 1 violations$' "$scratch/out"; then
        echo "found: $1"
    else
        echo "NOT FOUND ($status): $1: expected: $2: $4" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
}

self_test() {
    right=$(echo "$pinned" | sed -n 's/^\(-[^ ]*\) .*/\1/p' | tr '\n' ' ')
    begin_tree
    run_on
    if [ $status -ne 0 ]; then
        echo "a tree that is right was refused:" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
    two=workloads/kernels/reference/two.c
    plant "no flag against contraction" $two "$(echo "$right" | sed 's/-ffp-contract=off//')" \
        "is compiled without -ffp-contract=off"
    plant "contraction allowed again" $two "$right -ffp-contract=fast" "-ffp-contract=fast undoes -ffp-contract=off"
    plant "aliasing rules again" $two "$right -fstrict-aliasing" "-fstrict-aliasing undoes -fno-strict-aliasing"
    plant "unsafe math before the pin" $two "-ffast-math $right" "is compiled with -ffast-math"
    plant "link-time optimisation" $two "-flto=auto $right" "is compiled with -flto=auto"
    plant "tuned to the machine that builds" $two "$right -march=native" "is compiled with -march=native"
    plant "asserts off" $two "$right -DNDEBUG" "is compiled with -DNDEBUG"
    plant "a vector unit in plain C" $two "$right -mavx2" "may not ask for -mavx2"
    plant "a wider set than the folder's" workloads/kernels/x86-64-avx2/two.c "$right -mavx512f" \
        "may not ask for -mavx512f"
    plant "a folder nobody describes" workloads/kernels/other/two.c "$right" \
        "its folder is not described in tests/flags.sh"
    plant "outside the kernels" workloads/two.c "-ffast-math $right" "is compiled with -ffast-math"
    plants=$((plants + 1))
    begin_tree
    : >"$scratch/tree/$two"
    run_on
    grep -qxF "$two: is not compiled" "$scratch/out" || { echo "NOT FOUND: a file left out" >&2 && failures=$((failures + 1)); }
    echo "flags self-test: $plants plants, $failures failures"
    [ $failures -eq 0 ] && [ $plants -eq 12 ]
}

scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-flags.XXXXXX") || exit 2
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

case ${1:-build-dev} in
--self-test) self_test ;;
-*) echo "usage: sh tests/flags.sh [--self-test | BUILD]" >&2 && exit 2 ;;
*) check "${1:-build-dev}" "$(cd "$(dirname "$0")/.." && pwd)" ;;
esac
