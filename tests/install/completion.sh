#!/bin/sh
# Completion: asked for in bash as a person's key would; zsh's and fish's files are read by these shells.
#
#   sh tests/install/completion.sh BUILD
# shellcheck source=tests/install/lib.sh
. "$(dirname "$0")/lib.sh"

need bash bash
install_all
file=$prefix/share/bash-completion/completions/holdfast
mkdir -p "$scratch/here/a folder" "$scratch/here/afile"
: >"$scratch/here/a profile.json"

# What bash offers after the words; the last one is under the cursor.
offers() {
    (cd "$scratch/here" && bash -c '
        source "$0"
        COMP_WORDS=("$@")
        COMP_CWORD=$(($# - 1))
        '"$(bash -c 'source "$0"; complete -p holdfast' "$file" | sed 's/.*-F \([^ ]*\) .*/\1/')"'
        printf "%s\n" "${COMPREPLY[@]}"' "$file" "$@" | sort)
}

# $1 the answer expected, the rest the words.
offered() {
    answer=$1
    shift
    offers "$@" >"$scratch/offered"
    # shellcheck disable=SC2059 # line ends in the answer
    printf -- "$answer\n" | sort | diff - "$scratch/offered"
}

options_of() {
    { "$prefix/bin/holdfast" "$1" --help | sed -n 's/^  \(--[a-z-]*\).*/\1/p'; } | sort
}

all_options() {
    options_of "$1" >"$scratch/expected"
    offers holdfast "$1" -- >"$scratch/offered"
    [ "$(wc -l <"$scratch/expected")" -ge 2 ] && diff "$scratch/expected" "$scratch/offered"
}

check "bash reads its file" bash -n "$file"
check "a command" offered 'report\nreproduce' holdfast rep
check "the commands" offered "$("$prefix/bin/holdfast" --help | sed -n 's/^  \([a-z]*\) .*/\1/p' | tr '\n' ' ' |
    sed 's/ /\\n/g')--help\n--version" holdfast ''
for command in $("$prefix/bin/holdfast" --help | sed -n 's/^  \([a-z]*\) .*/\1/p'); do
    check "the options of $command" all_options "$command"
done
check "an option" offered '--method' holdfast search --met
check "a choice" offered 'off\non' holdfast search --guard o
check "a choice after =" offered 'belief\nbisect' holdfast search --method = b
check "all choices after =" offered 'belief\nbisect\nstep-up' holdfast search --method =
check "a file, with a blank in its name" offered 'a folder\na profile.json\nafile' holdfast search --profile a
check "a folder" offered 'a folder\nafile' holdfast search --run a
check "folders after --compare" offered 'a folder\nafile' holdfast report --compare afile a
check "nothing for a time" offered '' holdfast search --for ''
check "nothing after a word that is no command" offered '' holdfast nonsense --
check "a wrong answer is found" refuses offered 'on' holdfast search --guard o

# What zsh's file hands to zsh's own function for options, against the options of command $1.
zsh_options() {
    options_of "$1" >"$scratch/expected"
    zsh -f -c 'words=(holdfast $2 ""); CURRENT=3; _arguments() { print -rl -- "$@" }; source $1' zsh \
        "$prefix/share/zsh/vendor-completions/_holdfast" "${2:-$1}" | sed -n 's/^\(--[a-z-]*\).*/\1/p' | sort >"$scratch/offered"
    diff "$scratch/expected" "$scratch/offered"
}

if command -v zsh >/dev/null 2>&1; then
    check "zsh reads its file" zsh -n "$prefix/share/zsh/vendor-completions/_holdfast"
    check "zsh: the options of search" zsh_options search
    check "zsh: the options of report" zsh_options report
    check "zsh: the options of another command are found out" refuses zsh_options search report
else
    echo "note: zsh is not here: its file was not read"
fi
if command -v fish >/dev/null 2>&1; then
    check "fish reads its file" fish --no-execute "$prefix/share/fish/vendor_completions.d/holdfast.fish"
    fish_offers() {
        XDG_CONFIG_HOME=$scratch XDG_DATA_HOME=$scratch fish --no-config -c \
            "source $prefix/share/fish/vendor_completions.d/holdfast.fish; complete -C 'holdfast $1'" | cut -f 1 | sort |
            tr '\n' ' '
    }
    check "fish: a command" test "$(fish_offers rep)" = "report reproduce "
    check "fish: a choice" test "$(fish_offers 'search --guard o')" = "off on "
else
    echo "note: fish is not here: its file was not read"
fi
finish
