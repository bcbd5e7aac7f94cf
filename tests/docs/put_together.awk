# The document with new.N in place of what it showed below command N, where that was shown at all.
/^```/ {
    if (!inside) { inside = 1; run = $0 == "```console" } else { give(); inside = 0; run = 0 }
    print
    next
}
function give(    line) {
    if (pending && shows) while ((getline line < (from "/new." at)) > 0) print line
    if (pending && shows && blank_behind) print ""
    pending = shows = blank_behind = 0
}
inside && run && /^\$ / { give(); at++; pending = 1; print; next }
inside && run && /^> / && pending && !shows { print; next }
inside && run && pending {
    if ($0 != "") { shows = 1; blank_behind = 0 } else if (shows) blank_behind = 1; else print
    next
}
{ print }
