# The emulated machine. emulate drives it, power_cut makes what a disk may hold after one, check_run looks at what is left
# of a run; tests/machine/nights.sh uses them.
foreach(tool emulate check_run power_cut)
    add_executable(${tool} EXCLUDE_FROM_ALL ${PROJECT_SOURCE_DIR}/tests/machine/${tool}.c)
    set_target_properties(${tool} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${PROJECT_BINARY_DIR})
    add_dependencies(all_tests ${tool})
endforeach()
target_link_libraries(emulate PRIVATE holdfast_flags)
target_link_libraries(check_run PRIVATE hf_plan hf_record)
target_link_libraries(power_cut PRIVATE hf_base)

# Every night is a test of its own, one after another; tests/run.sh runs a part of them without this.
option(HOLDFAST_MACHINE "Register the emulated nights with ctest" OFF)
if(HOLDFAST_MACHINE)
    foreach(night certificates reboot panic spin wait errors loop resets power stick)
        add_test(NAME machine/${night} COMMAND sh ${PROJECT_SOURCE_DIR}/tests/machine/nights.sh
            --binary $<TARGET_FILE:holdfast> --emulate $<TARGET_FILE:emulate> --work ${PROJECT_BINARY_DIR}/machine
            ${night})
        set_tests_properties(machine/${night} PROPERTIES TIMEOUT 1500 SKIP_RETURN_CODE 77 RUN_SERIAL ON)
    endforeach()
    add_test(NAME machine/service COMMAND sh ${PROJECT_SOURCE_DIR}/tests/machine/service.sh
        --binary $<TARGET_FILE:holdfast> --emulate $<TARGET_FILE:emulate> --work ${PROJECT_BINARY_DIR}/machine-service)
    set_tests_properties(machine/service PROPERTIES TIMEOUT 1500 SKIP_RETURN_CODE 77 RUN_SERIAL ON)
    set_tests_properties(machine/resets PROPERTIES TIMEOUT 7200 ENVIRONMENT HOLDFAST_RESETS=200)
    set_tests_properties(machine/power PROPERTIES TIMEOUT 7200 ENVIRONMENT HOLDFAST_CUTS=1000)
endif()
