#!/bin/sh
# Writes the man pages and completion files of a program that was just built.
#
#   sh manual.sh FOLDER PROGRAM...    PROGRAM may be several words: an emulator and the program
#
# FOLDER holds afterwards man1/holdfast.1.gz, man1/holdfast-COMMAND.1.gz, holdfast (bash), _holdfast (zsh),
# holdfast.fish, and `complete` when nothing failed.
set -eu

folder=$1
shift
rm -rf "$folder"
mkdir -p "$folder/man1"

"$@" --help=man >"$folder/man1/holdfast.1"
"$@" --help >"$folder/commands"
for command in $(sed -n 's/^  \([a-z]*\) .*/\1/p' "$folder/commands"); do
    "$@" "$command" --help=man >"$folder/man1/holdfast-$command.1"
done
gzip -9n "$folder"/man1/*.1

"$@" --help=bash >"$folder/holdfast"
"$@" --help=zsh >"$folder/_holdfast"
"$@" --help=fish >"$folder/holdfast.fish"
: >"$folder/complete"
