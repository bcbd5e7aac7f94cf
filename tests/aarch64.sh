#!/bin/sh
# Another architecture: everything cross-built for aarch64 with warnings as errors, the kernels' disassembly and flags,
# and the tests that need no other process, under an emulator (qemu-user).
#
#   sh tests/aarch64.sh      builds in build-aarch64
#
# The compiler, the C library and the emulator are Debian packages for this machine (tests/packages.sh). The other
# libraries are Debian's packages for arm64, unpacked into build-aarch64/sysroot: nothing of another architecture is
# installed, and apt's own lists are left alone. Exit status 77 with the reason when the packages cannot be had.
set -u

cd "$(dirname "$0")/.." || exit 2
# shellcheck source=tests/packages.sh
. tests/packages.sh

build=build-aarch64
jobs=$(nproc)
libraries="libc6 libgcc-s1 libcjson1 libcjson-dev libcmocka0 libcmocka-dev libuv1 libuv1-dev libhwloc15 libhwloc-dev
    libudev1 libgmp10 libgmp-dev libgsl27 libgsl-dev libgslcblas0"

# What runs under the emulator: what depends on the architecture. What measures time, which the emulator stretches, is
# left out, and so are the tests that start processes (the supervisor and its workers) or compute for minutes.
under_emulator='^unit/(base|record|workloads)/|^standards/(base|workloads)/'
apart='test_(patterns|pulse|block|fold_speed|square|telegraph|edges|bench|mix_files|schedule|counted|handoff|ticks_fallback)'

skip() {
    echo "SKIP: $*"
    exit 77
}

apt_arm64() {
    apt-get -q -o APT::Architecture=arm64 -o APT::Architectures=arm64 -o APT::Sandbox::User=root \
        -o Dir::State="$1/state" -o Dir::State::status="$1/status" -o Dir::Cache="$1/cache" "$2" ${3:-}
}

# The libraries, once.
sysroot_make() {
    [ -f "$build/sysroot/complete" ] && return 0
    rm -rf "$build/sysroot" "$build/packages"
    mkdir -p "$build/sysroot" "$build/packages/state/lists/partial" "$build/packages/cache/archives/partial"
    : >"$build/packages/status"
    packages=$(pwd)/$build/packages
    apt_arm64 "$packages" update >"$build/packages/log" 2>&1 || return 1
    # shellcheck disable=SC2086 # a list of packages
    (cd "$packages" && apt_arm64 "$packages" download "$(echo $libraries)") >>"$build/packages/log" 2>&1 || return 1
    for package in "$build"/packages/*.deb; do
        dpkg -x "$package" "$build/sysroot" || return 1
    done
    : >"$build/sysroot/complete"
}

[ "$(uname -m)" = x86_64 ] || skip "this machine is $(uname -m): it runs the tests of its own architecture"
command -v dpkg-query >/dev/null 2>&1 || skip "this is not Debian: no cross compiler and libraries are looked for"
# shellcheck disable=SC2086 # a list of packages
missing=$(packages_missing $packages_cross)
[ -z "$missing" ] || [ "$(id -u)" -eq 0 ] || skip "as root: apt-get install --no-install-recommends$missing"
# shellcheck disable=SC2086
[ -z "$missing" ] || (packages_need $packages_cross) || skip "apt-get could not install:$missing"
build_folder_check $build
sysroot_make || skip "the libraries for arm64 could not be fetched (see $build/packages/log)"

cmake --preset aarch64 >"$build/log" 2>&1 || { cat "$build/log" && exit 1; }
cmake --build $build -j "$jobs" >"$build/log" 2>&1 || { cat "$build/log" && exit 1; }
OBJDUMP=aarch64-linux-gnu-objdump sh tests/disassembly.sh $build || exit 1
machine=aarch64 sh tests/flags.sh $build || exit 1
ctest --test-dir $build -j "$jobs" --no-tests=error --output-on-failure \
    -R "$under_emulator" -E "$apart" >"$build/log" 2>&1 ||
    { cat "$build/log" && exit 1; }
sed -n 's/^\(.* tests passed.*\)/\1/p' "$build/log"
