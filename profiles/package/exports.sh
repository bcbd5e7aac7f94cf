#!/bin/sh
# The names that libholdfast shows: every function and object that a public header declares.
#
#   sh exports.sh LIST HEADER...     writes LIST, for objcopy, and LIST.map, for the linker
#
# A function is a name hf_... right before a parenthesis, an object one right before the semicolon of an `extern`.
# Names of macros and inline functions get into the list too and do no harm: no object file defines them.
# tests/install/library.sh compares what the library shows with what a compiler finds declared.
set -eu
LC_ALL=C
export LC_ALL

list=$1
shift
cat "$@" | awk '
    # Without comments.
    {
        text = ""
        rest = $0
        while (rest != "") {
            at = index(rest, inside ? "*/" : "/*")
            if (at == 0) {
                text = text (inside ? "" : rest)
                break
            }
            text = text (inside ? "" : substr(rest, 1, at - 1) " ")
            rest = substr(rest, at + 2)
            inside = !inside
        }
        if (text ~ /^extern / && match(text, /hf_[a-z0-9_]+;/)) print substr(text, RSTART, RLENGTH - 1)
        while (match(text, /hf_[a-z0-9_]+\(/)) {
            print substr(text, RSTART, RLENGTH - 1)
            text = substr(text, RSTART + RLENGTH)
        }
    }' | sort -u >"$list"
{
    echo "HOLDFAST_0 {"
    echo "    global:"
    sed 's/.*/        &;/' "$list"
    echo "    local: *;"
    echo "};"
} >"$list.map"
