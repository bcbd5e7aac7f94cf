# Takes a document apart (tests/docs/run.sh): cmd.N, line.N and, when something is shown below it, expected.N; spans:
# "line command --option ..."; not-run: how many commands are not run. Problems are printed; exit status 1.
function problem(words) {
    printf "%s:%d: %s\n", name, NR, words
    problems++
}
function command_ends() {
    if (at > 0) close(into "/cmd." at)
    if (at > 0) close(into "/expected." at)
    reading = 0
}
# Does the line look like something to be typed? Of commands of ours and of the tools that the documents use.
function is_command(line) {
    return line ~ /^(\$ |# )?(sudo |env |[A-Z_]+=[^ ]* )*((\.\/)?(build[a-z0-9-]*\/)?holdfast|sh|cmake|ctest|ninja|make|git|apt-get|dd|cp|rm|mkdir|sed|sbatch|srun|squeue|scontrol|systemctl|\$EDITOR) /
}
# Commands named in the text: `holdfast COMMAND --option ...`, and `COMMAND --option ...`.
function read_spans(line,    parts, n, i) {
    n = split(line, parts, "`")
    for (i = 2; i <= n; i += 2)
        if (parts[i] ~ /^(holdfast )?(survey|search|verify|reproduce|certify|report|rehearse|bench|upload)( |$)/ &&
            (parts[i] ~ /^holdfast / || parts[i] ~ / --/))
            span(parts[i])
        else if (parts[i] ~ /^(build[a-z0-9-]*\/)?holdfast [a-z]/)
            span(parts[i])
        else if (parts[i] ~ /^sh [a-z]+\/[a-z_\/-]+\.sh/)
            print NR " " parts[i] >(into "/scripts")
}
function span(words,    word, n, i, line) {
    sub(/^(build[a-z0-9-]*\/)?holdfast /, "", words)
    n = split(words, word, /[ ,=]+/)
    line = NR " " word[1]
    for (i = 2; i <= n; i++) {
        gsub(/[\[\]()]/, "", word[i])
        if (word[i] ~ /^--[a-z]/) line = line " " word[i]
    }
    print line >(into "/spans")
}
/^```/ {
    if (!inside) {
        inside = 1
        info = substr($0, 4)
        run = info == "console"
        skipped = info == "console not-run"
        if (info ~ /^console/ && !run && !skipped) problem("an unknown kind of block: " info)
        if (skipped && tolower(paragraph) !~ /the documents' test does not run/)
            problem("the sentence before this block does not say that the documents' test does not run it, and why")
    } else {
        inside = 0
        command_ends()
    }
    paragraph = ""
    next
}
inside && run && /^\$ / {
    command_ends()
    at++
    print substr($0, 3) >(into "/cmd." at)
    print NR >(into "/line." at)
    close(into "/line." at)
    reading = 1
    next
}
inside && run && /^> / && reading {
    print substr($0, 3) >(into "/cmd." at)
    next
}
inside && run {
    if (at == 0 || $0 == "" && !(at in output)) { if ($0 != "") problem("output before any command"); next }
    reading = 0
    output[at] = 1
    print >(into "/expected." at)
    next
}
inside && skipped {
    if (/^[$#] /) not_run++
    next
}
inside && is_command($0) { problem("a command in a block that is not ```console: " $0) }
inside { next }
/^    / && is_command(substr($0, 5)) { problem("a command outside of a block: " $0) }
{
    read_spans($0)
    if ($0 ~ /^[ \t]*$/) { last = paragraph != "" ? paragraph : last; blank = 1 }
    else { paragraph = blank ? $0 : paragraph " " $0; blank = 0 }
}
/^[ \t]*$/ { next }
END {
    if (inside) problem("a block that does not end")
    print not_run + 0 >(into "/not-run")
    exit problems > 0
}
