#!/bin/sh
# A layer uses only what stands above it: checks the #include lines of src, workloads and include/holdfast.
#
#   sh tests/layers.sh [FOLDER]     checks a tree (default: the one this script stands in)
#   sh tests/layers.sh --self-test  plants one violation of each kind in a made-up tree and must find every one
#
# Each violation is one line "file:line: what". Exit status 1 when there is one, 2 when the check itself cannot run.
# Quoted includes and <holdfast/...> are ours; other <...> are the system's and are only looked at where a layer may not
# touch the outside world (plan, rig). An include is seen even in code that is switched off.
set -u
LC_ALL=C
export LC_ALL

# --- the table: what each layer may include, itself always ---
layers='
base
record      base
plan        base
rig         base
machine     base
drivers     base machine rig
workloads   base
harness     base record plan rig machine drivers workloads
output      base record plan
cli         base record plan rig machine drivers workloads harness output
'

# --- the table: to which layer each public header (include/holdfast) belongs ---
headers='
checksum.h base
clock.h base
error.h base
event.h base
json.h base
random.h base
text.h base
journal.h record
profile.h record
run.h record
plan.h plan
plan_config.h plan
statistics.h plan
rig.h rig
topology.h machine
host.h machine
sensors.h machine
true_clock.h machine
hardware_errors.h machine
recording.h machine
watchdog.h machine
notify.h machine
kernel_settings.h machine
reset.h machine
driver.h drivers
kernel.h workloads
mix.h workloads
rehearse.h harness
evidence.h output
live.h output
upload.h output
'

# --- the table: single includes that are allowed all the same ---
# plan_config turns a profile into the plan's configuration: the one place where both meet.
exceptions='
include/holdfast/plan_config.h holdfast/profile.h
src/plan/plan_config.c holdfast/profile.h
'

# --- the table: layers that make no system call and read no clock, and the system headers they may have ---
# rig and plan take the time as an argument; that is what lets a night be rehearsed in a millisecond.
pure_layers='plan rig'
pure_headers='assert.h ctype.h errno.h float.h inttypes.h limits.h math.h stdarg.h stddef.h stdint.h stdio.h stdlib.h string.h'

check_tree() {
    root=$1
    if [ ! -d "$root/include/holdfast" ] || [ ! -d "$root/src" ]; then
        echo "layers.sh: $root holds no include/holdfast and src" >&2
        return 2
    fi
    (
        cd "$root" || exit 2
        find src include/holdfast workloads -type f \( -name '*.[ch]' -o -name '*.inc' \) 2>/dev/null | sort >"$list"
    ) || return 2
    if [ ! -s "$list" ]; then
        echo "layers.sh: no source file under $root" >&2
        return 2
    fi
    (cd "$root" && awk -v layers="$layers" -v headers="$headers" -v exceptions="$exceptions" \
        -v pure_layers="$pure_layers" -v pure_headers="$pure_headers" "$program" "$list")
}

