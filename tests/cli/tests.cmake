# Command-line tests: one ctest test for each tests/cli/NAME.test. How a case works: tests/cli/run.sh.
add_executable(cli_tool EXCLUDE_FROM_ALL ${PROJECT_SOURCE_DIR}/tests/cli/tool.c)
target_link_libraries(cli_tool PRIVATE holdfast_flags)
add_dependencies(all_tests cli_tool)

if(HOLDFAST_SANITIZE)
    set(cli_sanitized --sanitized)
endif()
file(GLOB cli_cases CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/tests/cli/*.test)
foreach(case ${cli_cases})
    get_filename_component(name ${case} NAME_WE)
    add_test(NAME cli/${name}
        COMMAND sh ${PROJECT_SOURCE_DIR}/tests/cli/run.sh --binary $<TARGET_FILE:holdfast>
            --tool $<TARGET_FILE:cli_tool> ${cli_sanitized} ${name})
    set_tests_properties(cli/${name} PROPERTIES TIMEOUT 120 SKIP_RETURN_CODE 77)
    file(STRINGS ${case} alone REGEX "^# alone$")
    if(alone) # it measures time: nothing may run beside it
        set_tests_properties(cli/${name} PROPERTIES RUN_SERIAL ON)
    endif()
endforeach()
