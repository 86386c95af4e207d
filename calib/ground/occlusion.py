"""Tests whether terrain hides a place from the camera."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.ground.sphere import dot, moon_to_ground, unit
from calib.ground.terrain import Terrain, nodes_of
from calib.moon import RADIUS_KM

KNOTS = 9  # along a line of sight; between them its track over the raster is taken to be straight
FIRST_STEP = 0.5  # nodes from the place at which the test begins: nearer ground of a bilinear surface does not hide it
SKIN_SHARE, LARGEST_SKIN_KM = 0.02, 2e-3  # least height above a line of sight to hide: of a node, and limit
LEAST_STEP = 1e-7  # nodes; least step along the track, for crossings that rounding puts behind the current place


def occluded(terrain: Terrain, camera_km: Array, position_km: Array) -> NDArray[np.bool_]:
    """Mask (N,) of the places (N, 3) on the ground that terrain hides from the camera (3,) or (N, 3); False for NaN.

    The line of sight is followed from the place until it is above all terrain, from each line of nodes that its track
    crosses to the next. In between, a bilinear surface is a parabola along the track, and so very nearly is its height
    above the line of sight. The maximum of that is computed, not sampled, so that no peak is missed.
    """
    toward = camera_km - position_km
    distance = np.sqrt(dot(toward, toward))
    toward = unit(toward)
    rise = dot(position_km, toward)
    top = RADIUS_KM + terrain.highest_km
    with np.errstate(invalid="ignore"):
        reach = np.minimum(np.sqrt(rise**2 - dot(position_km, position_km) + top**2) - rise, distance)
    reach = np.where(np.isfinite(reach), reach, 0.0)
    s = reach[:, np.newaxis] * np.linspace(0, 1, KNOTS)
    ground = moon_to_ground(position_km[:, np.newaxis] + s[..., np.newaxis] * toward[:, np.newaxis])
    column, row = nodes_of(terrain, ground.lon_deg, ground.lat_deg)
    turn = terrain.projection.period * abs(terrain.to_node[0])
    if turn:
        column = column[:, :1] + (column - column[:, :1] + turn / 2) % turn - turn / 2
    start = dot(position_km, position_km)
    skin = min(SKIN_SHARE * terrain.node_km, LARGEST_SKIN_KM)
    through = (rise < 0) & (start - rise**2 < (RADIUS_KM + terrain.lowest_km - skin) ** 2)
    return through | _hidden(terrain.height_km, terrain.turn_columns, column, row, s, start, rise, skin)


@njit(cache=True, nogil=True)
def _hidden(height_km, turn, column, row, s, start, rise, skin_km):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mask of the hidden lines of sight (N,).

    `column`, `row` (N, K): knots in nodes at distances `s`; `start`, `rise` (N,): squared radius of the place, and its
    product with the direction of sight.
    """
    hidden = np.zeros(len(s), np.bool_)
    for n in range(len(s)):
        travelled = 0.0
        for k in range(s.shape[1] - 1):
            dc, dr, ds = column[n, k + 1] - column[n, k], row[n, k + 1] - row[n, k], s[n, k + 1] - s[n, k]
            length = np.hypot(dc, dr)
            if not (length < 1e7 and ds > 0):
                break
            first = (FIRST_STEP - travelled) / length if length > 0 else 1.0
            track = (column[n, k], row[n, k], s[n, k], dc, dr, ds)
            if first < 1.0 and _meets(height_km, turn, track, max(first, 0.0), start[n], rise[n], skin_km):
                hidden[n] = True
                break
            travelled += length
    return hidden


@njit(cache=True, nogil=True)
def _meets(height_km, turn, track, share, start, rise, skin_km):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether the ground rises above a straight part of the track (column, row, distance; their changes), from the
    fraction `share` of it on."""
    rows, columns = height_km.shape
    c, r, s, dc, dr, ds = track
    least = LEAST_STEP / np.hypot(dc, dr)
    while share < 1.0:
        following = min(_crossing(c, dc, share, columns, turn), _crossing(r, dr, share, rows, 0), 1.0)
        following = max(following, min(share + least, 1.0))
        middle = (share + following) / 2
        shift = 0.0
        if turn > 0:
            shift = ((c + middle * dc) - 0.5) % turn + 0.5 - (c + middle * dc)
        gap = np.empty(3)
        for i, f in enumerate((share, middle, following)):
            ground = _height(height_km, (c + middle * dc + shift, r + middle * dr), (c + f * dc + shift, r + f * dr))
            t = s + f * ds
            gap[i] = ground - (np.sqrt(start + 2 * t * rise + t * t) - RADIUS_KM + skin_km)
        slope, bend = (gap[2] - gap[0]) / 2, gap[0] - 2 * gap[1] + gap[2]
        highest = max(gap[0], gap[1], gap[2])
        if bend < 0 and abs(slope) < -bend:
            highest = gap[1] - slope * slope / (2 * bend)
        if highest > 0:
            return True
        share = following
    return False


@njit(cache=True, nogil=True)
def _crossing(at, change, share, count, turn):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The fraction of the track at which it next crosses a line of nodes or the raster's edge half a node outside."""
    if change == 0.0:
        return 2.0
    here = at + share * change
    line = np.floor(here) + 1.0 if change > 0 else np.ceil(here) - 1.0
    if turn == 0:
        for edge in (-0.5, count - 0.5):
            if min(here, line) < edge < max(here, line):
                line = edge
    return (line - at) / change


@njit(cache=True, nogil=True)
def _height(height_km, within, at):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Height at a place (column, row) of the bilinear surface of the cell that contains the place `within`."""
    rows, columns = height_km.shape
    c, r = within
    if not (c >= -0.5 and r >= -0.5 and c <= columns - 0.5 and r <= rows - 0.5):
        return 0.0
    c0 = min(max(int(np.floor(c)), 0), columns - 2)
    r0 = min(max(int(np.floor(r)), 0), rows - 2)
    u, v = min(max(at[0] - c0, 0.0), 1.0), min(max(at[1] - r0, 0.0), 1.0)
    upper = height_km[r0, c0] * (1 - u) + height_km[r0, c0 + 1] * u
    return upper * (1 - v) + (height_km[r0 + 1, c0] * (1 - u) + height_km[r0 + 1, c0 + 1] * u) * v
