# cmake --build build --target holdfast-image: a stick that searches without touching the installed system
# (docs/boot-image.md); its profile is heron's until disk.ext4 holds another.
add_custom_target(holdfast-image
    COMMAND sh ${PROJECT_SOURCE_DIR}/profiles/boot-image/build.sh --binary $<TARGET_FILE:holdfast>
        --out ${PROJECT_BINARY_DIR}/image
    DEPENDS holdfast USES_TERMINAL VERBATIM)
