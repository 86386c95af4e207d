"""Contents of the report and of the STAC item, gathered from the results of a run."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.frame.summary import summary
from calib.ground.footprint import footprint_ring
from calib.ground.region import visible_region
from calib.ground.sphere import moon_to_ground
from calib.products.report_data import (
    DensityResiduals,
    Globe,
    MapLayer,
    MapPicture,
    PicturePair,
    QualityPicture,
    SampleNoise,
    SeamJumps,
)
from calib.products.stac import Asset, MapItem, MapPlace
from calib.run.fitting.fit import FrameFits
from calib.run.preflight import terrain_facts
from calib.run.rasters.angles import ANGLE_ASSETS
from calib.run.rasters.film import FilmPictures
from calib.run.rasters.headers import NORMAL
from calib.run.rasters.map import MapMaker, MapPictures
from calib.run.report.ellipses import place_uncertainty
from calib.run.report.seams import SeamCheck
from calib.run.sunlight import center_light, light_facts
from calib.tone.model import RESIDUAL_KINDS
from calib.tone.noise import selwyn_variance

ASSETS = (
    Asset("reflectance", "map/reflectance.tif", "radiance factor", ("data",), "1"),
    Asset("sigma", "map/sigma.tif", "1-sigma random uncertainty of the radiance factor", ("data", "uncertainty"), "1"),
    Asset("normal", "map/normal.tif", NORMAL, ("data",), "1"),
    Asset("quality", "map/quality.tif", "quality bits", ("data", "quality"), is_mask=True),
    Asset("fits", "fits.nc", "everything that was fitted, with its 1-sigma", ("metadata",)),
    Asset("report", "report.html", "report for the operator", ("overview",)),
)


def shown_seams(fits: FrameFits, seams: SeamCheck) -> SeamJumps | None:
    """Jump and noise floor of each seam, root mean squares over its blocks; None if no seam was measured."""
    if not seams.jump.size:
        return None
    count = len(fits.frame.strips) - 1

    def rms(values: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.bincount(seams.strip, values**2, count)
        number = np.bincount(seams.strip, minlength=count)
        return np.sqrt(np.where(number > 0, total / np.maximum(number, 1), np.nan))

    far = np.array([seams.stands_out(strip) for strip in range(count)])
    return SeamJumps(jump=rms(seams.jump), noise_floor=rms(seams.floor), stands_out=far)


def tone_residuals(fits: FrameFits) -> DensityResiduals | None:
    """Residuals of all evidence in the tone fit; None if nothing could be calibrated."""
    found = fits.tone.residuals
    if not found.strip.size:
        return None
    return DensityResiduals(RESIDUAL_KINDS, found.kind, found.density, found.residual_density, found.sigma_density)


def sample_noise(fits: FrameFits) -> SampleNoise:
    """Scatter of the samples in each usable wedge patch, converted to density by the slope of the strip's curve."""
    patches, film, scan = fits.tone.patches, fits.frame.film, fits.frame.scan
    used = np.flatnonzero(patches.used & np.isfinite(patches.dn))
    slopes = [_slope_at(fits.tone.strips[patches.strip[row]].density_of_dn, patches.dn[row]) for row in used]
    area_mm2 = scan.sample_mm * scan.line_mm
    grain = None if film.granularity is None else selwyn_variance(film.granularity, area_mm2)
    return SampleNoise(patches.density[used], patches.scatter_dn[used] * np.array(slopes), grain)


