# shellcheck shell=sh disable=SC2034 # variables are for the tests
# What the tests of the installation share. Each is called with the folder of a build that is complete:
#
#   . "$(dirname "$0")/lib.sh"      sets $build, $source, $scratch (removed at the end), and the functions below
#
# A test says what it checks line by line, and ends in `finish`. Exit status 77: skipped, the reason on the last line.
set -u
LC_ALL=C
export LC_ALL

[ $# -ge 1 ] && [ -f "$1/CMakeCache.txt" ] || { echo "usage: sh $0 BUILD" >&2 && exit 2; }
build=$(realpath "$1")
source=$(realpath "$(dirname "$0")/../..")
scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-install.XXXXXX") || exit 2
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
failures=0
checks=0

skip() {
    echo "SKIP: $*"
    exit 77
}

# A program that this test needs, and the Debian package that has it.
need() {
    command -v "$1" >/dev/null 2>&1 || skip "there is no $1 (Debian package $2)"
}

# A check that is a command: its output only when it fails.
check() {
    what=$1
    shift
    checks=$((checks + 1))
    if "$@" >"$scratch/log" 2>&1 </dev/null; then
        echo "ok    $what"
        return 0
    fi
    echo "FAIL  $what: $*"
    cat "$scratch/log"
    failures=$((failures + 1))
    return 1
}

# A command that must fail.
refuses() {
    if "$@"; then
        echo "was not refused: $*"
        return 1
    fi
}

cache() {
    sed -n "s/^$1:[A-Z]*=//p" "$build/CMakeCache.txt"
}

# `cmake --install` into $scratch/root; $prefix is where it is then.
install_all() {
    prefix=$scratch/root$(cache CMAKE_INSTALL_PREFIX)
    check "cmake --install" env DESTDIR="$scratch/root" cmake --install "$build" || finish
}

finish() {
    echo "$checks checks, $failures failed"
    [ $failures -eq 0 ] && [ $checks -gt 0 ]
    exit
}
