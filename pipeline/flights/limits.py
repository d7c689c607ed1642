"""Limits on what a flight may say: the one place of their defaults, as a block of the settings."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from snowtally.model.block import Block


class FlightLimits(Block):
    """Limits on what a flight may say.

    Parameters
    ----------
    least_depth_m : pixels below are outliers, m; small negative depths are noise about zero and stay.
    most_depth_m : pixels above are outliers, m: no drift of the basin is deeper.
    least_valid_fraction : a cell seen less is left to the background; a flight without a cell seen so much is refused.
    most_shift_m : a registration that moves a surface further has found something else than a shift, m (surveys are
        placed to a few metres).
    most_nmad_m : stable ground that differs by more after registration is not stable, or the surfaces are not of one
        place, m.
    most_terrain_nmad_m : surfaces that differ from the terrain by more, lifted as a whole or not, lie elsewhere, m: a
        terrain of 100 m cells smooths steep ground by some 10 to 20 m, another place differs by its relief.
    vertical_offset_m : a lift found by registration beyond this is told as a difference of height systems, m: surveys
        in one system agree to a few decimetres, geoid and ellipsoid are tens of metres apart.
    most_canopy : pixels under a denser canopy (cover fraction) are not used; 1 keeps all.
    fit_tilt : whether registration takes out a plane besides the shift and the lift.
    """

    least_depth_m: float = -1.0
    most_depth_m: Annotated[float, Field(gt=0)] = 12.0
    least_valid_fraction: Annotated[float, Field(ge=0, le=1)] = 0.5
    most_shift_m: Annotated[float, Field(gt=0)] = 20.0
    most_nmad_m: Annotated[float, Field(gt=0)] = 0.5
    most_terrain_nmad_m: Annotated[float, Field(gt=0)] = 60.0
    vertical_offset_m: Annotated[float, Field(gt=0)] = 1.0
    most_canopy: Annotated[float, Field(ge=0, le=1)] = 1.0
    fit_tilt: bool = False
