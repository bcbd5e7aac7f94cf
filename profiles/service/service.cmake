# The service's units: installed, and in the program, which writes them for `holdfast search --install-service`.
include(GNUInstallDirs)
# Written when it is installed: only then the prefix is known (cmake --install --prefix, packages).
install(CODE "set(HOLDFAST_BINARY \"\${CMAKE_INSTALL_PREFIX}/${CMAKE_INSTALL_BINDIR}/holdfast\")
    configure_file(\"${PROJECT_SOURCE_DIR}/profiles/service/holdfast@.service.in\"
        \"${PROJECT_BINARY_DIR}/holdfast@.service\" @ONLY)")
install(FILES ${PROJECT_BINARY_DIR}/holdfast@.service ${PROJECT_SOURCE_DIR}/profiles/service/holdfast-awake.service
    DESTINATION lib/systemd/system)

function(holdfast_c_string file variable)
    set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${file})
    file(READ ${file} text)
    string(REPLACE "\\" "\\\\" text "${text}")
    string(REPLACE "\"" "\\\"" text "${text}")
    string(REPLACE "\n" "\\n\"\n    \"" text "${text}")
    set(${variable} "\"${text}\"" PARENT_SCOPE)
endfunction()
holdfast_c_string("${PROJECT_SOURCE_DIR}/profiles/service/holdfast@.service.in" HOLDFAST_SEARCH_UNIT)
holdfast_c_string("${PROJECT_SOURCE_DIR}/profiles/service/holdfast-awake.service" HOLDFAST_AWAKE_UNIT)
file(CONFIGURE OUTPUT ${PROJECT_BINARY_DIR}/generated/cli/service_units.h @ONLY CONTENT
"/* made from profiles/service by profiles/service/service.cmake */
static const char search_unit[] = @HOLDFAST_SEARCH_UNIT@;
static const char awake_unit[] = @HOLDFAST_AWAKE_UNIT@;
")
target_include_directories(holdfast PRIVATE ${PROJECT_BINARY_DIR}/generated)
