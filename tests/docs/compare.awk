# Compares what a document shows (first file) with what came out (second file), and writes to `new` what it should show:
# the lines that came out, with the document's `...` where they still fit. Exit status 1 when they differ.
function normal(line) {
    if (exact) return line
    gsub(/0x[0-9a-f]+/, "#", line)
    gsub(/[0-9]+(\.[0-9]+)?/, "#", line)
    gsub(/[ \t]+/, " ", line)
    sub(/ $/, "", line)
    return line
}
# Pieces between the `...` of a line must follow one another; the first at the beginning, the last at the end.
function fits(shown, came,    piece, n, i, at) {
    if (index(shown, "...") == 0) return normal(shown) == normal(came)
    n = split(shown, piece, /\.\.\./)
    came = normal(came)
    for (i = 1; i <= n; i++) {
        piece[i] = normal(piece[i])
        if (i == n) return length(came) >= length(piece[i]) && substr(came, length(came) - length(piece[i]) + 1) == piece[i]
        at = piece[i] == "" ? 1 : index(came, piece[i])
        if (at == 0 || (i == 1 && at != 1)) return 0
        came = substr(came, at + length(piece[i]))
    }
}
function wild(line) { return line == "..." }
FILENAME == ARGV[1] { shown[++shown_count] = $0; next }
{ came[++came_count] = $0 }
END {
    while (shown_count > 0 && shown[shown_count] == "") shown_count--
    while (came_count > 0 && came[came_count] == "") came_count--
    # From the last line to the first: good[i, j] when shown[i..] fits came[j..].
    good[shown_count + 1, came_count + 1] = 1
    for (i = shown_count; i >= 1; i--)
        for (j = came_count + 1; j >= 1; j--)
            if (wild(shown[i])) good[i, j] = good[i + 1, j] || (j <= came_count && good[i, j + 1])
            else good[i, j] = j <= came_count && good[i + 1, j + 1] && fits(shown[i], came[j])
    if (good[1, 1]) {
        for (i = j = 1; i <= shown_count;) {
            if (wild(shown[i])) {
                if (good[i + 1, j]) { print shown[i] >new; i++ } else j++
            } else {
                print (index(shown[i], "...") ? shown[i] : came[j]) >new
                i++; j++
            }
        }
        exit 0
    }
    for (j = 1; j <= came_count; j++) print came[j] >new
    print "the document shows:"
    for (i = 1; i <= shown_count; i++) print "  " shown[i]
    print "what came:"
    for (j = 1; j <= came_count; j++) {
        if (j == 31 && came_count > 60) { print "  [" came_count - 60 " lines]"; j = came_count - 29 }
        print "  " came[j]
    }
    exit 1
}
