#!/bin/sh
# docs/troubleshooting.md and the sources must know the same messages.
#
#   sh tests/docs/messages.sh [--root DIR] [--list]
#   sh tests/docs/messages.sh --self-test
#
# A row of the document begins with a message between backquotes, `...` where it varies. Each must stand in one string of
# the sources (src, workloads): its pieces in one file, in this order. And every failure in the sources (hf_fail,
# hf_fail_errno, hf_json_fail) must fit a row, so that whoever meets it finds what to do. --list shows those failures.
# Exit status 1 when something does not fit.
set -u
LC_ALL=C
export LC_ALL

here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
list=0
self_test=0
while [ $# -gt 0 ]; do
    case $1 in
    --root) root=$2 && shift ;;
    --binary) shift ;; # not needed: every check of this folder is called alike
    --list) list=1 ;;
    --self-test) self_test=1 ;;
    *) sed -n '/^#   sh /s/^#   //p' "$0" >&2 && exit 2 ;;
    esac
    shift
done

check() {
    (
        cd "$1" || exit 2
        # shellcheck disable=SC2046 # names of files hold no blanks
        awk -v list=$list -f "$here/messages.awk" docs/troubleshooting.md \
            $(find src/ workloads/ -name '*.[ch]' | sort)
    )
}

scratch=
trap '[ -z "$scratch" ] || rm -rf "$scratch"' EXIT
planted=0
missed=0
# $1 what, $2 file, $3 a sed script that plants it, $4 what must be said
plant() {
    rm -rf "$scratch/tree"
    mkdir -p "$scratch/tree/docs" "$scratch/tree/src/a" "$scratch/tree/workloads"
    cat >"$scratch/tree/docs/troubleshooting.md" <<'EOF'
| message | what to do |
| --- | --- |
| `the file ... is torn: mend "it"` | mend it |
| `no room for ...` | make some |
| `stopped after ... s` | wait |
EOF
    cat >"$scratch/tree/src/a/one.c" <<'EOF'
int f(void)
{
    say("stopped after %d s", 3); /* "not a message" */
    if (x)
        return hf_fail(error, HF_E_INPUT, "the file %s is torn: "
                       "mend \"it\"", name(1, "two"));
    return hf_fail_errno(error, errno, "no room for %" PRIu64 " bytes", size);
}
EOF
    [ -z "$2" ] || sed -i "$3" "$scratch/tree/$2"
    check "$scratch/tree" >"$scratch/result" 2>&1
    result=$?
    if [ -z "$2" ]; then
        [ $result -eq 0 ] && return
    else
        planted=$((planted + 1))
        [ $result -eq 1 ] && grep -qF -e "$4" "$scratch/result" && echo "found: $1" && return
    fi
    echo "NOT FOUND ($result): $1: expected: $4" >&2
    cat "$scratch/result" >&2
    missed=$((missed + 1))
}

if [ $self_test -eq 1 ]; then
    scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-messages.XXXXXX") || exit 2
    plant "a tree that is right" "" "" ""
    plant "a word that has changed" src/a/one.c 's/is torn/was torn/' 'docs/troubleshooting.md:3: no such message'
    plant "an order that has changed" docs/troubleshooting.md 's/stopped after ... s/s ... stopped/' ':5: no such message'
    plant "a message that is only in a comment" docs/troubleshooting.md 's/stopped after ... s/not a message/' ':5: no such message'
    plant "a message without a row" src/a/one.c 's/no room/too much/' 'src/a/one.c:7: no row'
    plant "a row that says nothing" docs/troubleshooting.md 's/no room for .../.../' ':4: no words'
    plant "no rows at all" docs/troubleshooting.md '3,5d' '0 rows'
    echo "messages self-test: $planted plants, $missed failures"
    [ $missed -eq 0 ] && [ $planted -eq 6 ]
    exit
fi
check "$root"
