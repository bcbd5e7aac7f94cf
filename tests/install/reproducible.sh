#!/bin/sh
# The same sources, copied to another folder and built there with the same options, give the same bytes: program,
# libraries, man pages, and the packages made of them.
#
#   sh tests/install/reproducible.sh BUILD
# shellcheck source=tests/install/lib.sh
. "$(dirname "$0")/lib.sh"

other=$scratch/another/place/with-a-longer-name
mkdir -p "$other"
(cd "$source" && cp -R CMakeLists.txt LICENSE README.md docs include profiles src workloads "$other")
build_again() {
    cmake -S "$other" -B "$scratch/second" -G "$(cache CMAKE_GENERATOR)" -DHOLDFAST_TESTS=OFF \
        -DCMAKE_C_COMPILER="$(cache CMAKE_C_COMPILER)" -DCMAKE_C_FLAGS="$(cache CMAKE_C_FLAGS)" \
        -DCMAKE_BUILD_TYPE="$(cache CMAKE_BUILD_TYPE)" -DCMAKE_INSTALL_PREFIX="$(cache CMAKE_INSTALL_PREFIX)" \
        -DHOLDFAST_UPLOAD="$(cache HOLDFAST_UPLOAD)" &&
        cmake --build "$scratch/second" -j "$(nproc)"
}

# Another time zone, language and user's mask too: none may be seen in what is made.
TZ=Pacific/Kiritimati
LC_ALL=C.UTF-8
export TZ LC_ALL
check "a second build" build_again || finish

for file in holdfast libholdfast.a "libholdfast.so.$(cache CMAKE_PROJECT_VERSION)" manual/man1/holdfast.1.gz; do
    check "$file is the same" cmp "$build/$file" "$scratch/second/$file"
done
check "no folder's name is in it" refuses grep -qaF "$scratch" "$scratch/second/holdfast"
check "nor in the other" refuses grep -qaF "$source/" "$build/holdfast"

# What differs must be found: one string of the program.
cp "$scratch/second/holdfast" "$scratch/other"
printf 'x' >>"$scratch/other"
check "a byte too many is found" refuses cmp "$build/holdfast" "$scratch/other"

if command -v dpkg-shlibdeps >/dev/null 2>&1 && command -v file >/dev/null 2>&1; then
    check "packages of the first build" cpack --config "$build/CPackConfig.cmake" -B "$scratch/debs-1"
    check "packages of the second build" cpack --config "$scratch/second/CPackConfig.cmake" -B "$scratch/debs-2"
    for package in "$scratch"/debs-1/*.deb; do
        check "$(basename "$package") is the same" cmp "$package" "$scratch/debs-2/$(basename "$package")"
    done
fi
finish
