"""Rules on slips that are made once, when a basin is set up, and would be silent ever after."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules.rule import DEFINITION, Action, Degrades, Rule, Severity

CLOCK_FAR_OFF = Rule(
    "wrong UTC offset",
    ("settings",),
    Severity.ERROR,
    Action.USED,
    "`basin.utc_offset_hours` further than 3.5 h from longitude / 15, or nearer to it with the other sign",
    "no standard time is so far from the sun: its readings would be of other days",
    message="the sun's time in the basin is {sun:+.1f} h from UTC, so that a standard time of about {likely:+.0f} is likely: mend "
    "basin.utc_offset_hours in the settings{sign}",
    degrades=Degrades("has a clock that the basin's longitude contradicts"),
)
CLOCK_OFF = replace(
    CLOCK_FAR_OFF,
    name="unusual UTC offset",
    severity=Severity.WARNING,
    looks_at="`basin.utc_offset_hours` further than 2 h from longitude / 15",
    why="few standard times are so far from the sun, such as those of the west of a wide country",
    degrades=None,
)

MISPLACED_SITES = Rule(
    "misplaced sites",
    ("sites",),
    Severity.ERROR,
    Action.SET_ASIDE,
    "sites outside the margin that stand in it, and at their stated elevation within `checks.site_elevation_m`, with longitude and latitude "
    "exchanged or a minus put before or taken away",
    "a slip of the pen explains them",
    message="{slip}: mend longitude and latitude in the sites table",
    degrades=Degrades("has sites whose longitude and latitude are exchanged or lack a minus"),
)

SITE_TWICE = Rule(
    "site under two names",
    ("sites",),
    Severity.ERROR,
    Action.USED,
    "two sites of one kind at one place, as exactly as their coordinates are stated, with the same readings on nine of ten of ten days and more, "
    "or two visits",
    "one measurement would count twice",
    message="'{site_id}' is '{other}' under another name: take one of them out of the sites table, or give it the other's site_id",
    degrades=Degrades("counts one site twice, under two names"),
)

MIXED_UNITS = Rule(
    "mixed units",
    ("stations",),
    Severity.ERROR,
    Action.USED,
    "a station whose SWE or depth is by a factor of 2.54, 10 or 25.4 other than its density and the other stations' tell",
    "one station of a file is in another unit than the others",
    message="'{site_id}' looks as if its {key} were in {unit}, unlike the rest: give it a file and an entry of formats.stations of its own, "
    "with columns: {{{key}: {{unit: {unit}}}}}",
    degrades=Degrades("looks as if it were in another unit than the rest"),
)

COURSES_IN_ANOTHER_UNIT = Rule(
    "courses in another unit",
    ("courses",),
    Severity.ERROR,
    Action.USED,
    "a course file, or a round of one, whose SWE is by a factor of 2.54, 10 or 25.4 other than that of four and more other places at its "
    "elevation, or than its own other rounds, while its density is right; four courses and more, before the melt: 150 to 1",
    "depth and SWE are in one wrong unit together, so that no sheet shows it by itself",
    message="depth and SWE look like {slip}: look at the sheets, and mend the file or declare the unit of both under formats.courses. It may "
    "also be that the other places are {turned}",
    degrades=Degrades("looks as if depth and SWE were both in another unit"),
)

TIMES_AGAINST_SUN = Rule(
    "times against the sun",
    ("stations",),
    Severity.ERROR,
    Action.USED,
    "the air temperature of two stations and more of a file, over 20 days and more of four readings, is highest four hours and more from "
    "half past two of the sun's time, at all of them alike",
    "air is warmest two to three hours after noon; slope and shade move that by up to two hours",
    message="the times of this file are about {hours} h too {about}. Look whether they are UTC or local time, whatever a header says, and "
    "declare it under formats.stations: `clock: 0` is UTC, `clock: -7` is seven hours west of it",
    degrades=Degrades("has times that its air temperature contradicts"),
)
TIMES_AGAINST_SUN_ONE = replace(
    TIMES_AGAINST_SUN,
    name="one station's times against the sun",
    severity=Severity.WARNING,
    looks_at="the same of a file with one such station",
    why="one station may have a wrong clock of its own",
    degrades=None,
)
SUMMER_TIME = Rule(
    "summer time",
    ("stations",),
    Severity.NOTE,
    Action.USED,
    "the warmest hour of a file's stations moves by 0.6 to 1.5 h, the right way, on a Sunday on which clocks change, two weeks before against "
    "two weeks after, and by four times what it moves by on other days",
    "the sun does not change its clock",
    message="the times may be put forward in summer. If they are, declare the zone's name under formats.stations, such as `clock: Area/City`; "
    "if not, nothing is to be done",
)

UNDECLARED_VOIDS = Rule(
    "undeclared voids",
    ("terrain",),
    Severity.ERROR,
    Action.USED,
    "one height, such as 0 or 9999, that stands by itself among others: nine of ten of its borders are steps of more than 100 m and half a pixel",
    "no ground has such an edge all around; water lies as low as its shore",
    message="look whether {heights} means that nothing was measured there: then declare terrain.voids: [{heights}] in the settings",
    degrades=Degrades("has ground that looks like undeclared voids"),
)
UNDECLARED_VOIDS_OUTSIDE = replace(
    UNDECLARED_VOIDS,
    name="undeclared voids outside",
    severity=Severity.WARNING,
    looks_at="such heights outside the basin, within its margin",
    why="sites there would be placed wrongly",
    degrades=None,
)

TERRAIN_IN_FEET = Rule(
    "terrain against the sites",
    ("terrain",),
    Severity.ERROR,
    Action.USED,
    "stated elevations, two and more, of which three quarters lie within 5 % of the terrain's over 3.28",
    "there are 3.28 feet in a metre",
    DEFINITION,
    "the terrain is in feet, it seems, and does not say so: declare terrain.elevation_unit: foot in the settings",
    degrades=Degrades("contradicts the elevations of the sites"),
)
SITES_IN_FEET = replace(
    TERRAIN_IN_FEET,
    name="elevations in feet",
    tables=("sites",),
    severity=Severity.WARNING,
    looks_at="stated elevations, two and more, of which three quarters lie within 5 % of 3.28 times the terrain's",
    message="the sites' elevations are in feet, it seems: declare columns: {sites: {elevation: {unit: foot}}} in the settings",
    degrades=None,
)
