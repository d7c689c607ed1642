"""Limits of the course checks, as part of the settings' block `checks`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from snowtally.sites.limits import SnowLimits


class CourseLimits(SnowLimits):
    """Limits of the course checks. docs/checks.md gives the reason and source of each.

    Parameters
    ----------
    core_over_depth : a core longer than this multiple of the depth was measured wrongly.
    core_under_depth : a core shorter than this share of the depth is noted.
    point_outlier_mad : a point's density is doubted this many robust standard deviations from its course's median.
    mix_up_odds : a slip of unit or tare must explain a sheet so many times better than snow does.
    course_outlier_sd : a course further from what is expected than so many standard deviations is doubted.
    neighbour_elevation_m, neighbour_days : sites within these of a course and its visit are its neighbours, m and days.
    nominal_days : a true date further from the nominal one contradicts it, days.
    few_points : a visit with fewer points is noted.
    thin_snow_m : a visit with less mean depth is noted, m.
    bulk_swe_mm : below this much SWE cores are better weighed together, mm.
    """

    core_over_depth: Annotated[float, Field(ge=1)] = 1.03
    core_under_depth: Annotated[float, Field(ge=0, le=1)] = 0.8
    point_outlier_mad: Annotated[float, Field(gt=0)] = 3.5
    mix_up_odds: Annotated[float, Field(gt=1)] = 150.0
    course_outlier_sd: Annotated[float, Field(gt=0)] = 3.5
    neighbour_elevation_m: Annotated[float, Field(gt=0)] = 300.0
    neighbour_days: Annotated[float, Field(ge=0)] = 12.0
    nominal_days: Annotated[float, Field(gt=0)] = 20.0
    few_points: Annotated[int, Field(ge=1)] = 5
    thin_snow_m: Annotated[float, Field(ge=0)] = 0.05
    bulk_swe_mm: Annotated[float, Field(ge=0)] = 50.8
