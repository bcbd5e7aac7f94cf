#!/bin/sh
# The Debian packages: made from this build, looked at by lintian, installed in an empty root and removed again.
#
#   sh tests/install/debian.sh BUILD
# shellcheck source=tests/install/lib.sh
. "$(dirname "$0")/lib.sh"

need dpkg-shlibdeps dpkg-dev
need lintian lintian
need file file
[ "$(id -u)" -eq 0 ] || need fakeroot fakeroot
version=$(cache CMAKE_PROJECT_VERSION)
as_root=
[ "$(id -u)" -eq 0 ] || as_root=fakeroot

check "cpack" cpack --config "$build/CPackConfig.cmake" -B "$scratch/packages" || finish
packages=$(find "$scratch/packages" -maxdepth 1 -name '*.deb' | sort)
names=$(for package in $packages; do dpkg-deb -f "$package" Package; done | tr '\n' ' ')

# $1 package, $2 field, $3 pattern
field() {
    value=$(dpkg-deb -f "$(find "$scratch/packages" -maxdepth 1 -name "$1_*.deb")" "$2")
    echo "$2: $value"
    echo "$value" | grep -qE "$3"
}

no_complaint() {
    lintian --allow-root --tag-display-limit 0 --fail-on error,warning "$@"
}

check "three packages" test "$names" = "holdfast libholdfast-dev libholdfast${version%%.*} "
check "the version" field holdfast Version "^$version$"
check "what the program is linked with" field holdfast Depends 'libc6.*libcjson1.*libhwloc15.*libuv1'
check "nobody's name" field holdfast Maintainer '^holdfast developers <'
# shellcheck disable=SC2086 # a list of files
check "lintian has no error and no warning" no_complaint $packages

# --- a root of its own, which knows the packages of this machine --------------------------------------------------

root=$scratch/root
mkdir -p "$root/var/lib/dpkg/info" "$root/var/lib/dpkg/updates" "$root/var/log"
cp /var/lib/dpkg/status "$root/var/lib/dpkg/status"
# Not configured there yet: whatever this machine has of holdfast itself.
sed -i -e '/^Package: \(lib\)\{0,1\}holdfast/,/^$/d' "$root/var/lib/dpkg/status"

contents() {
    (cd "$root" && find . -path ./var -prune -o -print | sort)
}

in_root() {
    $as_root dpkg --root="$root" --force-not-root "$@"
}

status_of() {
    dpkg-query --admindir="$root/var/lib/dpkg" -W -f '${Package} ${Status}\n' 'holdfast' 'libholdfast*' 2>/dev/null
}

run_installed() {
    "$root/usr/bin/holdfast" --version | grep -qx "holdfast $version" &&
        "$root/usr/bin/holdfast" rehearse --rigs 1 --groups 1 --cores 1 --method bisect \
            --profile "$root/usr/share/holdfast/profiles/heron.json"
}

same_as_before() {
    contents | diff "$scratch/before" -
}

contents >"$scratch/before"
# shellcheck disable=SC2086
check "installs, with what it depends on" in_root -i $packages
check "all are installed" test "$(status_of | grep -c ' install ok installed$')" = 3
check "no script runs when it is installed" test -z "$(find "$root/var/lib/dpkg/info" -name '*holdfast*.p*')"
check "the installed program runs" run_installed
check "the service starts that program" grep -qx 'ExecStart=/usr/bin/holdfast .*' \
    "$root/usr/lib/systemd/system/holdfast@.service"
check "every file is where the package says" in_root --verify
check "files are there" refuses same_as_before
# shellcheck disable=SC2086
check "is removed" in_root --purge $names
check "nothing is left" same_as_before
check "nothing is known of it" test -z "$(status_of | grep -v 'not-installed')"

# Without what it depends on it must not install.
sed -i -e '/^Package: libuv1$/,/^$/d' "$root/var/lib/dpkg/status"
check "refused where libuv is missing" refuses in_root -i "$scratch/packages/holdfast_$version"_*.deb
finish
