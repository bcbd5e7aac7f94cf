# Proof that tests/docs/run.sh can fail: one planted mistake of each kind in a made-up tree, with a made-up program.
# Sourced by run.sh --self-test.
planted=0
# shellcheck disable=SC2154,SC2016 # set by run.sh; marks of blocks
missed=0

tree() {
    rm -rf "$scratch/tree"
    mkdir -p "$scratch/tree/docs" "$scratch/tree/profiles" "$scratch/none"
    cat >"$scratch/tree/holdfast" <<'EOF'
#!/bin/sh
case "$1 $2" in
"survey --help") echo "  --json    one document"; exit 0 ;;
"survey ") printf 'two groups\n14:05:07 trial 3: pass after 2.5 h\nlast line\n'; exit 0 ;;
"fail ") echo "it failed"; exit 3 ;;
"hang ") sleep 60 ;;
*) exit 2 ;;
esac
EOF
    chmod +x "$scratch/tree/holdfast"
    cat >"$scratch/tree/docs/one.md" <<'EOF'
The command `holdfast survey --json`.

```console
$ holdfast survey
two groups
11:22:33 trial 17: pass after 40.0 h
...
$ holdfast fail
it ... failed
$ echo $?
3
$ kept=here && holdfast survey \
> >file
$ echo $kept
here
$ pwd
/home/you/tide
```

The documents' test does not run this: it needs root.

```console not-run
$ holdfast search
```
EOF
    sed -i 's/^it \.\.\. failed$/it...failed/' "$scratch/tree/docs/one.md"
}

run_on_tree() {
    sh "$here/run.sh" --binary "$scratch/tree/holdfast" --root "$scratch/tree" --limit 3 "$@" docs/one.md \
        >"$scratch/result" 2>&1
    result=$?
}

# $1 what, $2 a sed script that plants it, $3 what must be said
plant() {
    tree
    sed -i "$2" "$scratch/tree/docs/one.md"
    planted=$((planted + 1))
    run_on_tree
    if [ $result -eq 1 ] && grep -qF -e "$3" "$scratch/result"; then
        echo "found: $1"
    else
        echo "NOT FOUND ($result): $1: expected: $3" >&2
        cat "$scratch/result" >&2
        missed=$((missed + 1))
    fi
}

tree
run_on_tree
if [ $result -ne 0 ] || ! grep -q '^6 commands run, the output of 5 compared, 1 not run, 1 in the text checked, 0 ' \
    "$scratch/result"; then
    echo "a document that is right was refused:" >&2
    cat "$scratch/result" >&2
    missed=$((missed + 1))
fi
plant "a word that is not printed" 's/^two groups/three groups/' 'docs/one.md:4: prints something else'
plant "a line too many" 's/^two groups/two groups\nand more/' 'docs/one.md:4: prints something else'
plant "a line that is missing at the end" 's/^\.\.\.$//' 'docs/one.md:4: prints something else'
plant "an end that is not printed" 's/^it\.\.\.failed/it...passed/' 'docs/one.md:8: prints something else'
plant "another exit status" 's/^3$/4/' 'docs/one.md:10: prints something else'
plant "a failure that nobody asks about" '/^\$ echo \$?$/,/^3$/d' 'docs/one.md:8: left with status 3'
plant "an unknown command" 's/^\$ pwd/$ no-such-command/' 'left with status 127'
plant "a command that hangs" 's/^\$ pwd/$ holdfast hang/' 'took too long'
plant "a command that ends the shell" 's/^\$ pwd/$ exit 0/' 'or ended the shell'
plant "not run, and no word why" 's/ it needs root/ x/; s/does not run this/has this/' 'does not say that'
plant "an unknown kind of block" 's/console not-run/console sometimes/' 'an unknown kind of block'
plant "a command in another block" 's/^```console not-run/```/' 'a command in a block that is not'
plant "a command that is indented" 's/^The documents/    holdfast survey\n\nThe documents/' 'a command outside of a block'
plant "an option that is not there" 's/--json/--yaml/' 'holdfast survey has no option --yaml'
plant "a command that is not there" 's/holdfast survey --json/holdfast look/' 'there is no command holdfast look'
plant "a script that is not there" 's/^The command/The script `sh tests\/gone.sh`/' 'there is no tests/gone.sh'
plant "a document without commands" '/^```console$/,/^```$/d' '0 commands run'

# --rewrite mends what can be mended and keeps the rest.
tree
cp "$scratch/tree/docs/one.md" "$scratch/before"
sed -i 's/^two groups/three groups/' "$scratch/tree/docs/one.md"
run_on_tree --rewrite
run_on_tree
if [ $result -ne 0 ] || ! grep -q '^last line$' "$scratch/tree/docs/one.md" ||
    [ "$(grep -c '^14:05:07' "$scratch/tree/docs/one.md")" -ne 1 ] ||
    ! sed '/^three groups$/d' "$scratch/tree/docs/one.md" | grep -q '^it\.\.\.failed$'; then
    echo "rewriting went wrong:" >&2
    diff "$scratch/before" "$scratch/tree/docs/one.md" >&2
    missed=$((missed + 1))
fi
echo "documents self-test: $planted plants, $missed failures"
[ $missed -eq 0 ] && [ $planted -eq 17 ]
