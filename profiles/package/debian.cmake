# Debian packages by CPack, in the build folder: holdfast, libholdfast0, libholdfast-dev.
#
#   cpack --config BUILD/CPackConfig.cmake -B FOLDER
#
# Times in the packages are those of HOLDFAST_DATE unless SOURCE_DATE_EPOCH is set, so the same sources give the same
# packages. What the packages depend on is computed from what the programs are linked with (dpkg-shlibdeps).
set(library_package libholdfast${PROJECT_VERSION_MAJOR})

# --- files that only packages have: terms, list of changes ----------------------------------------------------------
find_program(GZIP gzip)
find_program(DATE date)
if(NOT GZIP OR NOT DATE)
    return()
endif()
execute_process(COMMAND ${DATE} -u -R -d ${HOLDFAST_DATE} OUTPUT_VARIABLE package_date
    OUTPUT_STRIP_TRAILING_WHITESPACE COMMAND_ERROR_IS_FATAL ANY)
execute_process(COMMAND ${DATE} -u +%s -d ${HOLDFAST_DATE} OUTPUT_VARIABLE package_epoch
    OUTPUT_STRIP_TRAILING_WHITESPACE COMMAND_ERROR_IS_FATAL ANY)
set(package_maintainer "holdfast developers <developers@holdfast.invalid>")
foreach(part program library development)
    set(name_program holdfast)
    set(name_library ${library_package})
    set(name_development libholdfast-dev)
    set(folder ${PROJECT_BINARY_DIR}/package/${name_${part}})
    configure_file(profiles/package/changelog.in ${folder}/changelog @ONLY)
    configure_file(profiles/package/copyright ${folder}/copyright COPYONLY)
    execute_process(COMMAND ${GZIP} -9nf ${folder}/changelog COMMAND_ERROR_IS_FATAL ANY)
    install(FILES ${folder}/changelog.gz ${folder}/copyright DESTINATION ${CMAKE_INSTALL_DATADIR}/doc/${name_${part}}
        COMPONENT ${part} EXCLUDE_FROM_ALL)
endforeach()

# --- the packages -----------------------------------------------------------------------------------------------------
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME holdfast)
set(CPACK_PACKAGE_VENDOR "holdfast developers")
set(CPACK_PACKAGE_CONTACT ${package_maintainer})
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_CMAKE_GENERATOR Ninja) # it only decides whether cpack builds first: no, it packs what was built, tests left out
set(CPACK_COMPONENTS_ALL program library development)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_PRE_BUILD_SCRIPTS ${PROJECT_SOURCE_DIR}/profiles/package/permissions.cmake)
set(CPACK_PROJECT_CONFIG_FILE ${PROJECT_BINARY_DIR}/package/epoch.cmake)
file(WRITE ${CPACK_PROJECT_CONFIG_FILE}
    "if(NOT DEFINED ENV{SOURCE_DATE_EPOCH})\n    set(ENV{SOURCE_DATE_EPOCH} ${package_epoch})\nendif()\n")

set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_GENERATE_SHLIBS ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_MAINTAINER ${package_maintainer})
set(CPACK_DEBIAN_COMPRESSION_TYPE xz)

set(CPACK_DEBIAN_PROGRAM_PACKAGE_NAME holdfast)
set(CPACK_DEBIAN_PROGRAM_PACKAGE_SECTION admin)
set(CPACK_COMPONENT_PROGRAM_DESCRIPTION
"finds and proves clock ratios that hold
Finds and proves, unattended, the highest clock ratio of each core group of a
processor that holds: real computations with known answers, pinned to the
groups under trial, a search plan, and a journal that survives hangs and
resets, to a certificate that says what was proved and how strongly.")
set(CPACK_DEBIAN_LIBRARY_PACKAGE_NAME ${library_package})
set(CPACK_DEBIAN_LIBRARY_PACKAGE_SECTION libs)
# Debian's way to make a new library known is a trigger. CPack would add scripts that call ldconfig, unless scripts of
# these names are given; these do not exist, so there are none.
set(CPACK_DEBIAN_LIBRARY_PACKAGE_CONTROL_EXTRA ${PROJECT_SOURCE_DIR}/profiles/package/triggers
    ${PROJECT_BINARY_DIR}/package/none/postinst ${PROJECT_BINARY_DIR}/package/none/postrm)
set(CPACK_COMPONENT_LIBRARY_DESCRIPTION
"finds and proves clock ratios that hold - library
The parts of holdfast for other programs: journals and profiles, the search
plan, the rig model, certificates and reports.")
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_NAME libholdfast-dev)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_SECTION libdevel)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_DEPENDS
    "${library_package} (= ${PROJECT_VERSION}), libuv1-dev, libcjson-dev, libhwloc-dev")
if(HOLDFAST_UPLOAD)
    string(APPEND CPACK_DEBIAN_DEVELOPMENT_PACKAGE_DEPENDS ", libcurl4-openssl-dev")
endif()
set(CPACK_COMPONENT_DEVELOPMENT_DESCRIPTION
"finds and proves clock ratios that hold - development files
Headers, the static library, and files for pkg-config and CMake.")
include(CPack)
