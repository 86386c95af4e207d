"""Simulates tape dropouts: complete and partial lines that are constant or garbage, and blocks of garbage lines."""

import numpy as np
from calib_demo.chance import stream
from calib_demo.scenario import Scenario
from numpy.typing import NDArray


def draw_dropouts(scenario: Scenario, strip: int, lines: int) -> NDArray[np.int64]:
    """(n, 5) int: line, first sample, stop sample, kind (0 constant, 1 garbage), constant DN."""
    tape, n = scenario.tape, scenario.scan.samples
    full = 2**scenario.scan.bits - 1
    chance = stream(scenario.seed, "dropouts", strip)
    rows: list[tuple[int, int, int, int, int]] = []
    constants = (0, full, full // 2, full // 5)
    for _ in range(chance.poisson(tape.whole_lines)):
        line, thick = int(chance.integers(lines)), int(chance.integers(1, 3))
        value = constants[int(chance.integers(len(constants)))]
        rows += [(k, 0, n, 0, value) for k in range(line, min(line + thick, lines))]
    for _ in range(chance.poisson(tape.part_lines)):
        first = int(chance.integers(n - n // 8))
        stop = int(chance.integers(first + n // 10, n + 1)) if first + n // 10 < n else n
        rows.append(
            (int(chance.integers(lines)), first, stop, int(chance.integers(2)), constants[int(chance.integers(4))])
        )
    for _ in range(chance.poisson(tape.garbage_lines)):
        rows.append((int(chance.integers(lines)), 0, n, 1, 0))
    for _ in range(chance.poisson(tape.blocks)):
        line, thick = int(chance.integers(lines)), int(chance.integers(8, 30))
        rows += [(k, 0, n, 1, 0) for k in range(line, min(line + thick, lines))]
    return np.array(sorted(rows), dtype=np.int64).reshape(-1, 5)


def spoil(
    dn: NDArray[np.uint8] | NDArray[np.uint16], dropouts: NDArray[np.int64], scenario: Scenario, strip: int
) -> None:
    """Write the dropouts into a strip of DN, in place."""
    chance = stream(scenario.seed, "garbage", strip)
    top = 2**scenario.scan.bits
    for line, first, stop, is_garbage, value in dropouts:
        run = stop - first
        noise = chance.integers(0, top, run)
        dn[line, first:stop] = noise if is_garbage else value
