#!/bin/sh
# What the compiler made of the kernels: the section hf_kernels of every kernel's object file, disassembled.
#
#   sh tests/disassembly.sh [BUILD]       a build folder (default: build-dev); OBJDUMP names another disassembler
#   sh tests/disassembly.sh --self-test   plants one violation of each kind and must find every one
#
#   no way out      no call, no jump to another section, no system call, no indirect jump (but those listed)
#   no spills       the hot loop of the functions listed below does not touch the stack
#   instructions    each file has the instructions that its kernel is named for, so many in its hot loop
#
# A hot loop is the longest one that has no loop inside. Each violation is one line "folder/file: function: what". Exit
# status 1 when there is one, 2 when the check itself cannot run.
set -u
LC_ALL=C
export LC_ALL

# "folder/file function": its hot loop works in registers alone (gcc and clang).
no_spills='
x86-64-avx2/fma_residue advance_128
x86-64-avx2/fma_residue advance_256
x86-64-avx512/fma_residue advance_512
x86-64-avx2/pulse advance_256
x86-64-avx512/pulse advance_512
aarch64/fma_residue advance_128
aarch64/fma_single advance_128
aarch64/wide_multiply advance
'

# "folder/file function minimum pattern": at least so many instructions in the hot loop that match the extended regular
# expression; with * for the function they are counted over the whole file. Every file of a folder of an instruction set
# must have a line here.
instructions='
reference/branch * 0 .
reference/carryless * 8 ^(xor|eor)
reference/chase * 4 ^(mov|ldr)
reference/cipher * 1 ^(mov|ldr)
reference/copy * 4 ^(mov|ldr)
reference/crc * 8 ^(shr|lsr|xor|eor)
reference/divide * 3 ^(div|idiv|udiv|msub)
reference/fma_residue * 3 ^(mulx?|umulh)
reference/fma_single * 3 ^(mulx?|imul|umulh|madd)
reference/gather * 1 ^(mov|ldr)
reference/handoff * 1 ^(lock|xchg|ldaxr|ldxr)
reference/hash * 1 ^(ro[lr]|rorx)
reference/key_schedule * 8 ^(xor|eor)
reference/matrix * 3 ^(mulx?|imul|madd|mul)
reference/packed * 4 ^(imul|mul|madd|smaddl|smulbb)
reference/pulse * 2 ^(mulx?|umulh)
reference/vector_integer * 8 ^ro[lr]
reference/wide_multiply * 2 ^(mulx?|umulh)
x86-64-crypto/carryless advance_128 40 ^pclmul
x86-64-crypto/cipher advance_128 108 ^aesenc[ \t]
x86-64-crypto/cipher advance_128 12 ^aesenclast
x86-64-crypto/crc advance 200 ^crc32q
x86-64-crypto/key_schedule advance 60 ^aeskeygenassist
x86-64-crypto/hash * 64 ^sha256rnds2
x86-64-crypto/hash * 24 ^sha256msg1
x86-64-crypto/vector_integer advance_128 12 ^pshufb
x86-64-crypto/vector_integer advance_128 48 ^paddd
x86-64-avx2/carryless advance_256 40 ^vpclmul.*%ymm
x86-64-avx2/cipher advance_256 108 ^vaesenc .*%ymm
x86-64-avx2/cipher advance_256 12 ^vaesenclast .*%ymm
x86-64-avx2/copy * 8 ^vmov.*%ymm
x86-64-avx2/copy * 2 ^rep movs
x86-64-avx2/divide advance 16 ^div
x86-64-avx2/divide advance 16 ^v?divsd
x86-64-avx2/divide advance 8 ^v?sqrtsd
x86-64-avx2/divide advance 2 ^fdiv
x86-64-avx2/fma_residue advance_128 30 ^vfn?m(add|sub)[0-9]*pd .*%xmm
x86-64-avx2/fma_residue advance_128 10 ^vmulpd .*%xmm
x86-64-avx2/fma_residue advance_256 30 ^vfn?m(add|sub)[0-9]*pd .*%ymm
x86-64-avx2/fma_residue advance_256 10 ^vmulpd .*%ymm
x86-64-avx2/fma_residue advance_folded_128 30 ^vfn?m(add|sub)[0-9]*pd .*%xmm
x86-64-avx2/fma_residue advance_folded_256 30 ^vfn?m(add|sub)[0-9]*pd .*%ymm
x86-64-avx2/fma_single advance_128 30 ^vfn?m(add|sub)[0-9]*ps .*%xmm
x86-64-avx2/fma_single advance_256 30 ^vfn?m(add|sub)[0-9]*ps .*%ymm
x86-64-avx2/gather * 2 ^vpgather
x86-64-avx2/hash advance 144 ^rorx
x86-64-avx2/hash * 240 ^rorx
x86-64-avx2/matrix advance_256 12 ^vfn?m(add|sub)[0-9]*pd .*%ymm
x86-64-avx2/matrix_single advance_256 12 ^vfn?m(add|sub)[0-9]*ps .*%ymm
x86-64-avx2/packed advance_256 60 ^vpmaddubsw .*%ymm
x86-64-avx2/packed advance_256 120 ^vpmaddwd .*%ymm
x86-64-avx2/pulse advance_256 24 ^vfn?m(add|sub)[0-9]*pd .*%ymm
x86-64-avx2/vector_integer advance_128 48 ^vpaddd .*%xmm
x86-64-avx2/vector_integer advance_256 48 ^vpaddd .*%ymm
x86-64-avx2/vector_integer advance_256 12 ^vpshufb .*%ymm
x86-64-avx2/wide_multiply advance 48 ^mulx
x86-64-avx2/wide_multiply advance 24 ^imul
x86-64-avx512/carryless advance_512 40 ^vpclmul.*%zmm
x86-64-avx512/cipher advance_512 108 ^vaesenc .*%zmm
x86-64-avx512/cipher advance_512 12 ^vaesenclast .*%zmm
x86-64-avx512/copy * 8 ^vmov.*%zmm
x86-64-avx512/copy * 2 ^rep movs
x86-64-avx512/fma_residue advance_512 48 ^vfn?m(add|sub)[0-9]*pd .*%zmm
x86-64-avx512/fma_residue advance_512 16 ^vmulpd .*%zmm
x86-64-avx512/fma_residue advance_folded_512 48 ^vfn?m(add|sub)[0-9]*pd .*%zmm
x86-64-avx512/fma_single advance_512 48 ^vfn?m(add|sub)[0-9]*ps .*%zmm
x86-64-avx512/gather * 2 ^vpgather.*%zmm
x86-64-avx512/gather * 2 ^vpscatter
x86-64-avx512/matrix advance_512 16 ^vfn?m(add|sub)[0-9]*pd .*%zmm
x86-64-avx512/matrix_byte advance_byte 16 ^vpdpbusd .*%zmm
x86-64-avx512/matrix_single advance_512 16 ^vfn?m(add|sub)[0-9]*ps .*%zmm
x86-64-avx512/packed advance_512 60 ^vpmaddubsw .*%zmm
x86-64-avx512/packed_vnni advance_512 90 ^vpdpbusd .*%zmm
x86-64-avx512/pulse advance_512 24 ^vfn?m(add|sub)[0-9]*pd .*%zmm
x86-64-avx512/vector_integer advance_512 112 ^vpaddd .*%zmm
x86-64-avx512/vector_integer advance_512 112 ^vprold .*%zmm
aarch64/carryless advance_128 40 ^pmull
aarch64/cipher advance_128 120 ^aese
aarch64/cipher advance_128 108 ^aesmc
aarch64/crc advance 200 ^crc32cx
aarch64/fma_residue advance_128 30 ^fml[as]
aarch64/fma_residue advance_128 10 ^fmul
aarch64/fma_single advance_128 30 ^fml[as].*4s
aarch64/fma_single advance_128 10 ^fmul.*4s
aarch64/hash advance 64 ^sha256h[ \t]
aarch64/hash advance 64 ^sha256h2
aarch64/hash advance 48 ^sha256su1
aarch64/vector_integer advance_128 24 ^tbl
aarch64/vector_integer advance_128 48 ^add.*v[0-9]+\.4s
aarch64/wide_multiply advance 48 ^umulh
aarch64/wide_multiply advance 24 ^madd
'

