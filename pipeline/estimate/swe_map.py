"""The map of a basin day, and what is published of it: variables, totals with their errors, sites, skill and models."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.estimate.day_inputs import DayInputs
from snowtally.model.day import Day
from snowtally.model.variables import MISSING_CLASS, SOURCE_FLAGS, VARIABLES
from snowtally.snow.blend import Blend
from snowtally.snow.density import BulkDensity, Locations
from snowtally.snow.flight_swe import Flown
from snowtally.snow.site_gains import gains_of
from snowtally.snow.skill import density_skill, site_table, swe_skill
from snowtally.snow.terrain_balance import Background
from snowtally.statistics.errors import ErrorPart, KrigedPart, VolumeCovariance, volume_covariance
from snowtally.statistics.intervals import censored_quantile
from snowtally.statistics.totals import ZoneBands, covariance_rows, totals_rows


@dataclass(frozen=True)
class SweMap:
    """SWE of the whole grid on the day.

    Parameters
    ----------
    swe_mm, se_mm : mean and standard error, mm, (y, x).
    covered : snow-covered share, (y, x).
    parts : error parts.
    flown : the day's own flight, None where there was none.
    """

    swe_mm: np.ndarray
    se_mm: np.ndarray
    covered: np.ndarray
    parts: list[ErrorPart | KrigedPart]
    flown: Flown | None


@dataclass(frozen=True)
class MapOfDay:
    """The map of a day with all that it was made from.

    Parameters
    ----------
    inputs : with what was derived of them.
    cells : the grid's cells as the background takes them.
    today : the map.
    background, density : the models behind it.
    """

    inputs: DayInputs
    cells: xr.Dataset
    today: SweMap
    background: Background | Blend
    density: BulkDensity


def day_of(day_map: MapOfDay) -> Day:
    """Return the day as published, on the basin's bounding box."""
    inputs, today, background, density = day_map.inputs, day_map.today, day_map.background, day_map.density
    gains = gains_of(inputs.ground)
    fields = published_fields(today, density, inputs)
    units = ZoneBands(inputs.day.basin_id, inputs.basin.zone_ids, inputs.basin.bands)
    covariance = zone_band_covariance(today, fields, units, inputs.basin.grid.cell_m)
    blend = background if isinstance(background, Blend) else None
    sites = site_table(inputs.ground, today, inputs.day.date, None if blend is None else blend.without_)
    skill = pd.concat(
        [
            density_skill(density),
            *([] if blend is None else [blend.skill()]),
            # Beside the candidates' own rows the one of the whole is the blend's, whichever of them was taken.
            swe_skill(sites, "blend" if blend is not None and len(blend.candidates) > 1 else _name(today, background)),
        ]
    )
    grid, window = inputs.basin.grid.window(fields["cell_area"].to_numpy() > 0)
    return Day(
        basin_id=inputs.day.basin_id,
        title=inputs.title,
        date=inputs.day.date,
        noon_utc=inputs.noon_utc,
        grid=grid,
        zones=inputs.basin.zones,
        bands=inputs.basin.bands,
        fields=fields.isel(y=window[0], x=window[1]),
        totals=totals_rows(fields, units, covariance.total, inputs.day.date),
        totals_covariance=covariance_rows(fields, units, covariance.total),
        sites=sites,
        checks=inputs.checks,
        skill=skill.reset_index(drop=True),
        models={
            "density": density.parameters(),
            "blend": {"name": _name(today, background)} | background.parameters(),
            "flights": inputs.flight_figures,
            **({} if gains is None else {"site_gains": gains.parameters()}),
            "errors": {
                "factor": 1.0 if blend is None else round(blend.factor_, 4),
                "budget_by_zone": {zone_id: covariance.budget(units.of_zone(zone_id)) for zone_id in units.zones},
            },
        },
        error_budget=covariance.budget(),
    )


