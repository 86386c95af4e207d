"""What may be chosen about a run: the options that its products depend on."""

from dataclasses import dataclass

from calib.film.kernels import DEFAULT_KERNEL, kernel_called
from calib.light.functions import DEFAULT_MODEL, photometric_function


@dataclass(frozen=True, slots=True)
class Settings:
    """The options of a run that its products depend on.

    `standard` names the photometric function behind map/normal.tif; with `angles` the map has rasters of incidence,
    emission and phase beside it. `kernel` names the interpolation kernel; with `exact` no value is rounded before it is
    compressed. ValueError where no function is called `standard`, or no kernel `kernel`.
    """

    standard: str = DEFAULT_MODEL
    angles: bool = False
    kernel: str = DEFAULT_KERNEL
    exact: bool = False

    def __post_init__(self) -> None:
        photometric_function(self.standard)
        kernel_called(self.kernel)
