#!/bin/sh
# Every test, from a fresh clone.
#
#   sh tests/run.sh           all tiers: gcc and clang with warnings as errors, unit, standards, simulation, crash,
#                             command-line and injection tests (5,000 faults a kernel), the documents' commands, the
#                             cases of the fuzz targets, a fleet of two; unit, simulation, crash, command-line tests and
#                             those cases again under address and undefined-behaviour sanitizers where they apply, two programs under
#                             valgrind, four emulated nights (tests/machine), another architecture (tests/aarch64.sh),
#                             the checks of layers, style, flags and disassembly
#   sh tests/run.sh quick     gcc, unit, command-line and injection tests (300 faults a kernel), the documents' commands,
#                             the cases of the fuzz targets, the installation but for its packages, the checks of
#                             layers, style, flags and disassembly
#
# What passes is one line; what fails is printed in full. The last line is "N passed, N failed, N skipped"; exit
# status 1 when anything failed. Builds live in build-dev, build-clang and build-asan.
set -u

cd "$(dirname "$0")/.." || exit 2
tier=${1:-full}
case $tier in
full | quick) ;;
*) echo "usage: sh tests/run.sh [quick]" >&2 && exit 2 ;;
esac

# shellcheck source=tests/packages.sh
. tests/packages.sh
# shellcheck disable=SC2086 # lists of packages
packages_need $packages_build $packages_test
# shellcheck disable=SC2086 # a list of packages
packages_want $packages_browser $packages_install
# shellcheck disable=SC2086 # a list of packages
[ "$tier" = quick ] || packages_want $packages_machine $packages_fleet
for preset in dev clang asan; do
    build_folder_check build-$preset
done

jobs=$(nproc)
passed=0
failed=0
skipped=0
scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-tests.XXXXXX") || exit 2
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

# One check that is a command: counted as one.
part() {
    title=$1
    shift
    began=$(date +%s)
    if "$@" >"$scratch/log" 2>&1 </dev/null; then
        passed=$((passed + 1))
        echo "pass  $title ($(($(date +%s) - began)) s)"
        return 0
    fi
    failed=$((failed + 1))
    echo "FAIL  $title"
    cat "$scratch/log"
    return 1
}

# The same for a command that may have a reason not to run here: status 77, the reason on the last line.
part_or_skip() {
    title=$1
    shift
    began=$(date +%s)
    "$@" >"$scratch/log" 2>&1 </dev/null
    case $? in
    0)
        passed=$((passed + 1))
        echo "pass  $title ($(($(date +%s) - began)) s)"
        ;;
    77)
        skipped=$((skipped + 1))
        echo "skipped: $title: $(tail -n 1 "$scratch/log")"
        ;;
    *)
        failed=$((failed + 1))
        echo "FAIL  $title"
        cat "$scratch/log"
        return 1
        ;;
    esac
}

absent() {
    failed=$((failed + 1))
    echo "FAIL  $1 is missing"
}

build() {
    part "configure $1" cmake --preset "$1" && part "build $1" cmake --build "build-$1" -j "$jobs"
}

# What the named tests printed, from ctest's own log. $1 log, the rest names.
outputs() {
    log=$1
    shift
    awk -v names="$*" '
        BEGIN { split(names, list, " "); for (i in list) wanted[list[i]] = 1 }
        /^[0-9]+\/[0-9]+ Testing: / { name = $NF; text = "" }
        /^Output:$/ { inside = 1; next }
        /^<end of output>$/ { if (name in wanted) printf "%s\n%s", name, text; inside = 0 }
        inside && !/^-+$/ { text = text "    " $0 "\n" }
    ' "$log"
}

# Names of the tests whose line in ctest's output matches.
names_of() {
    sed -n "s/^ *[0-9]*\/[0-9]* Test *#[0-9]*: \([^ ]*\) .*\*\*\*$1.*/\1/p" "$scratch/log"
}

