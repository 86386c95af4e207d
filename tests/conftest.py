"""What all tests share: the folder `tests` on the path, so that `perfect` can be imported, and steady hypothesis."""

import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))
settings.register_profile("steady", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("steady")