# Where a table of jumps is the work itself.
indirect_allowed='
reference/branch
'

# shellcheck disable=SC2016 # an awk program
program='
function violation(name, words) {
    printf "%s: %s: %s\n", object, name, words
    violations++
}
function is_in(list, key,    lines, n, i) {
    n = split(list, lines, "\n")
    for (i = 1; i <= n; i++) if (lines[i] == key) return 1
    return 0
}
# Does the way from line `from` lead to line `to` without leaving the lines between them? A jump back to code that only
# returns closes no loop.
function reaches(from, to,    reached, pending, line, jump) {
    pending = 1
    split("", reached)
    split("", stack)
    stack[1] = from
    while (pending > 0) {
        line = stack[pending--]
        while (line >= from && line <= to && !(line in reached)) {
            if (line == to) return 1
            reached[line] = 1
            jump = (target[line] != "" && (target[line] in line_at)) ? line_at[target[line]] : 0
            if (jump > 0) stack[++pending] = jump
            if (text[line] ~ /^(jmp|ret|b[ \t])/) break
            line++
        }
    }
    return 0
}
# The longest of the loops without a loop inside: first and last line of it in hot_first, hot_last.
function find_hot(    i, j, inner, loops, from, to) {
    hot_first = 1; hot_last = 0; loops = 0
    for (i = 1; i <= count; i++) {
        if (target[i] == "" || !(target[i] in line_at) || line_at[target[i]] > i) continue
        if (!reaches(line_at[target[i]], i)) continue
        loops++; from[loops] = line_at[target[i]]; to[loops] = i
    }
    for (i = 1; i <= loops; i++) {
        inner = 1
        for (j = 1; j <= loops; j++)
            if (j != i && from[j] >= from[i] && to[j] <= to[i] && (from[j] > from[i] || to[j] < to[i])) inner = 0
        if (inner && to[i] - from[i] > hot_last - hot_first) { hot_first = from[i]; hot_last = to[i] }
    }
}
function count_matches(first, last, pattern,    i, n) {
    n = 0
    for (i = first; i <= last; i++) if (text[i] ~ pattern) n++
    return n
}
function check_instructions(    i, words, pattern, n) {
    for (i = 1; i <= expectations; i++) {
        split(expectation[i], words, " ")
        if (words[1] != object || (words[2] != name && words[2] != "*")) continue
        pattern = expectation[i]
        sub(/^[^ ]+ [^ ]+ [^ ]+ /, "", pattern)
        if (words[2] == "*") { whole[i] += count_matches(1, count, pattern); continue }
        met[i] = 1
        n = count_matches(hot_first, hot_last, pattern)
        if (n < words[3])
            violation(name, n " of at least " words[3] " instructions in its hot loop match " pattern)
    }
}
function end_function(    i, frame, spills) {
    if (name == "") return
    functions++
    find_hot()
    if (is_in(no_spills, object " " name)) {
        claimed[object " " name] = 1
        frame = count_matches(1, count, "^(mov +%rsp,%rbp|lea .*\\(%rsp\\),%rbp)")
        spills = count_matches(hot_first, hot_last, frame ? "\\(%r[sb]p" : "\\(%rsp|\\[sp")
        if (hot_last < hot_first) violation(name, "it has no loop")
        if (spills > 0) violation(name, spills " uses of the stack in its hot loop")
    }
    check_instructions()
    name = ""
}
function begin_function(line) {
    end_function()
    name = line
    sub(/^[0-9a-f]+ </, "", name)
    sub(/>:$/, "", name)
    sub(/\.[a-z]+\.[0-9]+$/, "", name)
    count = 0
    split("", line_at); split("", target); split("", text)
}
function leaves(    way) {
    if (text[count] ~ /^(notrack )?j[a-z]+ +\*/ || text[count] ~ /^br /) way = "an indirect jump"
    if (text[count] ~ /^(bnd )?call/ || text[count] ~ /^blr? /) way = "a call"
    if (text[count] ~ /^(syscall|sysenter|int |int3|svc)/) way = "a system call"
    if (way == "an indirect jump" && is_in(indirect_allowed, object)) return
    if (way != "") violation(name, way ": " text[count])
}
function instruction(line,    parts) {
    count++
    split(line, parts, ":")
    gsub(/ /, "", parts[1])
    text[count] = line
    sub(/^ *[0-9a-f]+:[ \t]*/, "", text[count])
    line_at[parts[1]] = count
    target[count] = ""
    # x86 jumps, and those of aarch64: b, b.cond, cbz, tbz
    if (text[count] ~ /^(j[a-z]+|b|b\.[a-z]+|cbn?z|tbn?z)[ \t]/ && match(text[count], /[0-9a-f]+ </))
        target[count] = substr(text[count], RSTART, RLENGTH - 2)
    leaves()
}
BEGIN {
    n = split(instructions, lines, "\n")
    for (i = 1; i <= n; i++) if (lines[i] != "") expectation[++expectations] = lines[i]
}
/^OBJECT / { end_function(); object = $2; objects++; seen[object] = 1; next }
/^[0-9a-f]+ <.*>:$/ { begin_function($0); next }
/^[ \t]*[0-9a-f]+: R_/ {
    if (name != "" && (text[count] ~ /^j/ || $2 ~ /(CALL26|JUMP26)/))
        violation(name, "a jump out of the section: " text[count])
    next
}
/^ *[0-9a-f]+:[ \t]/ { if (name != "") instruction($0) }
END {
    end_function()
    for (i = 1; i <= expectations; i++) {
        split(expectation[i], words, " ")
        pattern = expectation[i]
        sub(/^[^ ]+ [^ ]+ [^ ]+ /, "", pattern)
        described[words[1]] = 1
        object = words[1]
        if (!(words[1] in seen)) {
            if (index(folders, " " substr(words[1], 1, index(words[1], "/") - 1) " "))
                violation(words[2], "there is no such file")
        } else if (words[2] == "*" && whole[i] + 0 < words[3])
            violation("*", whole[i] + 0 " of at least " words[3] " instructions match " pattern)
        else if (words[2] != "*" && !(i in met))
            violation(words[2], "there is no such function")
    }
    for (key in seen) { object = key; if (!(key in described)) violation("*", "no instructions are expected of this file") }
    n = split(no_spills, lines, "\n")
    for (i = 1; i <= n; i++) {
        object = lines[i]
        sub(/ .*/, "", object)
        if (lines[i] != "" && (object in seen) && !(lines[i] in claimed))
            violation(substr(lines[i], length(object) + 2), "there is no such function")
    }
    printf "disassembly: %d files, %d functions, %d violations\n", objects, functions, violations
    exit violations > 0
}
'

