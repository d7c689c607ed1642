"""Checks that judge each course sample by itself or by its visit's others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.courses.context import READING_DEPTH_M, READING_SWE_MM
from snowtally.courses.dates import said_dates
from snowtally.courses.findings import figures
from snowtally.courses.limits import CourseLimits
from snowtally.model.rules import courses as rules
from snowtally.model.rules.rule import Rule

PHYSICAL_DENSITY = (4.0, 917.0)
"""Least density ever measured of snow, and that of ice, kg/m3 (AMS Glossary of Meteorology, 'snow density'; 917 is pure ice)."""


POINT_MARGIN = 1.25
"""A single core may lie so much beyond the believable limits of a course's mean: points spread by 8 to 12 % about it."""


SOIL_WORDS = r"\b(?:soil|mud|dirt|earth|turf|plug)\b"
"""Remarks that tell of ground in the tube."""


SOIL_SD = 1.5
"""A core with ground in it is heavier than the others by at least so many robust deviations: less cannot be told."""


@dataclass(frozen=True)
class Breach:
    """The samples that break a rule.

    Parameters
    ----------
    wrong : which samples, as a mask; only those in use count.
    rule : the row of the table of rules; its action says what is done with them.
    evidence : the figures of each sample.
    detail : the rule's message with its values, where it has any.
    """

    wrong: pd.Series
    rule: Rule
    evidence: pd.Series
    detail: str = ""


SampleCheck = Callable[[pd.DataFrame, CourseLimits], Breach]
"""A check of samples: from the samples with `used` and `swe_used`, and the limits, to what breaks its rule."""


def density_kg_m3(samples: pd.DataFrame) -> pd.Series:
    """Return each sample's bulk density in kg/m3, missing without depth or snow."""
    return samples["swe_mm"] / samples["depth_m"].where(samples["depth_m"] > 0)


