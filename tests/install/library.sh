#!/bin/sh
# The installed files; the library: what it shows, and a program of somebody else's that is built against it four ways.
#
#   sh tests/install/library.sh BUILD
# shellcheck source=tests/install/lib.sh
. "$(dirname "$0")/lib.sh"

need gcc gcc
need pkg-config pkgconf
install_all
library=$(dirname "$(find "$prefix" -name libholdfast.a)")
shared=$library/libholdfast.so
profile=$prefix/share/holdfast/profiles/heron.json
CFLAGS="-std=c17 -Wall -Wextra -Wpedantic -Werror"

# --- what is there ----------------------------------------------------------------------------------------

# Functions and objects that a compiler finds declared in the installed headers: a second route to the list that
# profiles/package/exports.sh takes from their text.
declared() {
    for header in "$prefix"/include/holdfast/*.h; do
        echo "#include <holdfast/$(basename "$header")>"
    done >"$scratch/all.c"
    gcc -std=c17 -I"$prefix/include" -fsyntax-only -aux-info "$scratch/aux" "$scratch/all.c" &&
        sed -n '/include\/holdfast\/.*:NC \*\/ extern/s/.* extern [^(]*[ *]\(hf_[a-z0-9_]*\) (.*/\1/p' "$scratch/aux" >"$scratch/names"
    gcc -std=c17 -I"$prefix/include" -E -P "$scratch/all.c" |
        sed -n 's/^extern const struct .* \(hf_[a-z0-9_]*\);$/\1/p' >>"$scratch/names"
    sort -u "$scratch/names" >"$scratch/declared"
    [ "$(wc -l <"$scratch/declared")" -gt 200 ]
}

# $1 the list of names that a library shows.
same_names() {
    cmp "$scratch/declared" "$1" && return 0
    diff "$scratch/declared" "$1" | head -n 20
    return 1
}

header_alone() {
    for header in "$prefix"/include/holdfast/*.h; do
        echo "#include <holdfast/$(basename "$header")>" >"$scratch/one.c"
        # shellcheck disable=SC2086 # a list of flags
        gcc $CFLAGS -I"$prefix/include" -fsyntax-only "$scratch/one.c" || return 1
    done
}

versioned() {
    soname=$(readelf -d "$shared" | sed -n 's/.*(SONAME).*\[\(.*\)\]/\1/p')
    echo "soname $soname, file $(realpath "$shared")"
    [ "$(realpath "$library/$soname")" = "$(realpath "$shared")" ] && [ "$soname" != libholdfast.so ] &&
        [ "$(basename "$(realpath "$shared")")" != "$soname" ]
}

# $1 folder below share, the rest files of the source that must be there.
same_files() {
    folder=$prefix/share/$1
    shift
    for file in "$@"; do
        cmp "$file" "$folder/$(basename "$file")" || return 1
    done
}

check "profiles" same_files holdfast/profiles "$source"/profiles/*.json
check "mixes" same_files holdfast/profiles/mixes "$source"/profiles/mixes/*.json
check "schemas" same_files holdfast/schemas "$source"/docs/*.schema.json
check "documents" same_files doc/holdfast/docs "$source"/docs/*.md
check "a unit of systemd that starts this program" grep -qF "ExecStart=${prefix#"$scratch/root"}/bin/holdfast " \
    "$prefix/lib/systemd/system/holdfast@.service"
check "each header compiles alone, without a warning" header_alone
check "declarations in the headers" declared
nm -D --defined-only "$shared" | sed -n 's/.* [A-Z] \(.*\)@@HOLDFAST_0$/\1/p' | sort >"$scratch/shown"
nm -D --defined-only "$shared" | grep -v '@@HOLDFAST_0$' | grep -v ' A HOLDFAST_0$' >"$scratch/others"
check "the shared library shows every public name and no other" same_names "$scratch/shown"
check "nothing in it is without a version" test ! -s "$scratch/others"
nm -g --defined-only "$library/libholdfast.a" | sed -n 's/^[0-9a-f]* [A-Z] //p' | sort >"$scratch/shown"
check "the static library shows the same names" same_names "$scratch/shown"
echo hf_secret >>"$scratch/shown"
check "a name too many is found" refuses same_names "$scratch/shown"
check "the shared library has a version" versioned

# --- by pkg-config ------------------------------------------------------------------------------------------

PKG_CONFIG_PATH=$library/pkgconfig
export PKG_CONFIG_PATH
main=$source/tests/install/consumer/main.c

by_pkg_config() {
    # shellcheck disable=SC2046,SC2086 # lists of flags
    gcc $CFLAGS $(pkg-config --cflags holdfast) -o "$scratch/shared" "$main" $(pkg-config --libs holdfast) -lm
}

by_pkg_config_static() {
    # shellcheck disable=SC2046,SC2086
    gcc $CFLAGS $(pkg-config --cflags holdfast-static) -o "$scratch/static" "$main" \
        $(pkg-config --libs holdfast-static)
}

needs_library() {
    readelf -d "$1" | grep -q 'NEEDED.*libholdfast'
}

check "pkg-config knows the version" pkg-config --exact-version="$(cache CMAKE_PROJECT_VERSION)" holdfast
check "and no later one" refuses pkg-config --atleast-version=99 holdfast
check "builds with pkg-config, shared" by_pkg_config
check "runs" env LD_LIBRARY_PATH="$library" "$scratch/shared" "$profile"
check "needs the library" needs_library "$scratch/shared"
check "builds with pkg-config, static" by_pkg_config_static
check "runs" "$scratch/static" "$profile"
check "does not need the library" refuses needs_library "$scratch/static"

# --- by find_package, after the installation was moved ----------------------------------------------------------

mv "$prefix" "$scratch/moved"
consumer() {
    cmake -S "$source/tests/install/consumer" -B "$scratch/consumer" -DCMAKE_PREFIX_PATH="$scratch/moved" \
        -DCMAKE_C_COMPILER=gcc -DCMAKE_C_FLAGS="$CFLAGS" && cmake --build "$scratch/consumer"
}
profile=$scratch/moved/share/holdfast/profiles/heron.json
check "builds with find_package, shared and static" consumer
check "runs, shared" "$scratch/consumer/with_shared" "$profile"
check "needs the library" needs_library "$scratch/consumer/with_shared"
check "runs, static" "$scratch/consumer/with_static" "$profile"
check "another version is refused" refuses cmake -S "$source/tests/install/consumer" -B "$scratch/refused" \
    -DCMAKE_PREFIX_PATH="$scratch/moved" -DWANTED=0.99
check "the installed program runs" "$scratch/moved/bin/holdfast" --version
finish
