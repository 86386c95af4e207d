"""The table `film` of a description: its characteristic curve and grain, the wedge and the reseau exposed onto it."""

from collections.abc import Sequence
from itertools import combinations, pairwise
from typing import Literal

from pydantic import Field, model_validator

from calib.frame.fields import Density, LogExposure, MismatchError, RisingPair, Table, above_zero, within
from calib.frame.words import in_words

TOUCHING_MM = 1e-9  # wedge patches may share an edge, but decimal fractions are not exact in binary
FEWEST_PATCHES = 3  # with different values: a transfer curve has at least one bend


class CharacteristicCurve(Table):
    """The film's characteristic curve, given by knots; it is undefined beyond the first and the last."""

    log_exposure: tuple[LogExposure, ...] = Field(
        description="two or more rising values of log10(lux s) within -10 to 10"
    )
    density: tuple[Density, ...] = Field(description="as many densities within 0 to 10, all rising or all falling")

    @model_validator(mode="after")
    def _is_monotone(self) -> "CharacteristicCurve":
        if len(self.log_exposure) < 2:
            raise MismatchError(f"{len(self.log_exposure)} values", "two or more", "log_exposure")
        if len(self.density) != len(self.log_exposure):
            expected = f"as many as log_exposure has, {len(self.log_exposure)}"
            raise MismatchError(f"{len(self.density)} values", expected, "density")
        _check_steps(self.log_exposure, 1, "log_exposure")
        _check_steps(self.density, 1 if self.density[-1] > self.density[0] else -1, "density")
        return self


def _check_steps(values: Sequence[float], sign: int, key: str) -> None:
    """Raise MismatchError for a step that does not go in the direction of `sign`, +1 up or -1 down."""
    for index, (before, after) in enumerate(pairwise(values), start=1):
        if not (after - before) * sign > 0:
            way = "above" if sign > 0 else "below"
            raise MismatchError(in_words(after), f"a number {way} the one before it, {before!r}", key, index)


class WedgePatch(Table):
    """One step of the wedge: its value, and its place in every strip."""

    value: float = Field(description="a density, or log10(lux s), as film.wedge.quantity says")
    y_mm: RisingPair = Field(description="[first, last] in film mm, rising")
    across_mm: RisingPair = Field(description="[left, right] in mm from the strip's centre line, rising")


class Wedge(Table):
    """The step wedge that is repeated in every strip."""

    quantity: Literal["density", "log_exposure"] = Field(description='"density" or "log_exposure"')
    patches: tuple[WedgePatch, ...] = Field(description="an array of tables with value, y_mm and across_mm")
    sigma: float | None = within(0, 10, "as film.wedge.quantity", default=None)

    @model_validator(mode="after")
    def _can_be_used(self) -> "Wedge":
        limits = (0.0, 10.0) if self.quantity == "density" else (-10.0, 10.0)
        for index, patch in enumerate(self.patches):
            if not limits[0] <= patch.value <= limits[1]:
                expected = f"a {self.quantity} within {limits[0]:g} to {limits[1]:g}"
                raise MismatchError(in_words(patch.value), expected, "patches", index, "value")
        if len(self.patches) < FEWEST_PATCHES:
            raise MismatchError(f"{len(self.patches)} patches", f"{FEWEST_PATCHES} or more", "patches")
        different = len({patch.value for patch in self.patches})
        if different < FEWEST_PATCHES:
            raise MismatchError(f"{different} different values", f"{FEWEST_PATCHES} or more", "patches")
        for (i, one), (j, other) in combinations(enumerate(self.patches), 2):
            if _overlap(one.y_mm, other.y_mm) and _overlap(one.across_mm, other.across_mm):
                raise MismatchError(f"a patch that lies on patches[{i}]", "a place of its own", "patches", j)
        return self


def _overlap(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return min(one[1], other[1]) - max(one[0], other[0]) > TOUCHING_MM


class Reseau(Table):
    """The reseau: the shape of its marks, and the file with their places."""

    shape: Literal["cross"] = Field(description='"cross"')
    arm_mm: float = above_zero(100, "mm")
    width_mm: float = above_zero(100, "mm")
    density: float | None = within(0, 10, "density", default=None)
    sigma_mm: float | None = within(0, 100, "mm", default=None)
    marks: str = Field(description="the relative path of a CSV file with the columns id, x_mm, y_mm")

    @model_validator(mode="after")
    def _has_arms(self) -> "Reseau":
        if not self.width_mm < 2 * self.arm_mm:
            raise MismatchError(
                in_words(self.width_mm), f"less than the stroke's length, {2 * self.arm_mm:g} mm", "width_mm"
            )
        return self


class Film(Table):
    """The film, with the wedge and the reseau exposed onto it."""

    characteristic: CharacteristicCurve = Field(description="a table with log_exposure and density")
    granularity: float | None = above_zero(1000, "RMS x 1000, 48 um aperture, D = 1", default=None)
    wedge: Wedge = Field(description="a table with quantity and patches")
    reseau: Reseau = Field(description="a table with shape, arm_mm, width_mm and marks")
