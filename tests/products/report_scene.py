"""Report data of an invented frame of the mission Tern 2: seeded synthetic arrays. Run it to look at the page.

python tests/products/report_scene.py PAGE.html [STRIPS]
"""

import sys
from datetime import UTC, datetime

import numpy as np
import pyproj

from calib import quality
from calib.products.fits import (
    Banding,
    Drift,
    FitsFile,
    MarkResiduals,
    ScanGeometry,
    TieResiduals,
    TransferCurves,
)
from calib.products.fits_pointing import ControlResiduals, PlaceUncertainty, Pointing
from calib.products.provenance import Provenance, Timings
from calib.products.report import write_report
from calib.products.report_data import (
    ColumnSpectrum,
    DensityResiduals,
    Globe,
    MapLayer,
    MapPicture,
    PicturePair,
    QualityPicture,
    ReportData,
    ReportFigure,
    SampleNoise,
    SeamJumps,
)

KINDS = ("wedge patches", "unexposed film", "reseau strokes", "overlaps")


def ground(rng: np.random.Generator, rows: int, cols: int) -> np.ndarray:
    """A cratered surface, lit from the left; mean 1."""
    frequency = np.hypot(*np.meshgrid(np.fft.rfftfreq(cols), np.fft.fftfreq(rows)))
    frequency[0, 0] = 1
    noise = np.fft.rfft2(rng.normal(size=(rows, cols))) * frequency**-1.9
    noise[0, 0] = 0
    height = np.fft.irfft2(noise, s=(rows, cols))
    height *= 12 / height.std()
    y, x = np.mgrid[0:rows, 0:cols].astype(float)
    for size in 4 * rng.uniform(0, 1, cols) ** (-1 / 1.7):
        radius = min(size, cols / 9)
        row, col = rng.uniform(0, rows), rng.uniform(0, cols)
        top, left = max(0, int(row - 3 * radius)), max(0, int(col - 3 * radius))
        place = np.s_[top : int(row + 3 * radius) + 1, left : int(col + 3 * radius) + 1]
        away = np.hypot(y[place] - row, x[place] - col) / radius
        bowl = np.where(away < 1, 0.42 * (away**2 - 1), 0.0)
        height[place] += radius * (bowl + 0.11 * np.exp(-((away - 1.05) ** 2) / 0.035))
    slope = np.gradient(height, axis=1)
    return np.clip(1 + 0.9 * slope / (1 + np.abs(slope)), 0.03, None)


def fits_of(rng: np.random.Generator, strips: int, samples: int = 260, lines: int = 220) -> FitsFile:
    dn = np.arange(0, 65536, 512)
    gain = rng.normal(1, 0.06, strips)[:, None]
    density = 0.18 + 2.1 * np.clip((dn / 65535)[None, :] * gain, 0, 1) ** rng.normal(0.82, 0.03, strips)[:, None]
    stated = np.linspace(0.25, 2.0, 9)
    patch_strip, patch_value = np.repeat(np.arange(strips), 9), np.tile(stated, strips)
    patch_dn = np.array([np.interp(v, density[k], dn) for k, v in zip(patch_strip, patch_value, strict=True)])
    patch_sigma = np.full(patch_dn.size, 0.004)
    used = rng.random(patch_dn.size) > 0.02
    residual = rng.normal(0, patch_sigma) + np.where(used, 0, 0.03)
    sample, line = np.arange(samples), np.arange(lines) * 32
    common = 0.03 * np.sin(sample / 7.0) * np.exp(-(((sample - 90) / 60.0) ** 2)) + rng.normal(0, 0.012, samples)
    own = 0.25 * common[None, :] * rng.normal(0, 1, (strips, 1)) + rng.normal(0, 0.004, (strips, samples))
    drift = np.cumsum(rng.normal(0, 0.0012, (strips, lines)), axis=1)
    drift -= drift.mean(axis=1, keepdims=True)
    drift[-1, -20:] = np.nan
    mark_x, mark_y = (grid.ravel() for grid in np.meshgrid(np.linspace(-28, 28, 22), np.linspace(-25, 25, 20)))
    count = mark_x.size
    before_x = 0.035 * np.sin(mark_x / 2.1) + 0.02 * np.sin(mark_y / 9) + rng.normal(0, 0.002, count)
    before_y = 0.05 * np.sin(mark_y / 7 + 0.1 * mark_x) + 0.02 * mark_x / 28 + rng.normal(0, 0.002, count)
    mark_used = rng.random(count) > 0.02
    after = rng.normal(0, 0.0016, (2, count)) + np.where(mark_used, 0, 0.02)
    return FitsFile(
        frame="tern2-0143",
        history="calib 0.1.0: run",
        n_lines=np.full(strips, 32 * lines),
        line=line,
        pointing=Pointing(np.array([1700.0, 300, 120]), np.array([1.0, 0, 0, 0])),
        transfer=TransferCurves(
            dn, density, 0.002 + 0.003 * np.abs(density - 1.1), np.full(density.shape, 0.02),
            np.full(strips, 900), np.full(strips, 64800),
            patch_strip, patch_value, patch_dn, patch_sigma, residual, used,
        ),
        banding=Banding(common, np.full(samples, 0.0009), own, np.full((strips, samples), 0.0014)),
        drift=Drift(drift, np.full(drift.shape, 0.002)),
        geometry=sweep_of(rng, strips, samples, lines),
        marks=MarkResiduals(
            np.arange(count) % strips, [f"r{i:03d}" for i in range(count)], mark_x, mark_y,
            *np.zeros((4, count)), before_x, before_y, *after, mark_used,
            ["" if good else "arm is <damaged> & cut by the strip's edge" for good in mark_used],
        ),
        ties=TieResiduals(np.zeros(5, int), *np.zeros((6, 5)), np.ones(5, bool)),
        control=ControlResiduals(
            ["c1", "c2", "c3", "c4", "c5"], np.array([-20.0, 22, 18, -15, 2]), np.array([-18.0, -20, 17, 19, 1]),
            *rng.normal(0.1, 0.02, (2, 5)), *rng.normal([0, 0, 0, 0.06, 0], 0.004, (2, 5)), np.full(5, 0.004),
            np.array([True, True, True, False, True]),
        ),
        uncertainty=PlaceUncertainty(
            ("centre", "upper left", "upper right", "lower right", "lower left"),
            np.array([0.0, -30, 30, 30, -30]), np.array([0.0, -27, -27, 27, 27]),
            np.array([31.2, 29.4, 33.1, np.nan, 29.9]), np.array([11.3, 12.4, 12.2, np.nan, 10.1]),
            np.array([312.0, 340, 331, np.nan, 352]), np.array([120.0, 131, 140, np.nan, 138]),
            np.array([12.0, 15, 171, np.nan, 20]),
        ),
    )  # fmt: skip


