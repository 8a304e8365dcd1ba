"""Any number of recordings measured to JSON Lines, on this machine or many, in one run or more.

`run` goes through folders and keeps each line in a `journal` as soon as it is measured; the lines
are put in order at the end, so that the same bytes come out whatever was done when, and where.
Nothing is held in memory but what is being measured: a million recordings need as much as a
hundred.

Beside it: `files` finds the recordings, `work` is what a worker does, `cluster` are the workers of
other machines, `summary` tells what a file of such lines holds.
"""