# shellcheck disable=SC2016 # an awk program
program='
function load_tables(    lines, words, n, m, i, j) {
    n = split(layers, lines, "\n")
    for (i = 1; i <= n; i++) {
        m = split(lines[i], words, " ")
        if (m == 0) continue
        is_layer[words[1]] = 1
        for (j = 1; j <= m; j++) may[words[1], words[j]] = 1
    }
    n = split(headers, lines, "\n")
    for (i = 1; i <= n; i++)
        if (split(lines[i], words, " ") == 2) layer_of_header[words[1]] = words[2]
    n = split(exceptions, lines, "\n")
    for (i = 1; i <= n; i++)
        if (split(lines[i], words, " ") == 2) allowed[words[1], words[2]] = 1
    n = split(pure_layers, words, " ")
    for (i = 1; i <= n; i++) is_pure[words[i]] = 1
    n = split(pure_headers, words, " ")
    for (i = 1; i <= n; i++) pure_header[words[i]] = 1
}
function violation(file, line, words) {
    printf "%s:%d: %s\n", file, line, words
    violations++
}
# The layer that a source-relative path belongs to; "" when to none.
function layer_of_path(path,    parts, n, name) {
    n = split(path, parts, "/")
    if (parts[1] == "include" && parts[2] == "holdfast") {
        name = substr(path, length("include/holdfast/") + 1)
        return (name in layer_of_header) ? layer_of_header[name] : ""
    }
    if (parts[1] == "src") return (parts[2] in is_layer) && n >= 3 ? parts[2] : ""
    return parts[1] == "workloads" ? "workloads" : ""
}
# The layer of what an include names; "" when it is not ours.
function layer_of_include(name,    parts) {
    if (name ~ /\.\./) return ""
    if (name ~ /^holdfast\//) return layer_of_path("include/" name)
    split(name, parts, "/")
    if (parts[1] == "workloads") return "workloads"
    return index(name, "/") > 0 && (parts[1] in is_layer) ? parts[1] : ""
}
function check_ours(file, line, layer, name,    target) {
    includes++
    target = layer_of_include(name)
    if (target == "") {
        if (name ~ /^holdfast\//)
            violation(file, line, "<" name "> is not in the table of public headers")
        else
            violation(file, line, "\"" name "\" names no layer: write \"layer/file.h\" or \"holdfast/file.h\"")
    } else if (!((layer, target) in may) && !((file, name) in allowed)) {
        violation(file, line, layer " may not use " target " (" name ")")
    }
}
function check_line(file, line, text, layer,    name) {
    if (text !~ /^[ \t]*#[ \t]*include/) return
    sub(/^[ \t]*#[ \t]*include(_next)?[ \t]*/, "", text)
    name = substr(text, 2)
    if (text ~ /^"/) {
        sub(/".*/, "", name)
        check_ours(file, line, layer, name)
    } else if (text ~ /^</) {
        sub(/>.*/, "", name)
        if (name ~ /^holdfast\//) check_ours(file, line, layer, name)
        else if ((layer in is_pure) && !(name in pure_header))
            violation(file, line, layer " makes no system call and reads no clock: <" name "> is not for it")
    } else {
        violation(file, line, "this include cannot be read: " text)
    }
}
{
    file = $0
    files++
    layer = layer_of_path(file)
    if (layer == "") {
        if (file ~ /^include\//) violation(file, 1, "this public header is not in the table of layers.sh")
        else violation(file, 1, "this file belongs to no layer")
        next
    }
    if (file ~ /^include\//) seen[substr(file, length("include/holdfast/") + 1)] = 1
    line = 0
    while ((got = (getline text < file)) > 0) check_line(file, ++line, text, layer)
    if (got < 0) violation(file, 1, "cannot be read")
    close(file)
}
BEGIN { load_tables() }
END {
    for (name in layer_of_header)
        if (!(name in seen)) violation("tests/layers.sh", 1, "the table names " name ", which is not there")
    printf "layers: %d files, %d includes of ours, %d violations\n", files, includes, violations
    exit violations > 0
}
'

# --- proof that it can fail ---

failures=0
plants=0
expect() { # what, expected line, then the tree's output in $scratch/out
    if grep -qxF "$2" "$scratch/out"; then
        echo "found: $1"
    else
        echo "NOT FOUND: $1: expected: $2" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
}

# A small tree that is right: every public header of the table, one file a layer.
good_tree() {
    rm -rf "$scratch/tree"
    mkdir -p "$scratch/tree/include/holdfast" "$scratch/tree/workloads/kernels"
    echo "$headers" | while read -r name layer; do
        [ -n "$name" ] && echo "/* $layer */" >"$scratch/tree/include/holdfast/$name"
    done
    echo "$layers" | while read -r name rest; do
        [ -z "$name" ] && continue
        folder="$scratch/tree/src/$name"
        [ "$name" = workloads ] && folder="$scratch/tree/workloads"
        mkdir -p "$folder"
        printf '/* %s */\n#include <math.h>\n#include "holdfast/error.h"\n#include "base/memory.h"\n' \
            "$rest" >"$folder/one.c"
    done
    mkdir -p "$scratch/tree/src/plan"
    echo '#include "holdfast/profile.h"' >"$scratch/tree/src/plan/plan_config.c"
    : >"$scratch/tree/src/base/memory.h"
}

run_on() {
    check_tree "$scratch/tree" >"$scratch/out" 2>&1
    status=$?
}

# A file with the given first lines, then the check: the violation must be named and the status must be 1.
plant() { # what, file, content, expected line
    good_tree
    mkdir -p "$(dirname "$scratch/tree/$2")"
    printf '%s\n' "$3" >"$scratch/tree/$2"
    plants=$((plants + 1))
    run_on
    expect "$1" "$4"
    if [ "$status" -ne 1 ] || ! grep -q ' 1 violations$' "$scratch/out"; then
        echo "WRONG STATUS OR COUNT ($status): $1" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
}

self_test() {
    good_tree
    run_on
    if [ "$status" -ne 0 ]; then
        echo "a tree that is right was refused:" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
    plant "plan reads the rig's truth" src/plan/two.c '#include "holdfast/rig.h"' \
        'src/plan/two.c:1: plan may not use rig (holdfast/rig.h)'
    plant "a private header from below" src/rig/two.c '#include "harness/pool.h"' \
        'src/rig/two.c:1: rig may not use harness (harness/pool.h)'
    plant "blanks within the directive, and angle brackets" src/output/two.c '
  #  include	<holdfast/driver.h> /* why */' \
        'src/output/two.c:2: output may not use drivers (holdfast/driver.h)'
    plant "workloads use the harness" workloads/kernels/two.h '#include "harness/pool.h"' \
        'workloads/kernels/two.h:1: workloads may not use harness (harness/pool.h)'
    plant "a public header reaches down" include/holdfast/rig.h '#include "holdfast/run.h"' \
        'include/holdfast/rig.h:1: rig may not use record (holdfast/run.h)'
    plant "the exception is for one file" src/plan/two.c '#include "holdfast/profile.h"' \
        'src/plan/two.c:1: plan may not use record (holdfast/profile.h)'
    plant "a public header without a layer" include/holdfast/surprise.h '/* new */' \
        'include/holdfast/surprise.h:1: this public header is not in the table of layers.sh'
    plant "an include of a header that is in no table" src/cli/two.c '#include "holdfast/surprise.h"' \
        'src/cli/two.c:1: <holdfast/surprise.h> is not in the table of public headers'
    plant "a path upward" src/machine/two.c '#include "../base/memory.h"' \
        'src/machine/two.c:1: "../base/memory.h" names no layer: write "layer/file.h" or "holdfast/file.h"'
    plant "a path that goes up on the way" src/rig/two.c '#include "base/../harness/pool.h"' \
        'src/rig/two.c:1: "base/../harness/pool.h" names no layer: write "layer/file.h" or "holdfast/file.h"'
    plant "a bare name" src/machine/two.c '#include "files.h"' \
        'src/machine/two.c:1: "files.h" names no layer: write "layer/file.h" or "holdfast/file.h"'
    plant "a folder that is no layer" src/misc/two.c '#include <math.h>' \
        'src/misc/two.c:1: this file belongs to no layer'
    plant "an include by macro" src/cli/two.c '#include WHATEVER' \
        'src/cli/two.c:1: this include cannot be read: WHATEVER'
    plant "the plan reads a clock" src/plan/two.c '#include <time.h>' \
        'src/plan/two.c:1: plan makes no system call and reads no clock: <time.h> is not for it'
    good_tree
    rm "$scratch/tree/include/holdfast/mix.h"
    run_on
    expect "a header that has gone" 'tests/layers.sh:1: the table names mix.h, which is not there'
    rm -rf "$scratch/tree/src"
    run_on
    if [ "$status" -ne 2 ]; then
        echo "an empty tree passed" >&2
        failures=$((failures + 1))
    fi
    echo "layers self-test: $plants plants, $failures failures"
    [ "$failures" -eq 0 ] && [ "$plants" -eq 14 ]
}

scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-layers.XXXXXX") || exit 2
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
list=$scratch/list

case ${1:-} in
--self-test) self_test ;;
-*) echo "usage: sh tests/layers.sh [--self-test | FOLDER]" >&2 && exit 2 ;;
'') check_tree "$(cd "$(dirname "$0")/.." && pwd)" ;;
*) check_tree "$1" ;;
esac