def sweep_of(rng: np.random.Generator, strips: int, samples: int, lines: int) -> ScanGeometry:
    """Strips of 3.2 mm with an S-shaped common sweep, a small own part of each strip, and a slow wander."""
    at, along = np.linspace(-1, 1, samples), np.linspace(0, 1, lines)
    common = 0.02 * np.sin(np.pi * at)
    center = 3.2 * (np.arange(strips) - (strips - 1) / 2)[:, None]
    own = 0.004 * rng.normal(size=(strips, 1)) * np.cos(2 * at)
    wander = [
        scale * rng.normal(size=(strips, 1)) * np.cos(np.pi * order * along)
        for scale, order in ((0.03, 1), (0.01, 2), (0.05, 1), (0.02, 3))
    ]
    y = -27 + 54 * along + wander[2] + wander[3]
    y[-1, -20:] = np.nan
    sigma = np.full((strips, lines), 0.0007) + 0.001 * (along - 0.5) ** 2
    return ScanGeometry(
        center + 1.7 * at + common + own, wander[0] + wander[1], y, 0.001 * at + np.zeros((strips, 1)),
        sigma, 0.4 * sigma,
        common, np.full(samples, 0.001), np.zeros((strips, 2)),
    )  # fmt: skip


def residuals_of(rng: np.random.Generator, strips: int) -> DensityResiduals:
    """Residuals of a correct fit: 400 to 4000 of each kind per strip, at the densities typical of each kind."""
    spans = ((0.2, 2.1, 3600), (0.15, 0.3, 1200), (0.08, 0.2, 400), (0.4, 1.6, 500))
    density = np.concatenate([rng.uniform(low, high, strips * many) for low, high, many in spans])
    kind = np.repeat(np.arange(4), [strips * many for *_, many in spans])
    sigma = 0.002 + 0.006 * density
    return DensityResiduals(KINDS, kind, density, sigma * rng.normal(size=kind.size), sigma)


