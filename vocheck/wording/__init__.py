"""The one room where facts become sentences, for terminal, page, PDF, markers and JSON alike.

Results carry what was found: criterion, value, difference, count, place. What is said about it is
made here, and only laid out in `vocheck.report`. `vocabulary` holds what all sentences share:
numbers with units, places in a recording, counts, lists, the words of a verdict.
"""
