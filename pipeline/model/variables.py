"""The published variables: one table of names, units, CF standard names and the step to which values are rounded."""

from __future__ import annotations

from dataclasses import dataclass

TENTH, HUNDREDTH, THOUSANDTH = 2.0**-3, 2.0**-7, 2.0**-10
"""Steps of stored values, about a tenth, a hundredth and a thousandth of a unit. Powers of two: they take two thirds of the room that
decimals take, and less time to deflate, as a step has few digits in binary too. Accuracy and cost alone."""


@dataclass(frozen=True)
class Variable:
    """One variable of a published day.

    Parameters
    ----------
    name : name in `estimate.nc`.
    units : units as UDUNITS spells them.
    long_name : what it is, for people.
    standard_name : CF standard name, with modifier where it has one; empty where CF has no name for it, as for a quantile:
        no two variables share one, so that a search by standard name finds one.
    step : stored values are rounded to this step (`TENTH` mm, `THOUSANDTH` m and `TENTH` kg/m3 are below any instrument).
    content : ACDD coverage content type.
    """

    name: str
    units: str
    long_name: str
    standard_name: str = ""
    step: float = 1.0
    content: str = "modelResult"

    @property
    def dated(self) -> bool:
        """Whether it is of the date, and not of the ground."""
        return self.content != "auxiliaryInformation"


_SWE = "lwe_thickness_of_surface_snow_amount"

VARIABLES: dict[str, Variable] = {
    v.name: v
    for v in (
        Variable("swe", "mm", "snow water equivalent, mean of the cell", _SWE, TENTH),
        Variable(
            "swe_se",
            "mm",
            "standard error of the snow water equivalent",
            f"{_SWE} standard_error",
            TENTH,
            "qualityInformation",
        ),
        Variable("swe_p10", "mm", "snow water equivalent with a 10 % chance of less", "", TENTH, "qualityInformation"),
        Variable("swe_p90", "mm", "snow water equivalent with a 90 % chance of less", "", TENTH, "qualityInformation"),
        Variable("depth", "m", "snow depth, mean of the cell", "surface_snow_thickness", THOUSANDTH),
        Variable(
            "depth_se",
            "m",
            "standard error of the snow depth",
            "surface_snow_thickness standard_error",
            THOUSANDTH,
            "qualityInformation",
        ),
        Variable("density", "kg m-3", "bulk density of the snow", "surface_snow_density", TENTH),
        Variable(
            "density_se",
            "kg m-3",
            "standard error of the bulk density",
            "surface_snow_density standard_error",
            TENTH,
            "qualityInformation",
        ),
        Variable("snow_cover", "1", "fraction of the cell covered by snow", "surface_snow_area_fraction", HUNDREDTH),
        Variable("source", "1", "where the cell's value comes from", "status_flag", 1.0, "qualityInformation"),
        Variable(
            "elevation", "m", "mean ground elevation of the cell", "surface_altitude", TENTH, "auxiliaryInformation"
        ),
        Variable("zone", "1", "zone that holds most of the cell", "", 1.0, "auxiliaryInformation"),
        Variable("elevation_band", "1", "elevation band of the cell's mean elevation", "", 1.0, "auxiliaryInformation"),
        Variable(
            "cell_area",
            "m2",
            "ground area of the part of the cell inside the basin",
            "cell_area",
            TENTH,
            "auxiliaryInformation",
        ),
    )
}

SOURCE_FLAGS = {"flight": 1, "blended": 2, "no_snow": 3}
"""Values of `source`: measured by a flight of the day, blended from earlier flights and sites, no snow."""

MISSING_CLASS = 0
"""Value of `source`, `zone` and `elevation_band` in cells without a part in the basin."""
