"""What all tests share: steady hypothesis, and linear algebra on one thread.

Several test processes on a few cores would otherwise spend their time waiting for each other's threads.
"""

import os

from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
settings.register_profile("steady", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("steady")
