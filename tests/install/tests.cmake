# The installation: each test works on this build, which must be complete (tests/install/lib.sh).
foreach(name library manual completion debian reproducible)
    add_test(NAME install/${name}
        COMMAND sh ${PROJECT_SOURCE_DIR}/tests/install/${name}.sh ${PROJECT_BINARY_DIR})
    set_tests_properties(install/${name} PROPERTIES TIMEOUT 600 SKIP_RETURN_CODE 77)
endforeach()