def published_fields(today: SweMap, density: BulkDensity, inputs: DayInputs) -> xr.Dataset:
    """Return the published variables on (y, x), unrounded.

    They lie on the grid with its margin, in the units of `variables.VARIABLES`.

    Parameters
    ----------
    today : the map.
    density : the model fitted for the day.
    inputs : of these the grid and the terrain: elevation (m), cell_area (m2; 0 outside the basin), zone, band and what the density
        model asks for.

    Notes
    -----
    A trace that the archive rounds to nothing is nothing, so that no density, depth or cover stands where no snow does; and where
    snow stands, it covers at least the least share that the archive tells.
    """
    terrain = inputs.basin.terrain
    inside = terrain["cell_area"].to_numpy() > 0
    swe, se, covered = (field[inside] for field in (today.swe_mm, today.se_mm, today.covered))
    swe = np.where(swe > VARIABLES["swe"].step / 2, swe, 0.0)
    snowy = swe > 0
    predicted = density.predict_from_swe(swe, Locations.of_terrain(terrain, inside))
    rho, rho_se = predicted.mean, predicted.standard_error()
    depth = swe / rho
    with np.errstate(divide="ignore", invalid="ignore"):
        # SWE's error holds that of density; depth = SWE / density is at least as uncertain as the two are apart.
        depth_se = np.where(snowy, depth * np.hypot(se / swe, rho_se / rho), se / rho)
    source = np.where(snowy, SOURCE_FLAGS["blended"], SOURCE_FLAGS["no_snow"])
    if today.flown is not None:
        measured = today.flown.seen[inside] & snowy
        depth = np.where(measured, today.flown.depth_m[inside], depth)
        depth_se = np.where(measured, today.flown.depth_se_m[inside], depth_se)
        rho = np.where(measured, swe / np.where(measured, depth, 1.0), rho)
        source = np.where(measured, SOURCE_FLAGS["flight"], source)
    values = {
        "swe": swe,
        "swe_se": se,
        "swe_p10": censored_quantile(swe, se, 0.1),
        "swe_p90": censored_quantile(swe, se, 0.9),
        "depth": depth,
        "depth_se": depth_se,
        # Where no snow lies there is nothing to be dense.
        "density": np.where(snowy, rho, np.nan),
        "density_se": np.where(snowy, rho_se, np.nan),
        "snow_cover": np.where(snowy, np.maximum(covered, VARIABLES["snow_cover"].step), 0.0),
        "elevation": terrain["elevation"].to_numpy()[inside],
        "cell_area": terrain["cell_area"].to_numpy()[inside],
    }
    classes = {
        "source": source,
        "zone": terrain["zone"].to_numpy()[inside],
        "elevation_band": terrain["band"].to_numpy()[inside],
    }
    fields = {name: _on_grid(value, inside, np.nan) for name, value in values.items()}
    fields |= {name: _on_grid(value.astype("i4"), inside, MISSING_CLASS) for name, value in classes.items()}
    return xr.Dataset({name: (("y", "x"), field) for name, field in fields.items()}, coords=terrain["elevation"].coords)


def _on_grid(values: np.ndarray, inside: np.ndarray, missing: float) -> np.ndarray:
    """Return (n,) values of the cells inside the basin on (y, x)."""
    field = np.full(inside.shape, missing, values.dtype)
    field[inside] = values
    return field


def _name(today: SweMap, background: Background | Blend) -> str:
    return "flight" if today.flown is not None else background.name


def zone_band_covariance(today: SweMap, fields: xr.Dataset, units: ZoneBands, cell_m: float) -> VolumeCovariance:
    """Return the covariance of the zone-bands' volumes, m6.

    Parameters
    ----------
    today : the map, of whose error parts it is made.
    fields : zone, elevation_band and cell_area (m2) on (y, x).
    units : the basin's zones and bands.
    cell_m : side of a cell, m.
    """
    number = units.numbers(fields["zone"].to_numpy(), fields["elevation_band"].to_numpy())
    return volume_covariance(today.parts, fields["cell_area"].to_numpy(), number, units.count, cell_m)
