"""What a table makes of samples, by the plainest reading of it: the product's compiled pass must agree with it."""

from dataclasses import dataclass

import numpy as np

from calib.film.tables import ValueTable


@dataclass(frozen=True)
class Turned:
    """Values of samples, 1-sigma of their independent noise, 1-sigma of their systematic error."""

    value: np.ndarray
    noise: np.ndarray
    systematic: np.ndarray


def turned(table: ValueTable, density: np.ndarray, noise: np.ndarray, systematic: np.ndarray) -> Turned:
    """Densities (any shape) with their 1-sigmas by a table, linear between its rows and held beyond them."""
    at = table.first + np.arange(len(table.value)) / table.per_density
    value, of_noise, of_error, end = (np.interp(density, at, column) for column in (table.value, *table.spread.T))
    return Turned(value, of_noise * noise, np.hypot(of_error * systematic, end))
