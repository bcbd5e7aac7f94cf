#!/bin/sh
# Takes the pictures of docs/method.md out of a report: three plots, each as an SVG file that stands alone.
#
#   sh docs/pictures.sh REPORT.html FOLDER [GROUP]
#
# REPORT.html was written by `holdfast report`; GROUP (default: g0) is the one whose plots are taken. Plots are named in
# the page by their titles; the page's own style sheet and shapes go into each file, in its colours for light paper.
set -u

[ $# -ge 2 ] || { echo "usage: sh docs/pictures.sh REPORT.html FOLDER [GROUP]" >&2 && exit 2; }
report=$1
folder=$2
group=${3:-g0}

# $1 title of the plot, $2 file
take() {
    awk -v title="$1" '
        /<style>/ { in_style = 1; sub(/.*<style>/, "") }
        in_style && /<\/style>/ { in_style = 0; sub(/<\/style>.*/, ""); style = style $0 "\n" }
        in_style && /^@media/ { skip = 1 }
        in_style && !skip && ($0 ~ /^(:root|  --|text|\.(area|grid|m[pfrvsb]|band|fit|choice|truth|claim|reset|b[psfrvo]|dots)[{])/) \
            { style = style $0 "\n" }
        in_style && skip && /^}/ { skip = 0 }
        /<svg class="shapes"/ { match($0, /<defs>.*<\/defs>/); shapes = substr($0, RSTART, RLENGTH) }
        # a plot may share its first line with what stands before it
        /<svg viewBox/ { at = index($0, "<svg viewBox"); plot = substr($0, at); open = 1 }
        open && !/<svg viewBox/ { plot = plot "\n" $0 }
        open && /<\/svg>/ {
            open = 0
            if (index(plot, ">" title "</title>") == 0) next
            sub(/<\/svg>.*$/, "</svg>", plot)
            head = plot
            sub(/>.*/, ">", head)
            rest = substr(plot, length(head) + 1)
            sub(/<svg /, "<svg xmlns=\"http://www.w3.org/2000/svg\" font-family=\"system-ui, sans-serif\" ", head)
            printf "%s\n<style>%s</style>\n%s\n%s\n", head, plain(style), shapes, rest
            found = 1
            exit
        }
        END { exit !found }
        # colours by name into colours: not every reader of SVG knows variables
        function plain(css,    name, value, at) {
            while (match(css, /--[a-z]+:#[0-9a-f]+/)) {
                name = substr(css, RSTART, RLENGTH)
                at = index(name, ":")
                value = substr(name, at + 1)
                name = substr(name, 1, at - 1)
                css = substr(css, 1, RSTART - 1) substr(css, RSTART + RLENGTH)
                gsub("var\\(" name "\\)", value, css)
            }
            sub(/:root[{][^}]*[}]/, "", css)
            return css
        }
    ' "$report" >"$2.new" && mv "$2.new" "$2" && return
    rm -f "$2.new"
    echo "$report holds no plot \"$1\"" >&2
    exit 1
}

take "Ladder of $group" "$folder/method-ladder.svg"
take "Time to a fault of $group" "$folder/method-faults.svg"
take "The run over time" "$folder/method-night.svg"
