"""The options of a run that its products depend on."""

from dataclasses import dataclass

from calib.film.kernels import DEFAULT_KERNEL, kernel_called
from calib.light.functions import DEFAULT_MODEL, photometric_function


@dataclass(frozen=True, slots=True)
class Settings:
    """The options of a run that its products depend on.

    `standard` names the photometric function of map/normal.tif. With `angles`, rasters of incidence, emission and phase
    are written too. `kernel` names the interpolation kernel. With `exact`, no value is rounded before it is compressed.
    ValueError if `standard` or `kernel` is unknown.
    """

    standard: str = DEFAULT_MODEL
    angles: bool = False
    kernel: str = DEFAULT_KERNEL
    exact: bool = False

    def __post_init__(self) -> None:
        photometric_function(self.standard)
        kernel_called(self.kernel)
