# Every command line of the documents is run (run.sh), every message in docs/troubleshooting.md is looked up in the
# sources (messages.sh), and each of the two must find what is planted in it.
foreach(script run messages)
    add_test(NAME docs/${script} COMMAND sh ${PROJECT_SOURCE_DIR}/tests/docs/${script}.sh --binary $<TARGET_FILE:holdfast>)
    add_test(NAME docs/${script}-self-test COMMAND sh ${PROJECT_SOURCE_DIR}/tests/docs/${script}.sh --self-test)
    set_tests_properties(docs/${script} docs/${script}-self-test PROPERTIES TIMEOUT 240)
endforeach()
