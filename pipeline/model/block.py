"""The base of every block of the settings, and of the limits that are one."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Block(BaseModel):
    """A block of the settings.

    An unknown key is an error. Nobody can change a value.
    """

    # Deferred: a block is mostly read as a part of the whole settings, whose checks hold those of the parts.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)
