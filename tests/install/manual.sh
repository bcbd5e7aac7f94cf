#!/bin/sh
# The man pages: one for the program and each command, saying what --help says, without a complaint of mandoc.
#
#   sh tests/install/manual.sh BUILD
# shellcheck source=tests/install/lib.sh
. "$(dirname "$0")/lib.sh"

need mandoc mandoc
install_all
pages=$prefix/share/man/man1
holdfast=$prefix/bin/holdfast
"$holdfast" --help >"$scratch/help"
commands=$(sed -n 's/^  \([a-z]*\) .*/\1/p' "$scratch/help")
gunzip "$pages"/*.gz

# Nothing, but that mandoc looks for the pages named in SEE ALSO among those of this machine: they are here instead.
lint() {
    mandoc -T lint "$1" >"$scratch/lint"
    sed -n 's/.*STYLE: referenced manual not found: Xr \([^ ]*\) 1.*/\1/p' "$scratch/lint" | while read -r other; do
        [ -f "$pages/$other.1" ] || echo "$1 names $other.1, which is not there"
    done >"$scratch/missing"
    grep -v 'STYLE: referenced manual not found: Xr holdfast' "$scratch/lint" >>"$scratch/missing"
    cat "$scratch/missing"
    [ ! -s "$scratch/missing" ]
}

# A page as words, without line ends.
words() {
    mandoc -T ascii -O width=1000 "$1" | sed "s/.$(printf '\b')//g" | tr -s ' \n' ' '
}

# Every option of --help is on the page, with its value and its sentence, and the page has no other.
same_options() {
    "$holdfast" "$1" --help | sed -n 's/^  --/--/p' >"$scratch/options"
    words "$pages/holdfast-$1.1" >"$scratch/words"
    [ -s "$scratch/options" ] || return 1
    while read -r line; do
        case $line in
        --help*) continue ;;
        esac
        grep -qF -- " $(echo "$line" | tr -s ' ') " "$scratch/words" || { echo "not on the page: $line" && return 1; }
    done <"$scratch/options"
    sed -n 's/^\.It Fl -\([a-z-]*\).*/--\1/p' "$pages/holdfast-$1.1" >"$scratch/on_page"
    sed 's/ .*//' "$scratch/options" | diff - "$scratch/on_page"
}

check "a page for the program" test -s "$pages/holdfast.1"
check "nothing to say against it" lint "$pages/holdfast.1"
for command in $commands; do
    check "$command: nothing to say against its page" lint "$pages/holdfast-$command.1"
    check "$command: the options of --help" same_options "$command"
done
check "no other page" test "$(find "$pages" -type f | wc -l)" = $(($(echo "$commands" | wc -l) + 1))
[ "$(echo "$commands" | wc -l)" -ge 9 ] || check "the commands of --help" false

# What must be found.
echo '.Zz' >>"$pages/holdfast.1"
check "a macro that is none is found" refuses lint "$pages/holdfast.1"
sed -i 's/^\.It Fl -json.*/.It Fl -jsonn/' "$pages/holdfast-survey.1"
check "an option that is not there is found" refuses same_options survey
finish
