#!/bin/sh
# Every command line in the documents is run, and what it prints is compared with what the document shows.
#
#   sh tests/docs/run.sh --binary HOLDFAST [--rewrite] [--root DIR] [DOCUMENT ...]
#   sh tests/docs/run.sh --self-test
#
# Documents: README.md, DEVELOPERS.md, docs/*.md below DIR (default: the tree this script stands in). In each:
#
#   ```console          lines that begin with "$ " are commands ("> " goes on with one), the rest is what they print
#   ```console not-run  commands that cannot run here. The sentence before the block must hold the words
#                       "the documents' test does not run" and say why; they are counted
#   `holdfast ...`      in the text: the command and its options must be known to --help; `sh FILE`: it must be there
#   any other block     may not hold a command
#
# The commands of a document run in order, in one shell, in a scratch directory that holds `profiles` and `holdfast` on
# PATH. A command must leave with status 0, unless the next one is `echo $?`. Output that is not shown is not compared;
# of output that is, a line `...` stands for any lines, `...` within a line for anything, and numbers, runs of blanks and
# the scratch directory (shown as /home/you) are elastic. --rewrite writes what came out into the document, and keeps
# its `...` where they still fit.
set -u
LC_ALL=C
export LC_ALL

here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
binary=
rewrite=0
self_test=0
documents=
limit=90 # seconds for the commands of one document
while [ $# -gt 0 ]; do
    case $1 in
    --binary) binary=$(realpath "$2") && shift ;;
    --root) root=$(realpath "$2") && shift ;;
    --limit) limit=$2 && shift ;;
    --rewrite) rewrite=1 ;;
    --self-test) self_test=1 ;;
    -*) sed -n '/^#   sh /s/^#   //p' "$0" >&2 && exit 2 ;;
    *) documents="$documents $1" ;;
    esac
    shift
done

scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-docs.XXXXXX") || exit 2
group=
finish() {
    [ -z "$group" ] || kill -s KILL -- "-$group" 2>/dev/null
    chmod -R u+rwx "$scratch" 2>/dev/null
    rm -rf "$scratch"
}
trap finish EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

# --- a document taken apart: $1 the document, $2 a folder for cmd.N, expected.N, line.N; problems on standard output ---
take_apart() {
    awk -v into="$2" -v name="$3" -f "$here/take_apart.awk" "$1"
}

# Runs the commands of a folder one after the other in one shell; out.N and status.N are what came of them.
play() {
    cat >"$1/play.sh" <<'EOF'
at=1
status=0
while [ -f "$PARTS/cmd.$at" ]; do
    (exit $status)
    eval "$(cat "$PARTS/cmd.$at")" >"$PARTS/out.$at" 2>&1
    status=$?
    echo $status >"$PARTS/status.$at"
    at=$((at + 1))
done
EOF
    mkdir -p "$1/home/tide" "$scratch/bin"
    mkdir -p "$1/home/tide/build"
    ln -sf "$binary" "$scratch/bin/holdfast"
    ln -sf "$binary" "$1/home/tide/build/holdfast"
    [ ! -d "$root/profiles" ] || cp -r "$root/profiles" "$1/home/tide/profiles"
    (
        cd "$1/home/tide" || exit 2
        PARTS=$1 HOME=$1/home PATH="$scratch/bin:$PATH" TZ=UTC EDITOR=true
        export PARTS HOME PATH TZ EDITOR
        unset XDG_STATE_HOME HWLOC_XMLFILE HWLOC_SYNTHETIC HWLOC_FSROOT HWLOC_COMPONENTS
        exec setsid timeout -k 3 "$limit" sh "$1/play.sh"
    ) >"$1/log" 2>&1 </dev/null &
    group=$!
    wait $group || :
    kill -s KILL -- "-$group" 2>/dev/null # whatever the commands left behind
    group=
}

