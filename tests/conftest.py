"""What all tests share: steady hypothesis, and linear algebra on one thread.

Several test processes on a few cores would otherwise spend their time waiting for each other's threads.
"""

import os

from hypothesis import settings
from threadpoolctl import threadpool_limits

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # for the processes that tests start
threadpool_limits(1, user_api="blas")
settings.register_profile("steady", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("steady")