def _slope_at(density_of_dn: NDArray[np.float32], dn: float) -> float:
    """|dD/dDN| of a table at a DN, over a 256th of its length: the rounding of its values spoils single steps."""
    reach = max(1, density_of_dn.size // 512)
    low, high = (int(np.clip(round(dn) + side * reach, 0, density_of_dn.size - 1)) for side in (-1, 1))
    return abs(float(density_of_dn[high]) - float(density_of_dn[low])) / (high - low)


def film_pair(fits: FrameFits, raw: NDArray[np.float32], pictures: FilmPictures) -> PicturePair:
    """The frame as read out and as calibrated, both shown with the bright parts of the Moon bright."""
    density = pictures.density.picture
    curve = fits.frame.film.characteristic.density
    bright_is_dense = curve[-1] > curve[0]
    dn_with_density = np.median([tone.rising for tone in fits.tone.strips]) > 0.5
    return PicturePair(
        title="the assembled film",
        before=raw if dn_with_density == bright_is_dense else -raw,
        after=density if bright_is_dense else -density,
        before_caption="as read out, strips at their nominal places",
        after_caption="density, straightened and joined",
    )


def quality_pictures(film: FilmPictures, made: MapPictures) -> tuple[QualityPicture, ...]:
    """Small pictures of the quality bits of film and map."""
    return tuple(
        QualityPicture(title, quality.picture, quality.shares, backdrop.picture)
        for title, quality, backdrop in (
            ("film", film.quality, film.density),
            ("map", made.quality, made.reflectance),
        )
    )


def globe_of(maker: MapMaker) -> Globe | None:
    """The frame's place on the Moon; None if it shows nothing of it."""
    view = maker.where.view
    ring, region = footprint_ring(view), visible_region(view)
    if ring is None or region is None:
        return None
    center, camera = moon_to_ground(region.center), moon_to_ground(view.pose.position_km)
    return Globe(
        center_deg=((float(center.lon_deg) + 180) % 360 - 180, float(center.lat_deg)),
        camera_deg=(float(camera.lon_deg), float(camera.lat_deg)),
        sun_deg=maker.fits.sun.subsolar_deg,
        footprint_lon_deg=ring.lon_deg,
        footprint_lat_deg=ring.lat_deg,
    )


def map_picture(maker: MapMaker, pictures: MapPictures) -> MapPicture | None:
    """Small pictures of the map products with the frame's outline; None if it shows nothing of the Moon."""
    ring = footprint_ring(maker.where.view)
    if ring is None:
        return None
    reflectance, sigma = pictures.reflectance.picture, pictures.sigma.picture
    known = reflectance > 0
    share = sigma[known] / reflectance[known]
    said = f"median {100 * np.median(share):.2g} % of the reflectance" if share.size else ""
    layers = (
        MapLayer("reflectance", reflectance, "radiance factor"),
        MapLayer("at standard geometry", pictures.normal.picture, "radiance factor"),
        MapLayer("1-sigma", sigma, "radiance factor", said),
    )
    grid = maker.grid
    return MapPicture(layers, grid.bounds_m, grid.wkt, grid.crs, ring.lon_deg, ring.lat_deg)


def map_item(maker: MapMaker, out: Path, version: str) -> MapItem:
    """Contents of item.json."""
    fits, grid, view = maker.fits, maker.grid, maker.where.view
    ring = footprint_ring(view)
    empty = np.zeros(0)
    code = grid.crs if grid.crs.upper().startswith("IAU_2015:") else None
    return MapItem(
        frame=fits.frame.name,
        mid_time=fits.frame.exposure.mid_time,
        footprint_lon_deg=empty if ring is None else ring.lon_deg,
        footprint_lat_deg=empty if ring is None else ring.lat_deg,
        place=MapPlace(grid.wkt, code, grid.shape, grid.center_transform, grid.pixel_m),
        center=center_light(maker.where.view, maker.fits.sun),
        uncertainty=place_uncertainty(fits, view),
        assets=[asset for asset in (*ASSETS, *ANGLE_ASSETS) if (out / asset.href).exists()],
        version=version,
    )


def facts_of(fits: FrameFits, maker: MapMaker) -> list[tuple[str, str]]:
    """Facts about the frame and the place of its map, as label and text."""
    grid = maker.grid
    rows = [
        *summary(fits.frame),
        *light_facts(fits.frame, fits.sun, maker.where.view),
        ("map grid", f"{grid.crs}, {grid.rows} x {grid.columns} pixels of {grid.pixel_m:.6g} m"),
        *terrain_facts(maker.where.view, grid.pixel_m),
    ]
    if fits.resection is not None:
        moved_m = 1e3 * float(np.linalg.norm(fits.pose.position_km - fits.given_pose.position_km))
        rows.append(
            ("pointing refined", f"by {int(fits.resection.used.sum())} control points; camera moved {moved_m:.3g} m")
        )
    known = place_uncertainty(fits, maker.where.view)
    if known is not None and known.on_moon[0]:
        axes = f"{known.semi_major_m[0]:.3g} x {known.semi_minor_m[0]:.3g} m"
        rows.append(("place on the ground", f"1-sigma {axes} at the centre"))
    return rows
