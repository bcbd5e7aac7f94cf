#!/bin/sh
# The same sources, copied to another folder and built there with the same options, give the same bytes: program,
# libraries, man pages, and the packages made of them.
#
#   sh tests/install/reproducible.sh BUILD
# shellcheck source=tests/install/lib.sh
. "$(dirname "$0")/lib.sh"

other=$scratch/another/place/with-a-longer-name
mkdir -p "$other"
(umask 077 && cd "$source" && cp -R CMakeLists.txt LICENSE README.md docs include profiles src workloads "$other")

up_to_date() {
    cmake --build "$build" --target holdfast holdfast_shared holdfast_static manual
}

build_again() {
    umask 077
    cmake -S "$other" -B "$scratch/second" -G "$(cache CMAKE_GENERATOR)" -DHOLDFAST_TESTS=OFF \
        -DCMAKE_C_COMPILER="$(cache CMAKE_C_COMPILER)" -DCMAKE_C_FLAGS="$(cache CMAKE_C_FLAGS)" \
        -DCMAKE_BUILD_TYPE="$(cache CMAKE_BUILD_TYPE)" -DCMAKE_INSTALL_PREFIX="$(cache CMAKE_INSTALL_PREFIX)" \
        -DHOLDFAST_UPLOAD="$(cache HOLDFAST_UPLOAD)" &&
        cmake --build "$scratch/second" -j "$(nproc)"
}

# Another time zone, language and mask for new files too: none may be seen in what is made.
TZ=Pacific/Kiritimati
LC_ALL=C.UTF-8
export TZ LC_ALL
check "the first build is up to date" up_to_date || finish
mask=$(umask)
check "a second build" build_again || finish
umask "$mask"

for file in holdfast libholdfast.a "libholdfast.so.$(cache CMAKE_PROJECT_VERSION)" manual/man1/holdfast.1.gz; do
    check "$file is the same" cmp "$build/$file" "$scratch/second/$file"
done
check "no folder's name is in it" refuses grep -qaF "$scratch" "$scratch/second/holdfast"
check "nor in the other" refuses grep -qaF "$source/" "$build/holdfast"

# What differs must be found.
cp "$scratch/second/holdfast" "$scratch/other"
printf 'x' >>"$scratch/other"
check "a byte too many is found" refuses cmp "$build/holdfast" "$scratch/other"

# What is in a package, byte by byte; not its frame, where cpack writes the mask of who ran it.
same_package() {
    for part in $(ar t "$1"); do
        ar p "$1" "$part" >"$scratch/part-1"
        ar p "$2" "$part" >"$scratch/part-2"
        cmp "$scratch/part-1" "$scratch/part-2" || return 1
    done
    [ "$(ar t "$1" | wc -l)" = 3 ] && [ "$(ar t "$1")" = "$(ar t "$2")" ]
}

if command -v dpkg-shlibdeps >/dev/null 2>&1 && command -v file >/dev/null 2>&1; then
    check "packages of the first build" cpack --config "$build/CPackConfig.cmake" -B "$scratch/debs-1"
    umask 077
    check "packages of the second build" cpack --config "$scratch/second/CPackConfig.cmake" -B "$scratch/debs-2"
    for package in "$scratch"/debs-1/*.deb; do
        check "$(basename "$package") is the same" same_package "$package" "$scratch/debs-2/$(basename "$package")"
    done
fi
finish
