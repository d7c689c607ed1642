"""Rules on sites, on the terrain under them, on overrides and on normals."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules.rule import DEFINITION, Action, Degrades, Rule, Severity

_SITES, _TERRAIN, _OVERRIDES = ("sites",), ("terrain",), ("overrides",)
_ROW = "check the site's row: kind (course or station), WGS 84 longitude and latitude, elevation in metres"

UNUSABLE_SITE = Rule(
    "unusable site",
    _SITES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "kind, longitude, latitude or site_id missing or unknown",
    "without them it stands nowhere",
    DEFINITION,
    _ROW,
)

OUTSIDE_THE_MARGIN = Rule(
    "outside the margin",
    _SITES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "coordinates against the grid, which is the basin's box and `basin.margin_m` (5000 m) around it",
    "further away other snow lies",
    message=_ROW,
)

ELEVATION_AGAINST_TERRAIN = Rule(
    "elevation against terrain",
    _SITES,
    Severity.WARNING,
    Action.USED,
    "stated elevation against the terrain's at the coordinates: 150 m (`site_elevation_m`)",
    "a cell's own relief and a coordinate rounded to a hundredth of a minute",
    message=_ROW,
    done="used where its coordinates put it",
)

NO_SITE = Rule(
    "no site",
    _SITES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "no site left",
    "a flight alone still gives an estimate",
    message="{what}. Check longitude and latitude in the sites table, the coordinate system of the zones, and basin.margin_m",
    degrades=Degrades("has no site within the basin's margin"),
)

UNKNOWN_SITE = Rule(
    "unknown site",
    ("courses", "stations"),
    Severity.ERROR,
    Action.SET_ASIDE,
    "rows of a site that is not in the sites table, or outside the margin",
    "nobody can tell where it stands",
    DEFINITION,
    "site '{site_id}' is not in the sites table, or stands outside the basin's margin: add it or mend its place",
)

OUT_OF_SERVICE = Rule(
    "out of service",
    ("courses", "stations"),
    Severity.ERROR,
    Action.SET_ASIDE,
    "rows before `from` or after `until` of the site",
    "the sites table says when a site measured",
    DEFINITION,
    "site '{site_id}' has rows outside its from and until in the sites table: mend the dates of one or the other",
)

TERRAIN_AGAINST_SITES = Rule(
    "terrain against the sites",
    _TERRAIN,
    Severity.ERROR,
    Action.USED,
    "more than half of the stated elevations, of three and more, are off by 150 m (`site_elevation_m`)",
    "then it is the terrain that is wrong",
    message="look whether terrain.elevation is the right file, in metres (terrain.elevation_unit), whether the "
    "sites' elevations are in metres, and whether longitude and latitude are exchanged",
    degrades=Degrades("contradicts the elevations of the sites"),
)

TERRAIN_UNIT = Rule(
    "declared unit",
    _TERRAIN,
    Severity.NOTE,
    Action.CORRECTED,
    "the elevation file declares another unit than metres",
    "the file knows best",
    DEFINITION,
    "turned into metres, as the file declares",
)

TERRAIN_VOIDS = Rule(
    "voids in the terrain",
    _TERRAIN,
    Severity.WARNING,
    Action.CORRECTED,
    "cells of the basin without a height: up to 2 % of its area, up to 1000 m from the next height; beyond, the night stops",
    "small voids lie between known slopes",
    message="filled from the heights around them; give a terrain without voids where bands and slopes matter there",
)

OVERRIDE_SET_ASIDE = Rule(
    "override",
    _OVERRIDES,
    Severity.NOTE,
    Action.SET_ASIDE,
    "an analyst's decision; see [inputs](inputs.md#overrides)",
    "an analyst's word stands before and after the checks",
    DEFINITION,
    done="as it says; a warning where its site is unknown",
)
OVERRIDE_VALUE = replace(OVERRIDE_SET_ASIDE, action=Action.CORRECTED)
OVERRIDE_OF_NO_SITE = replace(OVERRIDE_SET_ASIDE, severity=Severity.WARNING)
OVERRIDE_VALUE_OF_NO_SITE = replace(OVERRIDE_VALUE, severity=Severity.WARNING)

OVERRIDE_ROW_NOT_FOLLOWED = Rule(
    "override not followed",
    _OVERRIDES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a row that says too little, a value for a course, a value that no snow can have",
    "what an analyst decided is not in the estimate",
    DEFINITION,
    "this override is not followed: mend its row",
    degrades=Degrades("holds an override that is not followed", damage=False),
)
OVERRIDE_VALUE_NOT_FOLLOWED = replace(
    OVERRIDE_ROW_NOT_FOLLOWED,
    message="this override is not followed: mend its value, or checks.swe_high_mm and depth_high_m where the basin holds more",
)
OVERRIDE_OF_COURSE_NOT_FOLLOWED = replace(
    OVERRIDE_ROW_NOT_FOLLOWED, message="a course takes no value by hand: mend its sheet"
)

UNUSABLE_NORMAL = Rule(
    "unusable normal",
    ("normals",),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a day that is no month and day, SWE missing or below 0",
    "a normal is the SWE of a day of the year",
    DEFINITION,
    "a normal needs a day written as 04-01 and swe_mm of 0 or more",
)

NORMAL_OF_NO_SITE = Rule(
    "unknown site",
    ("normals",),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a normal of a site that is not in the sites table, nor of a zone, nor the basin's",
    "nothing can be held against it",
    DEFINITION,
    "site_id must be one of the sites table or of the zones, or '{basin_id}' for the basin's mean",
)
