# The installation: each test works on this build, which must be complete (tests/install/lib.sh). Two at a time would
# write the same list of installed files.
foreach(name library manual completion debian reproducible)
    add_test(NAME install/${name}
        COMMAND sh ${PROJECT_SOURCE_DIR}/tests/install/${name}.sh ${PROJECT_BINARY_DIR})
    set_tests_properties(install/${name} PROPERTIES TIMEOUT 1200 SKIP_RETURN_CODE 77 RESOURCE_LOCK installation)
endforeach()
set_tests_properties(install/reproducible PROPERTIES PROCESSORS 2) # it builds
