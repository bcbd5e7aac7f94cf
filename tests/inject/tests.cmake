# Bits flipped from outside in running kernels, in two shares that can run side by side. tests/run.sh asks for more
# injections (HOLDFAST_INJECTIONS) in the full tier.
set(inject_parts 2)
add_executable(inject_test_inject EXCLUDE_FROM_ALL ${PROJECT_SOURCE_DIR}/tests/inject/test_inject.c)
target_include_directories(inject_test_inject PRIVATE ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(inject_test_inject PRIVATE hf_workloads PkgConfig::CMOCKA m)
add_dependencies(all_tests inject_test_inject)
foreach(part RANGE 1 ${inject_parts})
    add_test(NAME inject/test_inject_${part} COMMAND inject_test_inject)
    set_tests_properties(inject/test_inject_${part} PROPERTIES TIMEOUT 1800 SKIP_RETURN_CODE 77
        ENVIRONMENT "HOLDFAST_INJECT_PARTS=${inject_parts};HOLDFAST_INJECT_PART=${part}")
endforeach()
