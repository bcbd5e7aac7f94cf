# libholdfast: every layer but the command line, with the names of include/holdfast and no other.
#
# The layers' object files are linked into one, in which all names but those of the public headers (exports.sh) become
# local; both libraries are made of it. So a name that is not public is neither seen nor in anybody's way, in the static
# library too, and nobody has to mark anything.
if(CMAKE_CROSSCOMPILING AND NOT CMAKE_OBJCOPY)
    return()
endif()

set(library ${PROJECT_BINARY_DIR}/library)
file(MAKE_DIRECTORY ${library})
set(layers hf_output hf_harness hf_workloads hf_drivers hf_machine hf_rig hf_plan hf_record hf_base)
set(archives ${layers})
list(TRANSFORM archives REPLACE "(.+)" "$<TARGET_FILE:\\1>")
file(GLOB public_headers CONFIGURE_DEPENDS include/holdfast/*.h)
add_custom_command(OUTPUT ${library}/holdfast.o
    DEPENDS ${layers} ${public_headers} ${PROJECT_SOURCE_DIR}/profiles/package/exports.sh
    COMMAND sh ${PROJECT_SOURCE_DIR}/profiles/package/exports.sh ${library}/exports ${public_headers}
    COMMAND ${CMAKE_LINKER} -r --whole-archive ${archives} -o ${library}/all.o
    COMMAND ${CMAKE_OBJCOPY} --keep-global-symbols=${library}/exports ${library}/all.o ${library}/holdfast.o
    VERBATIM)
set_source_files_properties(${library}/holdfast.o PROPERTIES EXTERNAL_OBJECT ON GENERATED ON)

set(requires libuv libcjson hwloc)
set(needs PkgConfig::UV PkgConfig::CJSON PkgConfig::HWLOC m)
if(HOLDFAST_UPLOAD)
    list(APPEND requires "libcurl >= 7.85")
    list(APPEND needs PkgConfig::CURL)
endif()
add_library(holdfast_shared SHARED ${library}/holdfast.o)
add_library(holdfast_static STATIC ${library}/holdfast.o)
set_target_properties(holdfast_shared holdfast_static PROPERTIES OUTPUT_NAME holdfast LINKER_LANGUAGE C)
set_target_properties(holdfast_shared PROPERTIES VERSION ${PROJECT_VERSION} SOVERSION ${PROJECT_VERSION_MAJOR}
    EXPORT_NAME shared)
set_target_properties(holdfast_static PROPERTIES EXPORT_NAME static)
target_link_libraries(holdfast_shared PRIVATE ${needs})
target_link_options(holdfast_shared PRIVATE -Wl,-z,defs -Wl,--version-script=${library}/exports.map
    ${hardening_link_options})
target_link_libraries(holdfast_static INTERFACE ${needs})
foreach(target holdfast_shared holdfast_static)
    target_include_directories(${target} INTERFACE $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}>)
endforeach()

# --- for who builds against it --------------------------------------------------------------------------------------
set(cmake_folder ${CMAKE_INSTALL_LIBDIR}/cmake/holdfast)
install(TARGETS holdfast_shared EXPORT holdfast-shared
    LIBRARY COMPONENT library NAMELINK_COMPONENT development)
install(TARGETS holdfast_static EXPORT holdfast-static ARCHIVE COMPONENT development)
install(FILES ${public_headers} DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/holdfast COMPONENT development)
foreach(kind shared static)
    install(EXPORT holdfast-${kind} NAMESPACE holdfast:: DESTINATION ${cmake_folder} COMPONENT development)
endforeach()

include(CMakePackageConfigHelpers)
string(REPLACE ";" ", " requires_words "${requires}")
string(REPLACE " >= " ">=" requires_for_cmake "${requires}")
string(REPLACE ";" " " requires_for_cmake "${requires_for_cmake}")
configure_package_config_file(profiles/package/holdfast-config.cmake.in ${library}/holdfast-config.cmake
    INSTALL_DESTINATION ${cmake_folder} NO_SET_AND_CHECK_MACRO)
# Until 1.0.0 each minor version may change the library.
write_basic_package_version_file(${library}/holdfast-config-version.cmake COMPATIBILITY SameMinorVersion)
install(FILES ${library}/holdfast-config.cmake ${library}/holdfast-config-version.cmake DESTINATION ${cmake_folder}
    COMPONENT development)
file(RELATIVE_PATH prefix_from_pc /prefix/${CMAKE_INSTALL_LIBDIR}/pkgconfig /prefix)
string(REGEX REPLACE "/$" "" prefix_from_pc ${prefix_from_pc})
foreach(name holdfast holdfast-static)
    configure_file(profiles/package/${name}.pc.in ${library}/${name}.pc @ONLY)
    install(FILES ${library}/${name}.pc DESTINATION ${CMAKE_INSTALL_LIBDIR}/pkgconfig COMPONENT development)
endforeach()
