# Two machines under Slurm on loopback (run.sh); skipped without its packages. Full tier only.
add_test(NAME fleet/slurm COMMAND sh ${PROJECT_SOURCE_DIR}/tests/fleet/run.sh --binary $<TARGET_FILE:holdfast>)
set_tests_properties(fleet/slurm PROPERTIES TIMEOUT 300 SKIP_RETURN_CODE 77)
