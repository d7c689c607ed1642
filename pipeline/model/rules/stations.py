"""Rules on stations' readings, in the order in which they run, and on the weather table."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules.rule import DEFINITION, NO_SOURCE, Action, Degrades, Rule, Severity

_STATIONS, _WEATHER = ("stations",), ("weather",)

DEAD_CLOCK = Rule(
    "dead clock",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "times stand still while readings go on, or a stretch of times runs again and the true times are missing (seen in the file's own "
    "order; readings sent twice are no dead clock)",
    "nobody can tell when the readings were taken",
    message="the logger's clock stood still or ran again: set it, and write the right times into the file if they are known",
    done="set aside, the first under a standing time kept",
)

PRECIPITATION_OUT_OF_RANGE = Rule(
    "out of range",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a step of precipitation below -0.5 or above 150 mm",
    "more falls in no step of a day or less",
    message="the gauge or its code for no value is at fault; list the code under missing: in the settings",
)
TOTAL_OUT_OF_RANGE = replace(
    PRECIPITATION_OUT_OF_RANGE,
    looks_at="an accumulated total below -10 mm",
    why="a gauge's zero wanders less",
    message="a total below nothing: the gauge or its code for no value is at fault; list the code under missing:",
)

GAUGE_EMPTIED = Rule(
    "gauge falls",
    _STATIONS,
    Severity.NOTE,
    Action.USED,
    "an accumulated total falls by more than 5 mm, to less than a fifth",
    "it was emptied",
    message="taken for an emptied gauge: what it holds since has fallen since",
    done="used; goes on from what it holds",
)
GAUGE_LEAKS = Rule(
    "gauge falls",
    _STATIONS,
    Severity.WARNING,
    Action.CORRECTED,
    "an accumulated total falls by more than 5 mm, to more than that",
    "a leak, or ice",
    message="an accumulated total never falls: a leak, or ice that moved; the fall counts as nothing fallen",
    done="used; the fall counts as nothing fallen",
)

OUT_OF_RANGE = Rule(
    "out of range",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE below -25 mm or above `checks.swe_high_mm`, depth below -0.15 m or above `checks.depth_high_m`, air outside -60 to 50 C",
    "a sensor's zero wanders that far about nothing, and daily values show it as none; the world's records of air are -89 and 57 C",
    "World Meteorological Organization, from memory, for air; else common practice, no source",
    "the sensor or its code for no value is at fault; list the code under missing: in the settings",
)

FAHRENHEIT = Rule(
    "unit mix-up",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "air far from the others' and among them once read as Fahrenheit, for five days, or on four fifths of a month where other "
    "thermometers are as far off",
    "no cold valley reads so for days",
    message="the readings look like degrees Fahrenheit; declare unit: degF under columns.stations.air_temperature",
)

REPEATED_DAY = Rule(
    "flat line",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a day whose readings repeat the day before, value for value",
    "no weather repeats itself",
    message="the day before was sent again under a new date: look at the telemetry",
)

FLAT_LINE = Rule(
    "flat line",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE or depth on snow does not move at all for `stations.flat_line_days`, though snow fell or melted, or though this sensor always "
    "moves within a day and its neighbours moved now; never on bare ground. [More below](#flat-lines). Air: 48 h",
    "a sensor in the weather moves",
    message="a sensor in the weather moves; this one is stuck: restart the logger, look for ice and for a broken cable",
)

AIR_SPIKE = Rule(
    "spike",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "air 25 K from the readings before and after it, to the same side, within 13 hours",
    "air does not go so far and back",
    message="away and back within hours, further than air goes; a lone one is noise, many are a failing sensor",
)

AIR_AGAINST_NEIGHBOURS = Rule(
    "air temperature against neighbours",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a day's mean is off by more than `stations.air_off_k` (15 K) from what is expected at its elevation by the others, or the median of "
    "ten days by six tenths of that (9 K); lower and colder, or higher and warmer, 0.1 K a metre more is allowed, up to "
    "`stations.inversion_k` (20 K). Also single readings 15 K beyond that. [More below](#air-and-precipitation-against-neighbours)",
    "valleys fill with cold air; else mountain stations agree within 9 K",
    "six real stations, 2000 to 2009; else common practice, no source",
    "the thermometer, its cable or its shield is at fault, or the site's elevation: visit the station",
    "set aside, with the days beside that are half as far off and what lies between two such days within ten",
)
AIR_OF_TWO_ALONE = replace(
    AIR_AGAINST_NEIGHBOURS,
    tables=(*_STATIONS, *_WEATHER),
    severity=Severity.WARNING,
    action=Action.USED,
    looks_at="the same with one other record alone",
    why="no third record decides which of the two is wrong",
    source=NO_SOURCE,
    message="two thermometers contradict each other and no third one decides: look at both",
    done="used, both reported",
)
WEATHER_AIR_AGAINST_STATIONS = replace(
    AIR_AGAINST_NEIGHBOURS,
    tables=_WEATHER,
    looks_at="the weather table's past days of air, as one more record among the stations",
    message="look at the table's source, its units (columns.weather) and its elevation; its days of the forecast will be off as well",
    done="set aside, with the day's least and greatest",
)

PRECIPITATION_AGAINST_NEIGHBOURS = Rule(
    "precipitation against neighbours",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "four weeks hold more than `stations.catch_factor` (5) times what is expected at its elevation by the others, or less than a fifth, "
    "where that or a fifth of its own is 40 mm; 15 days without a drop in which the others caught 30 mm (median), and the day after; a "
    "day above 75 mm and five times any other gauge's three days, but for a day after a gap, which holds what fell in it",
    "four weeks of clean gauges lie between 0.2 and 3.2 times the others' median; a unit is wrong by 10 or 25.4",
    "six real stations, 2000 to 2009; else common practice, no source",
    "a plugged or leaking gauge, a charge of antifreeze, or another unit: look at the gauge and at the column's unit",
    "set aside; all season if half of its windows are wrong",
)
PRECIPITATION_OF_TWO_ALONE = replace(
    PRECIPITATION_AGAINST_NEIGHBOURS,
    tables=(*_STATIONS, *_WEATHER),
    severity=Severity.WARNING,
    action=Action.USED,
    looks_at="the same with one other record alone",
    why="no third record decides which of the two is wrong",
    source=NO_SOURCE,
    message="two records contradict each other and no third one decides: look at both, and at their units",
    done="used, both reported (the dry spell is set aside)",
)
WEATHER_PRECIPITATION_AGAINST_STATIONS = replace(
    PRECIPITATION_AGAINST_NEIGHBOURS,
    tables=_WEATHER,
    looks_at="the weather table's past days of precipitation, as one more record among the stations",
    message=WEATHER_AIR_AGAINST_STATIONS.message,
    done="",
)

RATE_OF_CHANGE = Rule(
    "rate of change",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "to and fro within two days, three times or more, beyond four (depth: six) standard deviations of the usual noise and 5 mm (10 cm)",
    "snow does not change so fast",
    message="the readings change to and fro faster than snow can; look at the sensor, its cable and its power",
)
BRIEF_LEVEL = replace(
    RATE_OF_CHANGE,
    looks_at="a level of some hours at the end or beginning that cannot be judged yet",
    why="it counts again once a day of readings agrees",
    message="too few readings to tell whether the level stays: they count again once a day of them agrees with its surroundings",
)
SIGNAL_GONE = replace(
    RATE_OF_CHANGE,
    looks_at="a signal that drops to nothing, and stays there",
    message="the signal is gone: look at the sensor and its cable",
)
SIGNAL_GONE_FOR_DAYS = replace(
    RATE_OF_CHANGE,
    looks_at="a signal that drops to nothing for some days",
    message="for some days another level, with a jump at both ends: look at what was done at the station then",
)

SPIKE = Rule(
    "spike",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "away by more than snow can rise or fall in the time (`stations.snowfall_mm_hour` and its like; between an hour and a day by the "
    "square root of time), and back within a day",
    "snow does not change so fast",
    message="away and back within a day, faster than snow falls or melts; a lone one is noise, many are a failing sensor",
)

LEVEL_IN_OTHER_UNIT = Rule(
    "unit mix-up",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a level leaps by the factor of a unit (25.4, 10, 2.54, 100 or an inverse, within 12 %) against the weather",
    "no snow leaps so",
    message="the readings look like {slip}; declare the unit under columns.stations or have the logger mended",
    done="set aside until the level is back",
)

STEP = Rule(
    "step",
    _STATIONS,
    Severity.ERROR,
    Action.CORRECTED,
    "a level jumps and stays, with no more than half a storm's precipitation, neighbours or melt to show for it. Depth: while SWE of more "
    "than 25 mm rests, by 0.25 m more than the neighbours'",
    "the sensor has shifted",
    message="the sensor has shifted: visit and zero it, then set aside or switch off by an override what the correction spoils",
    done="shifted back to the season's end",
)
STEP_FOR_DAYS = replace(
    STEP,
    action=Action.SET_ASIDE,
    looks_at="another level for days, with a jump at both ends",
    why="something was done at the station",
    message=SIGNAL_GONE_FOR_DAYS.message,
    done="",
)

DENSITY_LEAPS_BY_UNIT = replace(
    LEVEL_IN_OTHER_UNIT,
    looks_at="density leaps by 2.54 while SWE rests, and new snow of 50 kg/m3 does not explain it; density stays impossible and a unit "
    "explains it",
    message="the readings look like {slip}; declare the unit under columns.stations or mend the logger",
)

BRIDGING = Rule(
    "bridging",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE stands still for three days and more while it snows in frost, then rises by what fell",
    "the snow carried itself over the sensor",
    message="the snow carried itself over the {quantity} sensor; what it says after the rise is used",
    done="the plateau is set aside",
)

RISE_WITHOUT_PRECIPITATION = Rule(
    "rise without precipitation",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE rises in three days by more than 1.6 x `stations.step_mm` beyond the neighbours, less than a quarter of it fell at its own "
    "gauge, a few other gauges or in the others' SWE, and depth shows no drift",
    "the sensor has shifted",
    message="the sensor has shifted; later readings of the season are shifted back: visit it and zero it",
    done="the days set aside, the rest of the season shifted back",
)

FALL_WHILE_FROZEN = replace(
    RISE_WITHOUT_PRECIPITATION,
    name="fall while frozen",
    looks_at="SWE falls within a week by more than 1.6 x `stations.step_mm` beyond the neighbours, the air never warmer than -1 C, depth "
    "shows no wind",
)

ZERO_DRIFT = Rule(
    "drift of zero",
    _STATIONS,
    Severity.WARNING,
    Action.CORRECTED,
    "SWE off by more than `stations.zero_drift_mm` on ground that is bare for five days (depth within 0.05 m in air above freezing, or "
    "while nobody has snow and SWE does not rise by 8 mm in four days; or a mean above 8 C with SWE not falling)",
    "bare ground has no SWE",
    message="the ground is bare and counts as such; zero the sensor, and look how long before its readings were off",
    done="counts as bare",
)

DEPTH_AGAINST_SWE = Rule(
    "depth against SWE",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE over depth outside `checks.density_low_kg_m3` to `checks.density_high_kg_m3` by more than 8 mm and 0.04 m, deeper than "
    "`checks.density_least_depth_m`",
    "no snow is so light or so dense",
    'AMS Glossary of Meteorology, "snow density"',
    "depth and SWE contradict each other; see to the sensor set aside, and to the other one if it stays so",
    "the sensor that moved from its last good days is set aside, in doubt the depth",
)

STATION_AGAINST_NEIGHBOURS = Rule(
    "station against its neighbours",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "SWE off for two days by more than six usual misses, 50 mm and a quarter of what the five steadiest neighbours make of it, come or "
    "gone within three days by more than a storm's luck. Only while snow gathers and where their usual miss is below 12 %",
    "their skill is earned",
    message="far from what its steadiest neighbours always made of it: visit the station, or look for readings of another one",
)
STATIONS_EXCHANGED = replace(
    STATION_AGAINST_NEIGHBOURS,
    looks_at="two stations that read each other's level for some days",
    why="their names were exchanged",
    message="the two stations' readings were exchanged: mend the station's name in the files",
)

CLOCK_OFF = Rule(
    "clock off",
    _STATIONS,
    Severity.WARNING,
    Action.USED,
    "over ten days the air is warmest three hours or more from the neighbours' hour, while theirs agree",
    "a day's mean moves little",
    message="the clock or its offset is wrong: set the logger's clock, or write the right offset into the file",
)

SWE_ABOVE_PRECIPITATION = Rule(
    "SWE above precipitation",
    _STATIONS,
    Severity.NOTE,
    Action.USED,
    "SWE since the season's start above 1.6 times what the gauge caught and 50 mm",
    "a gauge in wind catches little more than 60 % of the snow",
    message="the gauge misses snow, wind brings it, or one of the two is wrong",
)

SILENT_STATION = Rule(
    "silent station",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "no SWE and no depth for `stations.silent_days`",
    "the estimate goes on without it",
    message="check the station and its telemetry; where it has ended, write its last day under `until` in the sites table",
    degrades=Degrades("is silent", kind="station", several="stations are silent", damage=False, dated=False),
)

WEATHER_OUT_OF_RANGE = Rule(
    "out of range",
    _WEATHER,
    Severity.ERROR,
    Action.SET_ASIDE,
    "the weather table's past days of the season: outside -60 to 50 C and -0.5 to 150 mm a day",
    "as of stations",
    message="another unit, or a code for no value: declare the unit under columns.weather, list the code under missing:",
)

NO_DATE = Rule(
    "no date",
    _WEATHER,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a row without date or issued",
    "without them a forecast is no forecast",
    DEFINITION,
    "a row needs date and issued",
)

DEGREE_DAY_FACTOR = Rule(
    "degree-day factor",
    _WEATHER,
    Severity.WARNING,
    Action.USED,
    "melt of the outlook for each degree-day, outside 1.6 to 6.0 mm/(K day)",
    "sun, temperature or elevation of the forecast days is wrong",
    "National Engineering Handbook, part 630, chapter 11",
    "the outlook melts more or less a degree than has been seen elsewhere: look at sun, temperature and elevation_m of the forecast days",
)