# Compares; with --rewrite writes new.N, what the document is to show from now on.
judge() {
    at=1
    wrong=0
    while [ -f "$1/cmd.$at" ]; do
        place="$2:$(cat "$1/line.$at")"
        if [ ! -f "$1/status.$at" ]; then
            echo "$place: took too long (the document has $limit s), or ended the shell: $(head -n 1 "$1/cmd.$at")"
            return 1
        fi
        sed -i -e "s|$1/home|/home/you|g" -e "s|$scratch/bin/||g" -e "s|$binary|holdfast|g" "$1/out.$at"
        if [ "$(cat "$1/status.$at")" -ne 0 ] && ! grep -qxF 'echo $?' "$1/cmd.$((at + 1))" 2>/dev/null; then
            echo "$place: left with status $(cat "$1/status.$at"): $(head -n 1 "$1/cmd.$at")"
            sed 's/^/    /' "$1/out.$at" | tail -n 20
            wrong=1
        fi
        if [ -f "$1/expected.$at" ]; then
            exact=0
            ! grep -qxF 'echo $?' "$1/cmd.$at" || exact=1
            if ! awk -v exact=$exact -v new="$1/new.$at" -f "$here/compare.awk" "$1/expected.$at" "$1/out.$at" \
                >"$1/difference" && [ $rewrite -eq 0 ]; then
                echo "$place: prints something else: $(head -n 1 "$1/cmd.$at")"
                sed 's/^/    /' "$1/difference"
                wrong=1
            fi
        fi
        at=$((at + 1))
    done
    return $wrong
}

# Every `holdfast COMMAND --option` in the text of a folder's spans against --help.
judge_spans() {
    wrong=0
    while read -r line command options; do
        "$binary" "$command" --help >"$scratch/help" 2>/dev/null </dev/null || {
            echo "$2:$line: there is no command holdfast $command"
            wrong=1
            continue
        }
        for option in $options; do
            grep -q -e "$option\([^a-z-]\|\$\)" "$scratch/help" || {
                echo "$2:$line: holdfast $command has no option $option"
                wrong=1
            }
        done
    done <"$1/spans"
    while read -r line _ script _; do
        [ -f "$root/$script" ] || {
            echo "$2:$line: there is no $script"
            wrong=1
        }
    done <"$1/scripts"
    return $wrong
}

put_together() {
    awk -v from="$1" -f "$here/put_together.awk" "$2" >"$1/document" && cp "$1/document" "$2"
}

commands=0
shown=0
not_run=0
spans=0
failed=0
one_document() {
    parts=$scratch/$(echo "$1" | tr / _)
    mkdir -p "$parts"
    : >"$parts/spans"
    : >"$parts/scripts"
    good=1
    take_apart "$root/$1" "$parts" "$1" >"$parts/problems" || good=0
    cat "$parts/problems"
    began=$(date +%s)
    count=$(find "$parts" -name 'cmd.*' | wc -l)
    [ "$count" -eq 0 ] || play "$parts"
    judge "$parts" "$1" || good=0
    judge_spans "$parts" "$1" || good=0
    [ $rewrite -eq 0 ] || put_together "$parts" "$root/$1"
    [ $good -eq 1 ] || failed=$((failed + 1))
    commands=$((commands + count))
    shown=$((shown + $(find "$parts" -name 'expected.*' | wc -l)))
    not_run=$((not_run + $(cat "$parts/not-run")))
    spans=$((spans + $(wc -l <"$parts/spans")))
    [ "$count" -eq 0 ] || echo "$([ $good -eq 1 ] && echo pass || echo FAIL)  $1: $count commands ($(($(date +%s) - began)) s)"
}

if [ $self_test -eq 1 ]; then
    # shellcheck source=tests/docs/self_test.sh
    . "$here/self_test.sh"
    exit
fi
[ -x "$binary" ] || { echo "--binary must name the holdfast to test" >&2 && exit 2; }
if [ -z "$documents" ]; then
    documents=$(cd "$root" && find README.md DEVELOPERS.md docs -name '*.md' | sort)
fi
for document in $documents; do
    one_document "$document"
done
echo "$commands commands run, the output of $shown compared, $not_run not run, $spans in the text checked, $failed documents failed"
[ $failed -eq 0 ] && [ $commands -gt 0 ] && [ $shown -gt 0 ]
