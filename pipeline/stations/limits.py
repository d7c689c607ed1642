"""Limits of the station checks: the settings' block `stations`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from snowtally.model.block import Block


@dataclass(frozen=True)
class AirLimits:
    """Thresholds of the check on air temperature.

    The reasons and sources are in docs/checks.md.

    Parameters
    ----------
    off_k : a daily mean further than this from what the neighbours make of it is wrong, K.
    inversion_k : most that is added to `off_k` where a low record is colder, or a high one warmer, than expected, K.
    """

    off_k: float
    inversion_k: float


@dataclass(frozen=True)
class Rates:
    """Greatest changes of snow in an hour and a day.

    Rises and falls are both positive, in the quantity's unit.
    """

    rise_hour: float
    rise_day: float
    fall_hour: float
    fall_day: float


class StationLimits(Block):
    """When a station counts as silent, and what its readings can do. docs/checks.md gives the reason and source of each.

    Parameters
    ----------
    silent_days : a station without a reading for longer is silent, days.
    flat_line_days : a winter reading that does not move at all for so long is a stuck sensor, days.
    snowfall_mm_hour, snowfall_mm_day, melt_mm_hour, melt_mm_day : greatest rise and fall of SWE, mm.
    depth_rise_m_hour, depth_rise_m_day, depth_fall_m_hour, depth_fall_m_day : greatest rise and fall of depth, m.
    step_mm : smallest change of SWE in quiet weather that is a shift of the sensor, mm.
    zero_drift_mm : a zero on bare ground further off than this has drifted, mm.
    air_off_k : a daily mean air temperature further than this from what the neighbours make of it is wrong, K.
    inversion_k : and by so much more where it lies lower and is colder, or higher and warmer, K.
    catch_factor : a gauge's four weeks so many times the neighbours', or one part in so many, are wrong.
    """

    silent_days: Annotated[float, Field(gt=0)] = 5.0
    flat_line_days: Annotated[float, Field(gt=0)] = 4.0
    snowfall_mm_hour: Annotated[float, Field(gt=0)] = 20.0
    snowfall_mm_day: Annotated[float, Field(gt=0)] = 120.0
    melt_mm_hour: Annotated[float, Field(gt=0)] = 10.0
    melt_mm_day: Annotated[float, Field(gt=0)] = 100.0
    depth_rise_m_hour: Annotated[float, Field(gt=0)] = 0.2
    depth_rise_m_day: Annotated[float, Field(gt=0)] = 1.5
    depth_fall_m_hour: Annotated[float, Field(gt=0)] = 0.12
    depth_fall_m_day: Annotated[float, Field(gt=0)] = 0.5
    step_mm: Annotated[float, Field(gt=0)] = 20.0
    zero_drift_mm: Annotated[float, Field(gt=0)] = 20.0
    air_off_k: Annotated[float, Field(gt=0)] = 15.0
    inversion_k: Annotated[float, Field(ge=0)] = 20.0
    catch_factor: Annotated[float, Field(gt=1)] = 5.0

    @property
    def swe_rates(self) -> Rates:
        """What SWE can do in an hour and in a day, mm."""
        return Rates(self.snowfall_mm_hour, self.snowfall_mm_day, self.melt_mm_hour, self.melt_mm_day)

    @property
    def depth_rates(self) -> Rates:
        """What depth can do in an hour and in a day, m."""
        return Rates(self.depth_rise_m_hour, self.depth_rise_m_day, self.depth_fall_m_hour, self.depth_fall_m_day)

    @property
    def air(self) -> AirLimits:
        """How far air temperatures may lie from the neighbours'."""
        return AirLimits(self.air_off_k, self.inversion_k)
