"""What all tests share: steady hypothesis, linear algebra on one thread, and a lock on the cache of compiled code.

Several test processes on a few cores would otherwise spend their time waiting for each other's threads; and those that
compile at once could be handed each other's code.
"""

import os

from hypothesis import settings
from threadpoolctl import threadpool_limits

from calib.run.compiled_code import lock_compiled_code

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # for the processes that tests start
threadpool_limits(1, user_api="blas")
settings.register_profile("steady", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("steady")
lock_compiled_code()