# Runs ctest in a build and adds its counts. $1 preset, $2 title, the rest goes to ctest.
tests() {
    preset=$1
    title=$2
    shift 2
    began=$(date +%s)
    ctest --test-dir "build-$preset" -j "$jobs" --no-tests=error "$@" >"$scratch/log" 2>&1 </dev/null
    status=$?
    set -- "$(grep -cE '^ *[0-9]+/[0-9]+ Test .* Passed +[0-9.]+ sec' "$scratch/log")" \
        "$(grep -cE '^ *[0-9]+/[0-9]+ Test .*\*\*\*Skipped' "$scratch/log")" \
        "$(grep -cE '^ *[0-9]+/[0-9]+ Test .*\*\*\*' "$scratch/log")"
    bad=$(($3 - $2))
    passed=$((passed + $1))
    skipped=$((skipped + $2))
    failed=$((failed + bad))
    ctest_log=build-$preset/Testing/Temporary/LastTest.log
    # shellcheck disable=SC2046 # names of tests hold no blanks
    if [ "$2" -gt 0 ]; then
        echo "skipped in $title:"
        outputs "$ctest_log" $(names_of Skipped) | grep -E '^[^ ]|SKIP|[Ss]kip' | grep -v ' passed, ' || :
    fi
    if [ $bad -eq 0 ] && [ "$1" -gt 0 ] && [ $status -eq 0 ]; then
        echo "pass  $title: $1 tests ($(($(date +%s) - began)) s)"
        return 0
    fi
    [ $bad -gt 0 ] || failed=$((failed + 1)) # ctest itself failed
    echo "FAIL  $title: $bad of $(($1 + $3))"
    grep -E '^ *[0-9]+/[0-9]+ Test .*\*\*\*' "$scratch/log" | grep -v Skipped || cat "$scratch/log"
    # shellcheck disable=SC2046
    outputs "$ctest_log" $(names_of '[^S]')
    return 1
}

# A test file that nobody runs is no test: each must be known to ctest.
all_registered() {
    known=$(ctest --test-dir build-dev -N | sed -n 's/^Total Tests: //p')
    there=$(($(find tests -name 'test_*.c' | wc -l) + $(find tests/cli -name '*.test' | wc -l)))
    echo "$known tests are registered, $there files are there"
    [ "$known" -ge $there ]
}

# --- the parts ------------------------------------------------------------------------------------------------

# A check of the sources, and the proof that it can fail.
script() {
    if [ -f "$1" ]; then
        part "$1" sh "$1"
        part "$1 --self-test" sh "$1" --self-test
    else
        absent "$1"
    fi
}

# A short search under valgrind, workers included, with kernels that it can emulate.
valgrind_search() {
    (. tests/cli/lib.sh && profile) >"$scratch/tern.json"
    HOLDFAST_WORKERS=unconfined HOLDFAST_KERNELS=reference valgrind --quiet --error-exitcode=99 --leak-check=full \
        --errors-for-leak-kinds=definite --trace-children=yes --child-silent-after-fork=yes \
        build-dev/holdfast search --profile "$scratch/tern.json" --run "$scratch/valgrind-run" --for 15s
    status=$?
    echo "status $status"
    [ $status -eq 3 ] || [ $status -eq 0 ]
}

valgrind_unit() {
    valgrind --quiet --error-exitcode=99 --leak-check=full --errors-for-leak-kinds=definite "$1"
}

script tests/layers.sh
script tests/style.sh
if build dev; then
    part "every test file is registered" all_registered
    part "tests/flags.sh" sh tests/flags.sh build-dev
    part "tests/flags.sh --self-test" sh tests/flags.sh --self-test
    part "tests/disassembly.sh, gcc" sh tests/disassembly.sh build-dev
    part "tests/disassembly.sh --self-test" sh tests/disassembly.sh --self-test
    if [ "$tier" = quick ]; then
        tests dev "unit, command-line, injection and installation tests" -R '^(unit|cli|inject|install|fuzz|docs)/' \
            -E '^install/(debian|reproducible)$'
    else
        HOLDFAST_INJECTIONS=${HOLDFAST_INJECTIONS:-5000}
        export HOLDFAST_INJECTIONS
        tests dev "all tests"
    fi
fi
if [ "$tier" = full ]; then
    build clang && part "tests/disassembly.sh, clang" sh tests/disassembly.sh build-clang
    if build asan; then
        # Not the detector: it flips registers, and in sanitized code many of them hold addresses.
        tests asan "all but standards and the detector, under sanitizers" -R '^(unit|crash|cli|sim|fuzz)/' \
            -E '^sim/test_detector$'
    fi
    part "a search under valgrind" valgrind_search
    part "a unit test under valgrind" valgrind_unit build-dev/unit_record_test_journal
    part_or_skip "emulated nights: tests/machine/nights.sh" sh tests/machine/nights.sh \
        --binary build-dev/holdfast --emulate build-dev/emulate --work build-dev/machine certificates wait errors resets
    part_or_skip "another architecture: tests/aarch64.sh" sh tests/aarch64.sh
fi

echo "$passed passed, $failed failed, $skipped skipped"
[ $failed -eq 0 ] && [ $passed -gt 0 ]
