# What was measured varies; what is beyond twice the target stays.
s/slowest of [0-9]*/slowest of N/
s/on [0-9]* CPUs/on N CPUs/
s/of 10[0-9]\{4\} records/of 100000 records/
s/  *[0-9.]* \(ms\|MiB\|% of a CPU\), target/ N \1, target/
