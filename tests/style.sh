#!/bin/sh
# The rules of style that a machine can check, over src, include and workloads.
#
#   sh tests/style.sh [FOLDER]     checks a tree (default: the one this script stands in)
#   sh tests/style.sh --self-test  plants one violation of each kind in a made-up tree and must find every one
#
#   functions   at most 70 lines from the line of { to the line of } (both counted, alone in column 1);
#               the exempt ones are listed below by name, and an exemption that is no longer needed is a violation
#   allocation  malloc and its kin only in src/base/memory.c (comments and strings do not count)
#   text        no tab, no line over 110 columns, no blank at the end of a line, a newline at the end of a file
# Each violation is one line "file:line: what". Exit status 1 when there is one, 2 when the check itself cannot run.
set -u
LC_ALL=C
export LC_ALL

function_lines_max=70
columns_max=110

# Kernels, and stories of one transaction that would only be harder to follow in pieces: "file function".
exempt='
'

check_tree() {
    root=$1
    (
        cd "$root" || exit 2
        find src include workloads -type f \( -name '*.[ch]' -o -name '*.inc' \) 2>/dev/null | sort >"$list"
    ) || return 2
    if [ ! -s "$list" ]; then
        echo "style.sh: no source file under $root" >&2
        return 2
    fi
    (cd "$root" && awk -v exempt="$exempt" -v lines_max=$function_lines_max -v columns_max=$columns_max \
        "$program" "$list")
}

