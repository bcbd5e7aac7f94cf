# How many lines there are when it is stopped varies.
s/[0-9]\{3,\} bytes were moved/N bytes were moved/
s/line [0-9]*: impossible/line N: impossible/
