"""Do the tests notice? Small changes are made to a module, and its tests run on each of them.

``python -m tests.mutation`` does it for every module of `TARGETS`; names choose some of them, and
``--write`` puts the result into ``docs/mutation.md``. The changes are drawn with a seed, so that
the same arguments try the same ones.
"""
