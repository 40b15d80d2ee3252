"""Settings of all tests.

Hypothesis draws the same examples in every run, so that a red run is a change's doing.
HYPOTHESIS_PROFILE=explore draws new ones.
"""

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("explore", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))
