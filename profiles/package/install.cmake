# What `cmake --install` and `cpack` put where, in three parts:
#   program       the program, its man pages and completion, profiles, schemas, documents
#   library       libholdfast.so.N (library.cmake)
#   development   headers, libholdfast.a, pkg-config and CMake files (library.cmake)
# Everything generated is made from the sources: man pages and completion from the tables that print --help.
if(HOLDFAST_SANITIZE) # not for use
    return()
endif()

set(share ${CMAKE_INSTALL_DATADIR}/holdfast)
set(doc ${CMAKE_INSTALL_DOCDIR})
install(TARGETS holdfast COMPONENT program)
install(FILES profiles/heron.json DESTINATION ${share}/profiles COMPONENT program)
install(DIRECTORY profiles/mixes DESTINATION ${share}/profiles COMPONENT program FILES_MATCHING PATTERN *.json)
file(GLOB fleet CONFIGURE_DEPENDS profiles/fleet/*)
install(PROGRAMS ${fleet} DESTINATION ${share}/fleet COMPONENT program)
install(PROGRAMS profiles/command-driver.sh DESTINATION ${share} COMPONENT program)
file(GLOB schemas CONFIGURE_DEPENDS docs/*.schema.json)
install(FILES ${schemas} DESTINATION ${share}/schemas COMPONENT program)
file(GLOB documents CONFIGURE_DEPENDS docs/*.md docs/*.svg)
install(FILES README.md DESTINATION ${doc} COMPONENT program)
install(FILES ${documents} DESTINATION ${doc}/docs COMPONENT program) # where the links of README.md lead
install(FILES LICENSE DESTINATION ${doc} COMPONENT licence) # Debian's packages refer to their own copy

# --- man pages and completion; the program writes them itself -------------------------------------------------------
if(NOT CMAKE_CROSSCOMPILING OR CMAKE_CROSSCOMPILING_EMULATOR)
    set(manual ${PROJECT_BINARY_DIR}/manual)
    add_custom_command(OUTPUT ${manual}/complete DEPENDS holdfast ${PROJECT_SOURCE_DIR}/profiles/package/manual.sh
        COMMAND sh ${PROJECT_SOURCE_DIR}/profiles/package/manual.sh ${manual} ${CMAKE_CROSSCOMPILING_EMULATOR}
            $<TARGET_FILE:holdfast>
        VERBATIM)
    add_custom_target(manual ALL DEPENDS ${manual}/complete)
    install(DIRECTORY ${manual}/man1 DESTINATION ${CMAKE_INSTALL_MANDIR} COMPONENT program)
    install(FILES ${manual}/holdfast DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions
        COMPONENT program)
    install(FILES ${manual}/_holdfast DESTINATION ${CMAKE_INSTALL_DATADIR}/zsh/vendor-completions COMPONENT program)
    install(FILES ${manual}/holdfast.fish DESTINATION ${CMAKE_INSTALL_DATADIR}/fish/vendor_completions.d
        COMPONENT program)
endif()

include(profiles/package/library.cmake)
include(profiles/package/debian.cmake)