# shellcheck disable=SC2016 # an awk program
program='
function violation(file, line, words) {
    printf "%s:%d: %s\n", file, line, words
    violations++
}
# The line without comments, strings and characters; `in_comment` carries over.
function code_of(text,    code, at, two, quote) {
    code = ""
    for (at = 1; at <= length(text); at++) {
        two = substr(text, at, 2)
        if (in_comment) {
            if (two == "*/") { in_comment = 0; at++ }
        } else if (two == "/*") {
            in_comment = 1; at++
        } else if (two == "//") {
            break
        } else if (substr(two, 1, 1) == "\"" || substr(two, 1, 1) == quote_mark) {
            quote = substr(two, 1, 1)
            for (at++; at <= length(text) && substr(text, at, 1) != quote; at++)
                if (substr(text, at, 1) == "\\") at++
            code = code quote quote
        } else {
            code = code substr(two, 1, 1)
        }
    }
    return code
}
# In UTF-8 every byte but the continuation bytes begins a column.
function columns_of(text) {
    gsub(/[\200-\277]/, "", text)
    return length(text)
}
# The name of the function whose head stands in `head`: the word before the first parenthesis that is not an attribute.
function name_of(head,    depth, at, character) {
    while ((at = index(head, "__attribute__")) > 0) {
        depth = 0
        character = at + length("__attribute__")
        for (; character <= length(head); character++) {
            if (substr(head, character, 1) == "(") depth++
            if (substr(head, character, 1) == ")" && --depth == 0) break
        }
        head = substr(head, 1, at - 1) substr(head, character + 1)
    }
    if (!match(head, /[A-Za-z_][A-Za-z_0-9]*[ \t]*\(/)) return "?"
    head = substr(head, RSTART, RLENGTH)
    sub(/[ \t]*\($/, "", head)
    return head
}
function end_function(file, line,    length_lines, key) {
    functions++
    length_lines = line - began + 1
    if (length_lines > longest) { longest = length_lines; longest_name = file " " name }
    key = file " " name
    if (length_lines > lines_max && !(key in is_exempt))
        violation(file, began, name " has " length_lines " lines, " lines_max " are allowed")
    if (key in is_exempt) {
        met[key] = 1
        if (length_lines <= lines_max)
            violation(file, began, name " has " length_lines " lines and needs no exemption any more")
    }
    began = 0
    head = ""
}
function check_functions(file, line, code) {
    if (began > 0) {
        if (code ~ /^}/) end_function(file, line)
    } else if (code ~ /^{[ \t]*$/) {
        began = line
        name = name_of(head)
    } else if (code ~ /^[ \t]*#/ || code ~ /[;}][ \t]*$/) {
        head = ""
    } else {
        head = head " " code
    }
}
function check_allocation(file, line, code) {
    if (file == "src/base/memory.c" || file == "src/base/banned.h") return
    if (code ~ allocators)
        violation(file, line, "only src/base/memory.c may allocate and free: use hf_allocate and hf_free")
}
function check_text(file, line, text,    columns) {
    if (index(text, "\t") > 0) violation(file, line, "has a tab")
    if (text ~ /[ \r]$/) violation(file, line, "ends in a blank")
    if (length(text) <= columns_max) return
    columns = columns_of(text)
    if (columns > columns_max) violation(file, line, "has " columns " columns, " columns_max " are allowed")
}
function check_file(file,    text, line, got, code) {
    in_comment = 0; began = 0; head = ""; line = 0; text = ""
    while ((got = (getline text < file)) > 0) {
        line++
        check_text(file, line, text)
        code = code_of(text)
        check_functions(file, line, code)
        check_allocation(file, line, code)
    }
    close(file)
    if (got < 0) violation(file, 1, "cannot be read")
    if (began > 0) violation(file, began, name " has no end: its } must stand alone in column 1")
    if (in_comment) violation(file, line, "ends within a comment")
    lines_total += line
}
BEGIN {
    quote_mark = sprintf("%c", 39)
    allocators = "(^|[^A-Za-z_0-9])(malloc|calloc|realloc|reallocarray|free|strdup|strndup|aligned_alloc|memalign|" \
                 "posix_memalign|valloc|alloca|asprintf|vasprintf|getline|getdelim)[ \t]*\\("
    n = split(exempt, lines, "\n")
    for (i = 1; i <= n; i++)
        if (split(lines[i], words, " ") == 2) { is_exempt[words[1] " " words[2]] = 1; exempt_count++ }
}
{ files++; check_file($0) }
END {
    for (key in is_exempt)
        if (!(key in met)) violation("tests/style.sh", 1, "the exempt function " key " is not there")
    printf "style: %d files, %d lines, %d functions, the longest %d lines (%s), %d exempt, %d violations\n",
        files, lines_total, functions, longest, longest_name, exempt_count, violations
    exit violations > 0
}
'

# awk cannot see whether the last line has its newline.
check_last_newlines() {
    while read -r file; do
        if [ -s "$1/$file" ] && [ -n "$(tail -c 1 "$1/$file")" ]; then
            echo "$file:1: has no newline at its end"
            echo bad >"$scratch/no-newline"
        fi
    done <"$list"
    if [ -e "$scratch/no-newline" ]; then
        rm "$scratch/no-newline"
        return 1
    fi
}

check() {
    check_tree "$1"
    result=$?
    [ "$result" -eq 2 ] && return 2
    check_last_newlines "$1" || result=1
    return $result
}

# --- proof that it can fail ---

# Kept in a file: most plants run at the end of a pipe, where a variable would be lost.
failed() {
    echo "$1" >>"$scratch/failures"
}

lines_of() { # so many lines of code
    i=0
    while [ $i -lt "$1" ]; do
        echo '    value++;'
        i=$((i + 1))
    done
}

good_tree() {
    rm -rf "$scratch/tree"
    mkdir -p "$scratch/tree/src/base" "$scratch/tree/include/holdfast" "$scratch/tree/workloads"
    printf 'void *hf_allocate(void)\n{\n    return malloc(1);\n}\n' >"$scratch/tree/src/base/memory.c"
    {
        # things that only look like violations
        echo '/* malloc(1) in a comment, and in a string: */'
        echo 'static const char *words = "free(it) // \" malloc(2)";'
        echo "static const char mark = '\"'; /* free(3) */"
        echo '__attribute__((target("sse4.2"), unused)) static void reaches_the_limit(int value,'
        echo '                                                                        int other)'
        echo '{'
        lines_of $((function_lines_max - 2))
        echo '}'
        echo 'static const int table[] = {'
        lines_of 100
        echo '};'
        printf '/* %s */\n' "$(printf '\303\251%.0s' $(seq 1 $((columns_max - 6))))" # two bytes, one column
        echo 'void hf_free(void *memory);'
        echo 'static int is_free(int x);'
    } >"$scratch/tree/src/base/good.c"
    : >"$scratch/tree/workloads/empty.h"
}

run_on() {
    check "$scratch/tree" >"$scratch/out" 2>&1
    status=$?
}

# plant: what, file, expected line; the content comes on standard input.
plant() {
    good_tree
    cat >"$scratch/tree/$2"
    run_on
    echo "$1" >>"$scratch/plants"
    if [ "$status" -eq 1 ] && grep -qxF "$3" "$scratch/out" && [ "$(grep -c '^[a-z]*/' "$scratch/out")" -eq 1 ]; then
        echo "found: $1"
    else
        echo "NOT FOUND (status $status): $1: expected only: $3" >&2
        cat "$scratch/out" >&2
        failed "$1"
    fi
}

long_function() {
    echo "static int $1(int value)"
    echo '{'
    lines_of $((function_lines_max - 1))
    echo '}'
}

self_test() {
    : >"$scratch/failures"
    : >"$scratch/plants"
    good_tree
    run_on
    if [ "$status" -ne 0 ] || ! grep -q '2 functions, the longest 70 lines (src/base/good.c reaches_the_limit)' "$scratch/out"; then
        echo "a tree that is right was refused, or its functions were not found:" >&2
        cat "$scratch/out" >&2
        failed "good tree"
    fi
    long_function too_long | plant "a function of 71 lines" src/base/a.c 'src/base/a.c:2: too_long has 71 lines, 70 are allowed'
    long_function too_long | plant "also in workloads" workloads/a.h 'workloads/a.h:2: too_long has 71 lines, 70 are allowed'
    plant "malloc" src/base/a.c 'src/base/a.c:2: only src/base/memory.c may allocate and free: use hf_allocate and hf_free' <<'CODE'
/* a comment that ends here */
static void *memory; void f(void) { memory = malloc (1); }
CODE
    plant "free, after a comment" workloads/a.c 'workloads/a.c:1: only src/base/memory.c may allocate and free: use hf_allocate and hf_free' <<'CODE'
/* x */ void f(void) { /* y */ free(memory); }
CODE
    printf 'int\tx;\n' | plant "a tab" include/holdfast/a.h 'include/holdfast/a.h:1: has a tab'
    printf 'int x; \n' | plant "a blank at the end" src/base/a.c 'src/base/a.c:1: ends in a blank'
    printf 'int x;' | plant "no newline at the end" src/base/a.c 'src/base/a.c:1: has no newline at its end'
    printf '/* %0*d */\n' $((columns_max - 5)) 1 | plant "a line of 111 columns" src/base/a.c "src/base/a.c:1: has $((columns_max + 1)) columns, $columns_max are allowed"
    printf 'static int f(int x)\n{\n    return x;\n    }\n' | plant "a function without an end" src/base/a.c 'src/base/a.c:2: f has no end: its } must stand alone in column 1'
    printf '/* never ends\n' | plant "a comment without an end" src/base/a.c 'src/base/a.c:1: ends within a comment'

    saved=$exempt
    exempt='src/base/a.c too_long'
    good_tree
    long_function too_long >"$scratch/tree/src/base/a.c"
    run_on
    if [ "$status" -ne 0 ] || ! grep -q ' 1 exempt, 0 violations$' "$scratch/out"; then
        echo "an exempt function was refused" >&2
        failed "exemption"
    fi
    printf 'static int too_long(int x)\n{\n    return x;\n}\n' | plant "an exemption that is not needed" src/base/a.c 'src/base/a.c:2: too_long has 3 lines and needs no exemption any more'
    printf 'int x;\n' | plant "an exemption without its function" src/base/a.c 'tests/style.sh:1: the exempt function src/base/a.c too_long is not there'
    exempt=$saved
    rm -rf "$scratch/tree"
    mkdir "$scratch/tree"
    run_on
    if [ "$status" -ne 2 ]; then
        echo "an empty tree passed" >&2
        failed "empty tree"
    fi
    plants=$(wc -l <"$scratch/plants")
    failures=$(wc -l <"$scratch/failures")
    echo "style self-test: $plants plants, $failures failures"
    [ "$failures" -eq 0 ] && [ "$plants" -eq 12 ]
}

scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-style.XXXXXX") || exit 2
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
list=$scratch/list

case ${1:-} in
--self-test) self_test ;;
-*) echo "usage: sh tests/style.sh [--self-test | FOLDER]" >&2 && exit 2 ;;
'') check "$(cd "$(dirname "$0")/.." && pwd)" ;;
*) check "$1" ;;
esac
