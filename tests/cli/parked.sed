# How many trials fit into a second varies.
s/trial [0-9]* was the last/trial N was the last/
