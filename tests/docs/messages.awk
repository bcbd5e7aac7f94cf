# tests/docs/messages.sh: the first file is the document, the others are sources.
function complain(words) {
    print words
    problems++
}
# Do the pieces stand in the text, in this order?
function holds(text, n, piece,    i, at) {
    for (i = 1; i <= n; i++) {
        if (piece[i] == "") continue
        at = index(text, piece[i])
        if (at == 0) return 0
        text = substr(text, at + length(piece[i]))
    }
    return 1
}
function end_of_source(    i, j, c, two, line, in_string, in_comment, text, depth, call, best, name) {
    # One pass over the characters: every string with the one before it when only blanks or a PRI macro lie between.
    line = 1
    string_line = 0
    joined = ""
    call = 0
    for (i = 1; i <= length(source); i++) {
        c = substr(source, i, 1)
        two = substr(source, i, 2)
        if (c == "\n") line++
        if (in_comment) {
            if (two == "*/") { in_comment = 0; i++ }
        } else if (in_string) {
            if (c == "\\") { c = substr(source, ++i, 1); text = text (c == "n" ? "\n" : c) }
            else if (c == "\"") { in_string = 0 }
            else text = text c
        } else if (two == "/*") {
            in_comment = 1; i++
        } else if (two == "//") {
            while (i < length(source) && substr(source, i + 1, 1) != "\n") i++
        } else if (c == "'") {
            for (i++; i <= length(source) && substr(source, i, 1) != "'"; i++) if (substr(source, i, 1) == "\\") i++
        } else if (c == "\"") {
            in_string = 1
            if (!joinable) { give_string(); text = "" }
            joinable = 1
        } else if (c ~ /[A-Za-z_]/) {
            match(substr(source, i, 64), /^[A-Za-z_0-9]+/)
            name = substr(source, i, RLENGTH)
            i += RLENGTH - 1
            if (name ~ /^PRI[a-z]+[0-9A-Z]+$/ && joinable) text = text "%"
            else {
                joinable = 0
                if (name ~ /^hf_(fail|fail_errno|json_fail)$/ && call == 0) {
                    give_string()
                    text = ""
                    call = 1; depth = 0; call_line = line; best = ""
                }
            }
        } else if (c !~ /[ \t\n]/) {
            joinable = 0
            if (call && c == "(") depth++
            if (call && c == ")" && --depth == 0) {
                give_string()
                text = ""
                end_call()
                call = 0
            }
        }
        string_text = text
        in_call = call
    }
    give_string()
}
function give_string() {
    if (string_text == "") return
    all = all string_text "\001"
    if (in_call && length(string_text) > length(longest)) longest = string_text
    string_text = ""
}
function end_call() {
    if (longest !~ /[a-z][a-z]/ || longest !~ / /) { longest = ""; return }
    failure[++failures] = longest
    failure_place[failures] = source_name ":" call_line
    longest = ""
}
FNR == 1 && NR > 1 && source_name != "" { end_of_source(); texts[source_name] = all; source = all = "" }
FNR == 1 { source_name = FILENAME == ARGV[1] ? "" : FILENAME }
source_name == "" {
    if ($0 ~ /^\| `/) {
        split($0, cell, "`")
        row[++rows] = cell[2]
        row_line[rows] = FNR
    }
    next
}
{ source = source $0 "\n" }
END {
    end_of_source()
    texts[source_name] = all
    for (r = 1; r <= rows; r++) {
        n = split(row[r], piece, /\.\.\./)
        words = row[r]
        gsub(/[^a-z]/, "", words)
        if (length(words) < 3) { complain("docs/troubleshooting.md:" row_line[r] ": no words: " row[r]); continue }
        found = 0
        for (name in texts) if (!found && holds(texts[name], n, piece)) {
            m = split(texts[name], one, "\001")
            for (k = 1; k <= m && !found; k++) found = holds(one[k], n, piece)
        }
        if (!found) complain("docs/troubleshooting.md:" row_line[r] ": no such message in the sources: " row[r])
    }
    for (f = 1; f <= failures; f++) {
        if (list) print failure_place[f] ": " failure[f]
        fits = 0
        for (r = 1; r <= rows && !fits; r++) {
            n = split(row[r], piece, /\.\.\./)
            fits = holds(failure[f], n, piece)
        }
        if (!fits) complain(failure_place[f] ": no row of docs/troubleshooting.md fits: " failure[f])
    }
    printf "%d rows, %d failures in the sources, %d problems\n", rows, failures, problems
    exit problems > 0 || rows == 0 || failures == 0
}
