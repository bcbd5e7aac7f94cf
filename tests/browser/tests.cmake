# Pages as a person sees them, in Chromium without a screen: tests/browser/run.sh. Skipped where there is none.
add_executable(browser_pages EXCLUDE_FROM_ALL ${PROJECT_SOURCE_DIR}/tests/browser/make_pages.c)
target_include_directories(browser_pages PRIVATE ${PROJECT_SOURCE_DIR}/tests ${PROJECT_SOURCE_DIR}/tests/unit/output)
target_link_libraries(browser_pages PRIVATE hf_output PkgConfig::CMOCKA m)
target_compile_definitions(browser_pages PRIVATE HOLDFAST_SOURCE_DIR="${PROJECT_SOURCE_DIR}"
    HOLDFAST_BINARY="$<TARGET_FILE:holdfast>")
add_dependencies(all_tests browser_pages)
add_test(NAME browser/pages
    COMMAND sh ${PROJECT_SOURCE_DIR}/tests/browser/run.sh $<TARGET_FILE:browser_pages> ${PROJECT_BINARY_DIR}/browser)
set_tests_properties(browser/pages PROPERTIES TIMEOUT 600 SKIP_RETURN_CODE 77)