def far_from_nominal(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the samples whose date and nominal date contradict each other.

    A survey for the first of the month is made up to a week before or after it and keeps its true date. Further apart, one of the
    two dates is wrong and nobody can tell which.
    """
    apart = (samples["date"] - samples["nominal_date"]).abs()
    return Breach(
        wrong=apart > pd.Timedelta(days=limits.nominal_days),
        rule=rules.DATE_FAR_FROM_NOMINAL,
        evidence=said_dates(samples),
        detail=rules.DATE_FAR_FROM_NOMINAL.says(days=limits.nominal_days),
    )


def tube_fuller_when_empty(samples: pd.DataFrame, _limits: CourseLimits) -> Breach:
    """Return the cores whose tube weights cannot be right.

    The full tube weighs less than the empty one. Or the empty weight is not above 0, or it is missing where the sheet
    gives no SWE either.
    """
    full, empty = samples["mass_full_g"], samples["mass_empty_g"]
    return Breach(
        # SWE from the sheet stands beside the weights and does not come from them.
        wrong=(full.notna() & ((empty <= 0) | (empty.isna() & samples["swe_mm"].isna()))) | (full < empty),
        rule=rules.TUBE_FULLER_WHEN_EMPTY,
        evidence=full.map("full {:.0f} g, ".format) + empty.map("empty {:.0f} g".format),
    )


def negative(samples: pd.DataFrame, _limits: CourseLimits) -> Breach:
    """Return the samples with a depth or SWE below 0."""
    return Breach(
        wrong=(samples["depth_m"] < 0) | (samples["swe_used"] & (samples["swe_mm"] < 0)),
        rule=rules.NEGATIVE,
        evidence=figures(samples),
    )


def water_without_depth(samples: pd.DataFrame, _limits: CourseLimits) -> Breach:
    """Return the samples with water at depth 0."""
    # A bulk row weighs many thin cores: its depth is often not noted, and its SWE stands by itself. A trace that a scale
    # shows where the stake reads nothing is no contradiction.
    return Breach(
        wrong=samples["swe_used"] & (samples["swe_mm"] > READING_SWE_MM) & (samples["depth_m"] == 0),
        rule=rules.WATER_WITHOUT_DEPTH,
        evidence=figures(samples),
    )


def depth_without_water(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the samples with SWE 0 in deep snow."""
    least = limits.density_low_kg_m3 * (samples["depth_m"] - READING_DEPTH_M)
    return Breach(
        wrong=samples["swe_used"] & (samples["swe_mm"] == 0) & (least > READING_SWE_MM),
        rule=rules.DEPTH_WITHOUT_WATER,
        evidence=figures(samples),
    )


def too_much(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the samples with more snow than the basin has."""
    return Breach(
        wrong=(samples["swe_used"] & (samples["swe_mm"] > limits.swe_high_mm))
        | (samples["depth_m"] > limits.depth_high_m),
        rule=rules.OUT_OF_RANGE,
        evidence=figures(samples),
        detail=rules.OUT_OF_RANGE.says(depth_m=limits.depth_high_m, swe_mm=limits.swe_high_mm),
    )


def impossible_density(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the samples whose density no snow has."""
    density = density_kg_m3(samples).where(samples["swe_used"])
    # The lightest and densest that reading stake and scale leave open: thin snow is read coarsely.
    depth, swe = samples["depth_m"], samples["swe_mm"]
    most = (swe + READING_SWE_MM) / (depth - READING_DEPTH_M).where(depth > READING_DEPTH_M)
    least = (swe - READING_SWE_MM) / (depth + READING_DEPTH_M)
    visit = [samples["site_id"], samples["date"]]
    courses = density.groupby(visit).transform("median")
    low, high = limits.density_low_kg_m3, limits.density_high_kg_m3
    beside = density.groupby(visit).transform("count") > 1
    margin = np.where(beside & courses.between(low, high), POINT_MARGIN, 1.0)
    wrong = (most < np.maximum(low / margin, PHYSICAL_DENSITY[0])) | (
        least > np.minimum(high * margin, PHYSICAL_DENSITY[1])
    )
    return Breach(
        wrong=wrong & density.notna(),
        rule=rules.IMPOSSIBLE_DENSITY,
        evidence=density.map("density {:.0f} kg/m3, ".format) + figures(samples),
        detail=rules.IMPOSSIBLE_DENSITY.says(low=low, high=high),
    )


def long_core(samples: pd.DataFrame, limits: CourseLimits) -> pd.Series:
    """Return which cores are longer than the snow is deep."""
    return samples["core_m"] > limits.core_over_depth * samples["depth_m"] + READING_DEPTH_M


def soil_in_the_core(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the cores with ground in them."""
    density = density_kg_m3(samples).where(samples["swe_used"])
    visit = density.groupby([samples["site_id"], samples["date"]])
    middle = visit.transform("median")
    spread = 1.4826 * (density - middle).abs().groupby([samples["site_id"], samples["date"]]).transform("median")
    heavy = density - middle > SOIL_SD * np.maximum(spread, 0.05 * middle)
    remarked = samples["remark"].str.contains(SOIL_WORDS, case=False, regex=True)
    return Breach(
        wrong=heavy & (long_core(samples, limits) | remarked),
        rule=rules.SOIL_IN_CORE,
        evidence=density.map("density {:.0f} kg/m3, ".format)
        + middle.map("course median {:.0f} kg/m3, ".format)
        + samples["core_m"].map("core {:.2f} m, ".format)
        + figures(samples),
    )


def core_longer_than_depth(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the cores longer than the snow is deep."""
    return Breach(
        wrong=long_core(samples, limits) & samples["swe_used"],
        rule=rules.CORE_LONGER_THAN_DEPTH,
        evidence=samples["core_m"].map("core {:.2f} m, ".format) + figures(samples),
    )


def core_much_shorter(samples: pd.DataFrame, limits: CourseLimits) -> Breach:
    """Return the cores much shorter than the snow is deep."""
    short = samples["core_m"] + READING_DEPTH_M < limits.core_under_depth * samples["depth_m"]
    return Breach(
        wrong=short & samples["swe_used"] & (samples["core_m"] > 0),
        rule=rules.CORE_MUCH_SHORTER,
        evidence=samples["core_m"].map("core {:.2f} m, ".format) + figures(samples),
    )


GROSS_CHECKS: tuple[SampleCheck, ...] = (
    far_from_nominal,
    tube_fuller_when_empty,
    negative,
    water_without_depth,
    depth_without_water,
)
"""Checks that run before visits are compared, in order. What they set aside is no evidence."""

FINE_CHECKS: tuple[SampleCheck, ...] = (
    too_much,
    impossible_density,
    soil_in_the_core,
    core_longer_than_depth,
    core_much_shorter,
)
"""Checks that run after sheets with a slip and odd points are set aside, in order."""