def pictures(rng: np.random.Generator, strips: int, rows: int, cols: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Before, after and the quality mask of the assembled film."""
    after = ground(rng, rows, cols)
    strip = np.arange(cols) * strips // cols
    in_strip = (np.arange(cols) * strips / cols) % 1
    banding = rng.normal(0, 0.05, 97)[(in_strip * 97).astype(int)]
    column = 0.10 * np.sin(37 * in_strip) + 0.12 * (in_strip - 0.5) + banding
    before = after + column[None, :] + rng.normal(0, 0.12, strips)[strip][None, :]
    mask = np.zeros(after.shape, np.uint16)
    mask[:, in_strip < 0.02] |= quality.SEAM
    mask[rows // 3 : rows // 3 + 3, : cols // 4] |= quality.DROPOUT | quality.FILLED
    mask[after > 1.6] |= quality.HIGH_DENSITY
    mask[after < 0.45] |= quality.LOW_DENSITY
    for row in range(30, rows, 60):
        for col in range(30, cols, 60):
            mask[row, col - 4 : col + 5] |= quality.MARK
            mask[row - 4 : row + 5, col] |= quality.MARK
    for k in range(strips):
        start, stop = rng.integers(5, 15, 2)
        for picture in (before, after):
            picture[:start, strip == k], picture[rows - stop :, strip == k] = np.nan, np.nan
    mask[np.isnan(after)] = quality.OUTSIDE
    return before, after, mask


def scene(strips: int = 8, rows: int = 440, cols: int = 480) -> ReportData:
    """Data for a full page; its texts hold characters that must be escaped."""
    rng = np.random.default_rng(143)
    before, after, mask = pictures(rng, strips, rows, cols)
    frequency = np.fft.rfftfreq(2000)
    moon = 2e-7 * (frequency + 1e-3) ** -1.6
    noise = 4e-5 * rng.exponential(size=frequency.size)
    bands = 0.004 * np.exp(-(((frequency - 0.14) / 0.05) ** 2))
    crs = pyproj.CRS("IAU_2015:30110")
    west, north, pixel = 910_000.0, 400_000.0, 250.0
    edges = (west, north - rows * pixel, west + cols * pixel, north)
    ring = np.array([(0.05, 0.06), (0.95, 0.03), (0.97, 0.94), (0.03, 0.97)])
    lon, lat = (np.degrees(m / 1737400) for m in (west + ring[:, 0] * cols * pixel, north - ring[:, 1] * rows * pixel))
    layers = (("Reflectance", 0.1), ("Standard geometry", 0.12), ("1σ of reflectance", 0.004))
    shares = {bit.value: float(np.mean((mask & bit.value) != 0)) for bit in quality.BITS}
    return ReportData(
        facts=[
            ("Exposed", "1971-06-02 11:42:07.250 UTC, 0.02 s"), ("Camera", "450 mm, f/5.6"),
            ("Film", f"60 × 55 mm in {strips} strips"), ("Sample", "7.5 µm"),
            ("Sub-point", "10.0° E, 3.2° N, altitude 61 km"), ("Sun", "25.3° above the horizon, azimuth 91°"),
            ("Map", "Equirectangular, 2.0 m"), ("Place on the ground", "312 m × 120 m (1σ)"),
        ],
        figures=[
            ReportFigure("Seams", "rms jump of density", 0.00112, "D", 0.00104, "noise of the overlaps"),
            ReportFigure("Banding left", "excess of column means", 0.00121, "D", 0.0009, "wedge samples per column"),
            ReportFigure("Marks", "rms residual of the reseau", 2.31, "µm", 1.6, "Cramér–Rao bound of a cross"),
            ReportFigure("Ties", "rms residual in the overlaps", 0.031, "px", 0.024, "texture and noise"),
            ReportFigure("Wedge", "rms residual of the patches", 0.0043, "D", 0.004, "stated 1σ of a patch"),
            ReportFigure("Control", "rms residual, refined pointing", 0.0052, "mm", 0.004, "stated 1σ of a point"),
            ReportFigure("Film covered", "share of the format that was scanned", 98.7, "%"),
        ],
        provenance=Provenance(
            frame="tern2-0143",
            inputs={"../lens.toml": "ab" * 32, "frame.toml": "1f" * 32}
            | {f"strips/{k:03d}.tif": f"{k:02x}" * 32 for k in range(strips)},
            settings={"map": {"crs": "IAU_2015:30110", "pixel_m": 2.0}, "threads": 2},
            timings=Timings(datetime(2026, 1, 2, tzinfo=UTC), {"all": 1.0}),
            figures={},
            warnings=(
                "strip 5: the wedge is cut at line 7012; its curve leans on the overlaps with 4 and 6",
                "reseau.csv: mark r<017> & r018 are 0.1 mm apart",
            ),
            photometric_model={"name": "an invented model", "coefficients": [1.0, -0.019, 2.42e-4]},
            rejected=("c4",),
        ),
        fits=fits_of(rng, strips),
        pairs=[
            PicturePair("Assembled film", before, after, "strips as read out", "calibrated"),
            PicturePair("A seam at full resolution", before[150:300, 100:400], after[150:300, 100:400]),
        ],
        seams=SeamJumps(
            np.abs(rng.normal(0, 0.001, strips - 1)), np.full(strips - 1, 0.001), np.arange(strips - 1) % 5 == 3
        ),
        spectrum=ColumnSpectrum(
            frequency, moon + noise + bands * rng.exponential(size=frequency.size), moon + noise, 4e-5, 250.0
        ),
        residuals=residuals_of(rng, strips),
        noise=SampleNoise(
            np.tile(np.linspace(0.25, 2.0, 9), strips), 0.02 * rng.normal(1, 0.05, 9 * strips), 0.02**2 / 1.5
        ),
        globe=Globe((31.2, 11.3), (28.0, 10.1), (75.0, -1.2), lon, lat),
        map=MapPicture(
            [MapLayer(name, share * after) for name, share in layers],
            edges, crs.to_wkt(), "Equirectangular Moon, IAU_2015:30110", lon, lat,
        ),
        quality=[QualityPicture("film/quality.tif", mask, shares, after)],
    )  # fmt: skip


if __name__ == "__main__":
    many = int(sys.argv[2]) if len(sys.argv) > 2 else 24
    write_report(sys.argv[1], scene(many, 1370, 1500))
