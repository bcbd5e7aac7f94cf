# How many trials fit into a second varies.
s/trial [0-9]* was the last/trial N was the last/
s/trial [0-9]*, [a-z0-9][a-z0-9. ]*, was the last/trial N, NAMED, was the last/
