#!/bin/sh
# Certificate, report and comparison as a person sees them: in a browser without a screen, on a desktop (1280, light and
# dark), on a phone (390) and on A4 paper. What is looked for: tests/browser/check.js; besides, no message on the console,
# and a certificate on one sheet. The pictures stay in OUT/pictures.
#
#   sh tests/browser/run.sh MAKER OUT [PATTERN]   MAKER: the program browser_pages; PATTERN: these pages only
#
# Exit status 77, with the reason, when there is no Chromium. The checks themselves are proved first: a page with one fault
# of each kind must be found out.
set -u
LC_ALL=C.UTF-8
export LC_ALL

[ $# -ge 2 ] || { echo "usage: sh tests/browser/run.sh MAKER OUT [PATTERN]" >&2 && exit 2; }
maker=$1
out=$2
pattern=${3:-*}
here=$(cd "$(dirname "$0")" && pwd)

browser=$(command -v chromium || command -v chromium-browser) || {
    echo "skipped: no chromium (Debian package chromium; tests/run.sh installs it as root)"
    exit 77
}
command -v pdfinfo >/dev/null || {
    echo "skipped: no pdfinfo (Debian package poppler-utils; tests/run.sh installs it as root)"
    exit 77
}
rm -rf "$out"
mkdir -p "$out/pages" "$out/copies" "$out/pictures" || exit 2
out=$(cd "$out" && pwd)
user=$(mktemp -d) || exit 2
trap 'rm -rf "$user"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

browse() {
    timeout 60 "$browser" --headless --no-sandbox --disable-gpu --disable-quic --no-first-run \
        --disable-background-networking --disable-component-update --disable-sync --hide-scrollbars \
        --user-data-dir="$user" "$@"
}

if ! browse --dump-dom about:blank 2>/dev/null | grep -q '<html'; then
    echo "skipped: $browser does not start here"
    exit 77
fi

faults=0
looks=0
fault() {
    echo "FAULT $*"
    faults=$((faults + 1))
}

# look PAGE VIEW WIDTH HEIGHT: a copy with the checks inside, in a frame of that width; its lines go to $user/lines
look() {
    name=$(basename "$1" .html)
    copy=$out/copies/$name-$2.html
    edit='s/<meta http-equiv="Content-Security-Policy"[^>]*>//; s:</body>:<script src="check.js"></script></body>:'
    scheme=1
    case $2 in
    print) edit="$edit; s/@media print/@media all/" ;;
    dark) scheme=0 ;;
    esac
    sed "$edit" "$1" >"$copy"
    sed "s/PAGE/$name-$2.html/; s/WIDTH/$3/" "$here/frame.html" >"$out/copies/$name-$2-frame.html"
    browse --virtual-time-budget=3000 --blink-settings=preferredColorScheme=$scheme --window-size="$3,$4" --dump-dom \
        --screenshot="$out/pictures/$name-$2.png" "file://$out/copies/$name-$2-frame.html" 2>/dev/null |
        sed -n 's/&amp;/\&/g; s/^SEEN //p' >"$user/lines"
    looks=$((looks + 1))
    grep -q '^looked at' "$user/lines" || echo "the browser did not answer" >>"$user/lines"
}

check() { # PAGE VIEW WIDTH HEIGHT
    look "$@"
    while read -r line; do
        case $line in
        "looked at"*) echo "$(basename "$1" .html) $2: $line" ;;
        *) fault "$(basename "$1" .html) $2: $line" ;;
        esac
    done <"$user/lines"
}

console_of() {
    browse --enable-logging=stderr --dump-dom "file://$1" 2>&1 >/dev/null | grep 'CONSOLE' >"$user/console"
}

# --- the checks find what they are there to find ---

planted() { # WHAT MARKUP LINE
    {
        echo '<!doctype html><html><head><style>body{background:#fff;color:#222}</style></head><body>'
        for word in a b c d e f g h i j; do echo "<p>$word word</p>"; done
        echo "$2</body></html>"
    } >"$out/copies/planted.html"
    look "$out/copies/planted.html" desktop 600 400
    grep -q "^$3" "$user/lines" || {
        cat "$user/lines"
        fault "a planted fault was not found: $1"
    }
}

cp "$here/check.js" "$out/copies/" || exit 2
svg='<svg role="img" viewBox="0 0 200 100" width="200" height="100"><title>t</title><desc>d</desc>'
planted "too wide" '<div style="width:900px">x</div>' 'the page is 908 wide'
planted "pale" '<p style="color:#999">pale</p>' 'contrast 2.85 of "pale"' # 2.85: the ratio of #999 on white, WCAG formula
planted "cut off" '<div style="width:40px;overflow:hidden;white-space:nowrap">long long words</div>' 'cut off: "long'
planted "outside" '<p style="position:absolute;left:580px;white-space:nowrap">beyond the edge</p>' 'outside the page: "beyond'
planted "on each other" "$svg<text x='20' y='50'>one label</text><text x='30' y='52'>other</text></svg>" 'on each other: "other" and "one label"'
planted "outside a drawing" "$svg<text x='180' y='50'>too far out</text></svg>" 'outside its drawing: "too far out"'
planted "pale in a drawing" "$svg<rect width='200' height='100' fill='#ddd'/><text x='9' y='50' fill='#fff'>white</text></svg>" 'contrast 1.3'
planted "no words" '<svg role="img" viewBox="0 0 200 100" width="200" height="100"></svg>' 'a drawing without words'
echo '<!doctype html><script>console.log("planted")</script>' >"$out/copies/planted.html"
console_of "$out/copies/planted.html"
grep -q planted "$user/console" || fault "a planted message on the console was not found"
[ $faults -eq 0 ] || exit 1
rm -f "$out"/copies/planted* "$out"/pictures/planted*

# --- the pages ---

"$maker" "$out/pages" || { echo "the pages could not be made" && exit 1; }
for page in "$out"/pages/$pattern.html; do
    name=$(basename "$page" .html)
    check "$page" desktop 1280 2400
    check "$page" dark 1280 2400
    check "$page" phone 390 2400
    check "$page" print 695 2400 # A4 without the margins of the style sheet
    console_of "$page"
    [ ! -s "$user/console" ] || fault "$name: a message on the console: $(head -n 1 "$user/console")"
    browse --no-pdf-header-footer --print-to-pdf="$out/pictures/$name.pdf" "file://$page" 2>/dev/null >&2
    [ -s "$out/pictures/$name.pdf" ] || fault "$name: it does not print"
    case $name in
    certificate*)
        sheets=$(pdfinfo "$out/pictures/$name.pdf" | sed -n 's/^Pages: *//p')
        [ "$sheets" = 1 ] || fault "$name: it takes $sheets sheets"
        ;;
    esac
done
echo "browser: $looks looks at $(ls "$out/pages" | wc -l) pages, $faults faults; pictures in $out/pictures"
[ $faults -eq 0 ]
