# What tests/run.sh and profiles/demo.sh share: the Debian packages, and the state of a build folder.
#
#   . tests/packages.sh
#   packages_need $packages_build [$packages_test]
#   build_folder_check FOLDER
#
# As root, what is missing is installed. As anyone else, the missing packages and the line that installs them are
# printed, and the script ends with exit status 4. Without dpkg (not Debian) nothing can be checked: a note is
# printed and the build shows what is missing.

packages_build="gcc libc6-dev make cmake pkgconf libuv1-dev libcjson-dev libhwloc-dev libcurl4-openssl-dev"
packages_test="clang valgrind tmux libcmocka-dev libgmp-dev libgsl-dev libssl-dev"
packages_browser="chromium poppler-utils" # a test is skipped without them
packages_install="mandoc lintian dpkg-dev file fakeroot zsh fish" # the same
packages_fleet="slurmctld slurmd slurm-client munge" # the same
packages_machine="qemu-system-x86 qemu-utils busybox-static cpio e2fsprogs kmod"
packages_cross="gcc-aarch64-linux-gnu libc6-dev-arm64-cross qemu-user-static"

packages_missing() {
    for package in "$@"; do
        case $(dpkg-query -W -f '${Status}' "$package" 2>/dev/null) in
        *" ok installed") ;;
        *) printf ' %s' "$package" ;;
        esac
    done
}

packages_need() {
    if ! command -v dpkg-query >/dev/null 2>&1; then
        echo "note: this is not Debian; install what corresponds to: $*" >&2
        return 0
    fi
    missing=$(packages_missing "$@")
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" -ne 0 ]; then
        echo "missing packages:$missing" >&2
        echo "install them as root with:" >&2
        echo "  apt-get update && apt-get install --no-install-recommends$missing" >&2
        exit 4
    fi
    echo "installing:$missing"
    packages_log=$(mktemp)
    # shellcheck disable=SC2086 # the list is split on purpose
    if ! { apt-get -q update &&
        DEBIAN_FRONTEND=noninteractive apt-get -q -y install --no-install-recommends $missing; } \
        >"$packages_log" 2>&1 </dev/null; then
        cat "$packages_log" >&2
        rm -f "$packages_log"
        echo "apt-get could not install:$missing" >&2
        exit 4
    fi
    rm -f "$packages_log"
}

# What only some tests need: installed as root when that is possible, else those tests are skipped.
packages_want() {
    command -v dpkg-query >/dev/null 2>&1 && [ "$(id -u)" -eq 0 ] || return 0
    missing=$(packages_missing "$@")
    [ -n "$missing" ] || return 0
    (packages_need "$@") || echo "note: tests that need$missing will be skipped" >&2
}

# Another user's files in the folder would make a build fail halfway: said at once, exit status 4. A folder that was
# copied or moved with its sources carries a cache that names the old place: the cache is removed.
build_folder_check() {
    if [ ! -e "$1" ]; then
        [ -w . ] && return 0
        echo "$(pwd) is not writable for $(id -un): copy the sources to a place of your own" >&2
        exit 4
    fi
    if [ "$(id -u)" -ne 0 ]; then
        foreign=$(find "$1" ! -user "$(id -un)" -print 2>/dev/null | head -n 1)
        if [ -n "$foreign" ] || [ ! -w "$1" ]; then
            echo "$1 belongs to another user (${foreign:-$1}): remove it, or copy the sources elsewhere" >&2
            exit 4
        fi
    fi
    [ -f "$1/CMakeCache.txt" ] || return 0
    grep -qxF "CMAKE_HOME_DIRECTORY:INTERNAL=$(pwd)" "$1/CMakeCache.txt" && return 0
    echo "$1 was configured elsewhere: configuring it anew"
    rm -rf "$1/CMakeCache.txt" "$1/CMakeFiles"
}
