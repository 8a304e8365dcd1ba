"""What all tests share: nothing that was measured before is taken from anywhere."""

import os

# No folder can be made inside a device, so nothing is kept and nothing found. Tests of the cache
# name a folder of their own.
os.environ["VOCHECK_CACHE"] = os.path.join(os.devnull, "none")
