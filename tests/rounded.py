"""Values rounded by their sigma as products are, whatever their shape, for tests that compare with them."""

import numpy as np

from calib.products.pyramid import round_by_sigma


def rounded_by_sigma(values: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Float32 values of any shape, each rounded by its own sigma."""
    out = values.copy()
    round_by_sigma(out.reshape(-1), sigma.reshape(-1))
    return out
