"""Film for the tests of dropouts: with edges, points and bright stretches of its own, which are none."""

import numpy as np


def picture(chance: np.random.Generator, lines: int = 500, samples: int = 200) -> np.ndarray:
    """A scene of slopes, sharp discs (craters), a bright bar (a stroke) and a step (a wedge), from 0 to 1."""
    line, sample = np.mgrid[:lines, :samples].astype(float)
    scene = 0.35 + 0.1 * np.sin(line / 40) * np.cos(sample / 25)
    for _ in range(40):
        y, x, r = chance.uniform(0, lines), chance.uniform(0, samples), chance.uniform(2, 20)
        inside = (line - y) ** 2 + (sample - x) ** 2 < r**2
        scene[inside] = np.where(sample[inside] > x, 0.75, 0.12)
    scene[200:205, 40:110] = 0.9
    scene[:60] = 0.2 + 0.1 * (line[:60] // 15)
    return scene


def bright(chance: np.random.Generator, level: float, noise: float) -> np.ndarray:
    """Film of one level, read into 16 bits with much noise and clipped at their end."""
    dn = level + noise * chance.standard_normal((300, 150))
    return np.clip(np.rint(dn), 0, 65535).astype(np.uint16)
