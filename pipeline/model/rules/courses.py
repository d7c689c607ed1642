"""Rules on snow courses, in the order in which they run."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules.rule import DEFINITION, Action, Rule, Severity

_COURSES = ("courses",)

NO_CUTTER_AREA = Rule(
    "no cutter area",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a core's weight without SWE, empty weight or the cutter's area",
    "weight over area is the SWE",
    DEFINITION,
    "a weighed core needs mass_empty_g and cutter_cm2 above 0: write them, or declare a constant under columns.courses",
    "SWE set aside",
)

NO_SITE_OR_DATE = Rule(
    "no site or date",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a row without site_id or date",
    "nobody can tell which visit it belongs to",
    DEFINITION,
    "a sample needs site_id and date",
)

IMPOSSIBLE_DATE = Rule(
    "impossible date",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "the sheet's year: before 1900, after 2199",
    "a slip of the pen; the clock is not asked, so that a night is the same whenever it runs",
    message="nobody surveyed a course before {first} or after {last}: mend the year on the sheet",
)

FUTURE_DATE = Rule(
    "future date",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "date later than the day of the estimate while the nominal date is past, the two 20 days apart (`nominal_days`)",
    "rows of later days are ignored silently; this one claims to belong here",
    message="the sheet's nominal date is past, its date is later than the day of the estimate: mend the date",
)

DATE_FAR_FROM_NOMINAL = Rule(
    "date far from nominal",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "date against nominal date: 20 days (`nominal_days`)",
    "surveys for the first of the month are made up to a week off; a slip of a month is at least 21 days",
    message="date and nominal date lie more than {days:g} days apart, and the day decides where the sample counts: "
    "mend the one that is wrong",
)
DATE_BEFORE_SEASON = replace(
    DATE_FAR_FROM_NOMINAL,
    message="the sheet's nominal date lies in this season, its date before it: mend the year or the month",
)

EMPTY_SAMPLE = Rule(
    "empty sample",
    _COURSES,
    Severity.NOTE,
    Action.SET_ASIDE,
    "neither depth nor SWE",
    "the row says nothing",
    DEFINITION,
    "a sample needs a depth, an SWE, or the weights and the cutter's area",
)

SHEET_SENT_AGAIN = Rule(
    "sheet sent again",
    _COURSES,
    Severity.NOTE,
    Action.SET_ASIDE,
    "half of a sheet's points, at least two, come again in a later file or further on",
    "leaving a point out is a correction too",
    message="the sheet of this course and day came again; the later one is used, and this one stays in the kept rows",
    done="the whole older sheet is set aside, the newer used",
)

POINT_TWICE = Rule(
    "duplicate",
    _COURSES,
    Severity.NOTE,
    Action.SET_ASIDE,
    "one point of a visit twice",
    "the later row is a correction",
    message="the same point of the course stands again further on, and the later one is used",
    done="the later row is used",
)

TUBE_FULLER_WHEN_EMPTY = Rule(
    "wrong tare",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "full weight below empty, no or zero empty weight",
    "a tube weighs something",
    DEFINITION,
    "a tube weighs something and weighs more with snow in it: look for swapped weights or a missing tare",
    "SWE set aside",
    swe_alone=True,
)

TARE_OF_ANOTHER_TUBE = Rule(
    "wrong tare",
    _COURSES,
    Severity.WARNING,
    Action.SET_ASIDE,
    "an odd core that the other cores' empty weight makes fit: empty weights 50 g apart",
    "ice on a tube weighs less than 50 g",
    message="the empty weight differs from the other cores', and with theirs the core would fit: mend it",
    done="SWE set aside",
    swe_alone=True,
)

WRONG_TARE_OF_SHEET = Rule(
    "wrong tare",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "one constant on every core of a sheet: SWE = density x depth + constant, 150 to 1 (`mix_up_odds`)",
    "density then falls with depth as no snow's does",
    message="look for a tare left out, or that of another tube; nothing is corrected by guess",
    done="SWE of the sheet set aside, depths used",
    swe_alone=True,
)

UNITS_OF_SHEET = Rule(
    "unit mix-up",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "density, SWE and core lengths of a sheet against what other courses, stations, the last visit and the season make likely, for "
    "each of 15 slips (2.54, 25.4, 10, 0.3937, 0.03937, 100, 30.48 of depth, SWE or both): 150 to 1 (`mix_up_odds`)",
    "one sheet in some hundreds is so written. New snow on old is light by itself: where snow of 50 kg/m3 (5 to 20 % water) on old "
    "snow would make it so, and twice the stations' rise of the last week and 10 mm (25 mm without stations) is enough for it, density "
    "is no witness; light snow under 25 cm is then outside the test, as its little water is the same fact. A slip that leaves density "
    "as it is needs both other sites and the last visit",
    "USDA NRCS for new snow; else common practice, no source",
    "mend the sheet, or declare the unit under columns.courses where all of them are so; nothing is converted by guess",
    "the sheet set aside, the probable cause named; where `cores` is blank and several cores weighed together would explain it too, "
    "that as well",
)

NEGATIVE = Rule(
    "negative",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "depth or SWE below 0",
    "neither can be",
    DEFINITION,
    "depth and SWE cannot be negative",
)

WATER_WITHOUT_DEPTH = Rule(
    "water without depth",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE over 6.4 mm at depth 0",
    "a quarter of an inch is the error of a coarse scale",
    message="a core with water in it has a depth; look for a missing depth entered as 0",
)

DEPTH_WITHOUT_WATER = Rule(
    "depth without water",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE 0 in snow that must weigh over 6.4 mm (`density_low_kg_m3`)",
    "the tube was weighed empty",
    message="snow so deep weighs more than nothing; the tube was weighed empty or the SWE not filled in: leave it blank then",
    done="SWE set aside",
    swe_alone=True,
)

SAMPLE_AGAINST_COURSE = Rule(
    "sample against its course",
    _COURSES,
    Severity.WARNING,
    Action.SET_ASIDE,
    "a core's density against the median of the visit's others, from 4 weighed points on: 3.5 robust deviations (`point_outlier_mad`)",
    "points spread by 8 to 12 %; the spread is shrunk to 11 %, reading errors of stake (1 cm) and scale added, so that thin snow raises "
    "no alarm; 2.0 times too heavy is six deviations",
    message="the point does not fit the others of the course; look at tare, cutter and stake",
)

UNITS_OF_ROW = Rule(
    "unit mix-up",
    _COURSES,
    Severity.WARNING,
    Action.SET_ASIDE,
    "the same of one row, and depth against the others' median and against how deep the point is at other visits",
    "another unit explains density and depth better than a badly taken core",
    message="looks like {slip}: mend the row; nothing is converted by guess",
)

OUT_OF_RANGE = Rule(
    "out of range",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE beyond 4000 mm (`swe_high_mm`), depth beyond 12 m (`depth_high_m`)",
    "more than any pack of the basin",
    message="no snow of the basin is deeper than {depth_m:g} m or holds more than {swe_mm:g} mm; look at the unit of the column",
)

IMPOSSIBLE_DENSITY = Rule(
    "impossible density",
    _COURSES,
    Severity.ERROR,
    Action.SET_ASIDE,
    "density of a course: 50 to 600 kg/m3 (`density_low_kg_m3`, `density_high_kg_m3`); a core in a believable course a quarter beyond; "
    "never beyond 4 to 917",
    "lightest snow measured, and ice",
    'AMS Glossary of Meteorology, "snow density"',
    "a course's density must lie from {low:.0f} to {high:.0f} kg/m3, and a core's within a quarter of that; look for inches written as "
    "centimetres, a wrong cutter area, several cores weighed together without their number under cores, or a tube weighed with its "
    "snow as empty",
)

SOIL_IN_CORE = Rule(
    "soil in the core",
    _COURSES,
    Severity.WARNING,
    Action.SET_ASIDE,
    "a core heavier than the others by 1.5 deviations and longer than the depth, or with a remark of soil, mud, dirt, earth, turf, plug",
    "a plug of ground weighs twice what ice does",
    message="the core is heavy and longer than the snow is deep, or its remark tells of ground in it: take the plug out and its length "
    "off before weighing",
    done="SWE set aside",
    swe_alone=True,
)
SOIL_IN_ODD_CORE = replace(SOIL_IN_CORE, message="the core is heavy and longer than the snow is deep")

CORE_LONGER_THAN_DEPTH = Rule(
    "core longer than depth",
    _COURSES,
    Severity.WARNING,
    Action.SET_ASIDE,
    "core against depth: 1.03 times and 1 cm (`core_over_depth`)",
    "reading errors and uneven ground, not more",
    message="a core cannot be longer than the snow is deep: one of the two readings is wrong",
    done="SWE set aside",
    swe_alone=True,
)

CORE_MUCH_SHORTER = Rule(
    "core much shorter than depth",
    _COURSES,
    Severity.NOTE,
    Action.USED,
    "core against depth: 0.8 (`core_under_depth`)",
    "at least 90 % except in very light or mushy snow",
    "Agriculture Handbook 169, from memory",
    "snow was lost from the tube or the tube did not reach the ground, unless the snow is very light or mushy",
)

COURSE_AGAINST_NEIGHBOURS = Rule(
    "course against its neighbours",
    _COURSES,
    Severity.WARNING,
    Action.USED,
    "density against the median of other courses within 12 days (`neighbour_days`) and stations; SWE against sites within 300 m of "
    "elevation (`neighbour_elevation_m`) and the course's own usual share of them: 3.5 deviations (`course_outlier_sd`) of 15 % in "
    "density, 30 to 50 % in SWE",
    "wind and canopy decide SWE; density varies little, but for new snow on old, which is not judged by density",
    message="the visit differs from what other places and days make likely: look whether sheet, site and date belong together",
    done="used; set aside where two yardsticks agree",
)
COURSE_AGAINST_NEIGHBOURS_TWICE = replace(COURSE_AGAINST_NEIGHBOURS, severity=Severity.ERROR, action=Action.SET_ASIDE)

COURSE_AGAINST_LAST_VISIT = replace(
    COURSE_AGAINST_NEIGHBOURS,
    name="course against its last visit",
    looks_at="SWE against the last visit (75 days) and the stations' gain and loss since: 3.5 deviations (`course_outlier_sd`): 40 % of "
    "the gain, all of the loss, 10 % of SWE, 30 mm",
    why="loss differs most from site to site, and bare stations say nothing of it",
)
COURSE_AGAINST_LAST_VISIT_TWICE = replace(COURSE_AGAINST_LAST_VISIT, severity=Severity.ERROR, action=Action.SET_ASIDE)

DENSITY_AGAINST_SEASON = Rule(
    "density against season",
    _COURSES,
    Severity.NOTE,
    Action.USED,
    "a course's density in snow over 25 cm: December to February 80 to 360, March to 26 June 160 to 600 kg/m3; from 40 before December",
    "10 to 30 % in winter, 20 to 50 % in spring, new snow 5 to 20 %; a fifth of margin",
    'USDA NRCS, "What is Snow Water Equivalent?"',
    "denser or lighter than mountain snow usually is at this time of the season; look at unit and tare",
)

FEW_POINTS = Rule(
    "few points",
    _COURSES,
    Severity.NOTE,
    Action.USED,
    "points of a visit: 5 (`few_points`)",
    '"usually 5 or 10"',
    "WMO HOMS E53.1.04",
    "a course has usually 5 or 10 points; the mean of fewer than {least:g} is unsure, and its error says so",
    "used; the error says so",
)

FEW_POINTS_IN_ONE_ROW = replace(
    FEW_POINTS,
    message="a course has usually 5 or 10 points; the mean of fewer than {least:g} is unsure, and its error says so. Where the row is the "
    "published mean of several points, their number belongs under cores: columns.courses.cores in the settings names its column or gives "
    "a constant",
)

THIN_SNOW = Rule(
    "thin snow",
    _COURSES,
    Severity.NOTE,
    Action.USED,
    "mean depth: 5 cm (`thin_snow_m`)",
    '"more than 5 cm of snow on the ground"',
    "WMO HOMS E53.1.04",
    "courses are surveyed while more than 5 cm of snow lies; thinner snow counts, and its density is unsure",
)

BULK_SAMPLE_ADVISED = Rule(
    "bulk sample advised",
    _COURSES,
    Severity.NOTE,
    Action.USED,
    "mean SWE weighed point by point: 50.8 mm (`bulk_swe_mm`)",
    "2 in cannot be weighed reliably core by core",
    "Agriculture Handbook 169",
    "below {least_mm:g} mm weigh several cores together and write how many under cores",
)

SAMPLER_CORRECTION = Rule(
    "sampler correction",
    _COURSES,
    Severity.NOTE,
    Action.CORRECTED,
    "cores of a sampler with a bias in the settings (`courses.sampler_bias`)",
    "some tubes weigh too much on average",
    "Beaudoin-Galaise and Jutras 2022",
    "the settings name a bias of this sampler under courses.sampler_bias",
    "SWE / (1 + bias)",
)

EARLIER_VISIT_NOT_USED = Rule(
    "earlier visit not used",
    _COURSES,
    Severity.NOTE,
    Action.SET_ASIDE,
    "visits of earlier seasons that a check or an override sets aside, or whose site is unknown",
    "density is learnt from visits that pass the checks",
    message="set aside by a check or by hand, or the site is not in the sites table or was out of service: `snowtally check --date` of the "
    "visit's own season tells more",
)
