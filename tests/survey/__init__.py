"""Any number of recordings, in one run or more, on this machine or many."""
