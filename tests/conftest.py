"""What holds for every test: no example has a deadline, for a busy machine is no fault of the code."""

import sys

from hypothesis import settings

settings.register_profile("lowpanbudget", deadline=None)
settings.load_profile("lowpanbudget")

# Rewriting the asserts of 100 modules costs each worker seconds: they are kept, whatever the environment says.
sys.dont_write_bytecode = False