# Prints the section of every kernel's object, each under a line of its own. Objects without kernel code are left out.
disassemble() {
    find "$1" -path '*hf_workloads.dir/workloads/kernels/*' -name '*.o' | sort | while read -r file; do
        name=${file##*/workloads/kernels/}
        name=${name%.c.o}
        ${OBJDUMP:-objdump} -dr --no-show-raw-insn -j hf_kernels "$file" >"$scratch/one" 2>/dev/null || continue
        grep -q '>:$' "$scratch/one" || continue
        echo "OBJECT $name"
        cat "$scratch/one"
    done
}

check() {
    disassemble "$1" >"$scratch/all"
    if ! [ -s "$scratch/all" ]; then
        echo "disassembly.sh: there are no kernels under $1" >&2
        return 2
    fi
    folders=$(sed -n 's/^OBJECT \(.*\)\/.*/\1/p' "$scratch/all" | sort -u | tr '\n' ' ')
    awk -v no_spills="$no_spills" -v instructions="$instructions" -v indirect_allowed="$indirect_allowed" \
        -v folders=" $folders" "$program" "$scratch/all"
}

# --- proof that it can fail ---

plants=0
failures=0

# An object file of the made-up build. $1 name, $2 assembly of the section's one function `advance`.
object() {
    folder=$scratch/build/hf_workloads.dir/workloads/kernels/$(dirname "$1")
    mkdir -p "$folder"
    printf '.section hf_kernels,"ax",@progbits\n.type advance,@function\nadvance:\n%s\n.size advance,.-advance\n' \
        "$2" >"$scratch/one.s"
    ${CC:-gcc} -c -o "$folder/$(basename "$1").c.o" "$scratch/one.s" || exit 2
}

# Its tail jumps back over more lines than its loop has, but closes no loop.
good='mov $9,%eax
jz 3f
1: vfmadd231pd %ymm0,%ymm1,%ymm2
dec %rax
jnz 1b
2: nop
nop
ret
3: nop
jmp 2b'

# What is planted, where, the assembly, the line expected.
plant() {
    plants=$((plants + 1))
    rm -rf "$scratch/build"
    object x86-64-avx2/sample "$good"
    object "$2" "$3"
    check "$scratch/build" >"$scratch/out" 2>&1
    status=$?
    if [ $status -eq 1 ] && grep -qxF "$4" "$scratch/out" && grep -q ' 1 violations$' "$scratch/out"; then
        echo "found: $1"
    else
        echo "NOT FOUND ($status): $1: expected: $4" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
}

self_test() {
    no_spills='x86-64-avx2/sample advance'
    instructions='x86-64-avx2/sample advance 1 ^vfmadd
x86-64-avx2/sample * 1 ^ret'
    object x86-64-avx2/sample "$good"
    if ! check "$scratch/build" >"$scratch/out" 2>&1; then
        echo "a build that is right was refused:" >&2
        cat "$scratch/out" >&2
        failures=$((failures + 1))
    fi
    one=x86-64-avx2/sample
    plant "a call" $one "call advance
$good" "$one: advance: a call: call   0 <advance>"
    plant "a jump elsewhere" $one "jmp memcpy
$good" "$one: advance: a jump out of the section: jmp    5 <advance+0x5>"
    plant "an indirect jump" $one "jmp *%rax
$good" "$one: advance: an indirect jump: jmp    *%rax"
    plant "a system call" $one "syscall
$good" "$one: advance: a system call: syscall"
    plant "a spill" $one 'mov $9,%eax
1: vfmadd231pd %ymm0,%ymm1,%ymm2
vmovapd %ymm2,-64(%rsp)
dec %rax
jnz 1b
ret' "$one: advance: 1 uses of the stack in its hot loop"
    plant "a spill by the frame" $one 'push %rbp
mov %rsp,%rbp
1: vfmadd231pd %ymm0,%ymm1,%ymm2
mov %rax,-8(%rbp)
dec %rax
jnz 1b
pop %rbp
ret' "$one: advance: 1 uses of the stack in its hot loop"
    plant "the instruction before the loop only" $one 'vfmadd231pd %ymm0,%ymm1,%ymm2
1: vaddpd %ymm0,%ymm1,%ymm2
dec %rax
jnz 1b
ret' "$one: advance: 0 of at least 1 instructions in its hot loop match ^vfmadd"
    plant "the instruction in an outer loop only" $one '2: vfmadd231pd %ymm0,%ymm1,%ymm2
1: vaddpd %ymm0,%ymm1,%ymm2
dec %rax
jnz 1b
dec %rdx
jnz 2b
ret' "$one: advance: 0 of at least 1 instructions in its hot loop match ^vfmadd"
    plant "an instruction missing in the file" $one '1: vfmadd231pd %ymm0,%ymm1,%ymm2
dec %rax
jnz 1b
ud2' "$one: *: 0 of at least 1 instructions match ^ret"
    plant "a file nobody describes" x86-64-avx2/other "$good" \
        "x86-64-avx2/other: *: no instructions are expected of this file"
    instructions="$instructions
x86-64-avx2/gone * 1 ^ret"
    plant "a file that has gone" $one "$good" "x86-64-avx2/gone: *: there is no such file"
    rm -rf "$scratch/build"
    mkdir "$scratch/build"
    check "$scratch/build" >"$scratch/out" 2>&1
    if [ $? -ne 2 ]; then
        echo "an empty build passed" >&2
        failures=$((failures + 1))
    fi
    echo "disassembly self-test: $plants plants, $failures failures"
    [ $failures -eq 0 ] && [ $plants -eq 11 ]
}

scratch=$(mktemp -d "${TMPDIR:-/tmp}/holdfast-disassembly.XXXXXX") || exit 2
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

case ${1:-build-dev} in
--self-test) self_test ;;
-*) echo "usage: sh tests/disassembly.sh [--self-test | BUILD]" >&2 && exit 2 ;;
*) check "${1:-build-dev}" ;;
esac
