"""What snow can be: limits that courses, stations and overrides share, as part of the settings' block `checks`."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from snowtally.model.block import Block


class SnowLimits(Block):
    """Believable depth, SWE and density. docs/checks.md gives the reason and source of each.

    Parameters
    ----------
    density_low_kg_m3, density_high_kg_m3 : believable bulk density, kg/m3; ice has 917.
    density_least_depth_m : in snow no deeper than this SWE over depth is no density, m.
    swe_high_mm, depth_high_m : more than any snowpack of the basin, mm and m.
    """

    density_low_kg_m3: Annotated[float, Field(gt=0)] = 50.0
    density_high_kg_m3: Annotated[float, Field(gt=0, le=917)] = 600.0
    density_least_depth_m: Annotated[float, Field(ge=0)] = 0.2
    swe_high_mm: Annotated[float, Field(gt=0)] = 4000.0
    depth_high_m: Annotated[float, Field(gt=0)] = 12.0

    @model_validator(mode="after")
    def _low_below_high(self) -> Self:
        if self.density_low_kg_m3 >= self.density_high_kg_m3:
            raise ValueError("density_low_kg_m3 must be below density_high_kg_m3")
        return self
