"""Rules on flights and on grids seen from above."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules import files
from snowtally.model.rules.rule import DEFINITION, Action, Degrades, Rule, Severity

_FLIGHTS, _COVERS = ("flights",), ("covers",)

INCOMPLETE_FLIGHT = Rule(
    "incomplete flight",
    _FLIGHTS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a row without flight_id, date, or depth or both surfaces",
    "no depth can be measured from it",
    DEFINITION,
    "a flight needs flight_id, date, and either depth or both snow_on and snow_off",
    degrades=Degrades("is incomplete", kind="flight", several="flights are incomplete"),
)

IMPOSSIBLE_ERROR = Rule(
    "impossible value",
    _FLIGHTS,
    Severity.WARNING,
    Action.SET_ASIDE,
    "depth_se_m of 0 or less",
    "no measurement is without error",
    DEFINITION,
    "depth_se_m must be above 0: the flight is used with the error that its files tell",
    "the error is set aside, the flight used",
)

REFUSED_FLIGHT = Rule(
    "refused flight",
    _FLIGHTS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a flight that was read and is not fit for use: registration or scatter beyond its limits (`flights`), another unit, no cell with data",
    "a wrong map of depth does more harm than none; see [flights](method/flights.md)",
    degrades=Degrades("is refused", kind="flight", several="flights are refused", archived_as="flight {}"),
)

FLIGHT_STILL_ARRIVING = replace(
    files.STILL_ARRIVING,
    tables=_FLIGHTS + _COVERS,
    severity=Severity.ERROR,
    action=Action.SET_ASIDE,
    looks_at="a raster that is still being written (`operations.arrival`)",
    why="it is left for the next night",
    message="",
    done="",
)
EARLIER_FLIGHT_STILL_ARRIVING = replace(
    FLIGHT_STILL_ARRIVING, tables=_FLIGHTS, severity=Severity.WARNING, looks_at="the same of an earlier season's flight"
)

EARLIER_FLIGHT_NOT_USED = Rule(
    "earlier flight not used",
    _FLIGHTS,
    Severity.WARNING,
    Action.SET_ASIDE,
    "a flight of an earlier season that cannot be used",
    "others show the pattern, so that the night is not degraded",
)

PIXELS_BEYOND_LIMITS = Rule(
    "pixels beyond the limits",
    _FLIGHTS,
    Severity.NOTE,
    Action.SET_ASIDE,
    "pixels below `flights.least_depth_m` or above `flights.most_depth_m`",
    "outliers of the laser",
    message="outliers of the laser, such as trees and wires; raise flights.most_depth_m if drifts are truly deeper",
)

NO_STABLE_GROUND = Rule(
    "not registered",
    _FLIGHTS,
    Severity.WARNING,
    Action.USED,
    "two surfaces without stable_ground",
    "a shift between them is taken for snow",
    "see [flights](method/flights.md)",
    "give stable_ground to have the surfaces brought together before they are compared",
)
DEPTHS_CUT_OFF = replace(
    NO_STABLE_GROUND,
    looks_at="depths on stable ground half of which are exactly 0 and none below",
    why="what was cut off hides the offset",
    message="negative depths were cut off before delivery, so that an offset cannot be told; have them delivered uncut",
)

SURFACES_REGISTERED = Rule(
    "registered",
    _FLIGHTS,
    Severity.NOTE,
    Action.CORRECTED,
    "the shift between two surfaces on stable ground",
    "what does not move shows the shift",
    "see [flights](method/flights.md)",
    "the snow-on surface was moved by this onto the snow-off surface",
)
DEPTHS_REGISTERED = replace(
    SURFACES_REGISTERED,
    looks_at="depth on stable ground",
    why="it is bare, so that its depth is the offset",
    message="this was taken off all depths; stable ground is taken as bare on the day of the flight",
)

SHIFT_NOT_FITTED = Rule(
    "shift not told",
    _FLIGHTS,
    Severity.WARNING,
    Action.USED,
    "stable ground whose slopes are too even",
    "even ground looks the same wherever it lies",
    "see [flights](method/flights.md)",
    "the stable ground is too even to tell a shift, so that the lift alone was taken out; add slopes of all aspects",
)

VERTICAL_OFFSET = Rule(
    "vertical offset",
    _FLIGHTS,
    Severity.WARNING,
    Action.CORRECTED,
    "a lift beyond `flights.vertical_offset_m`",
    "two height systems",
    message="the two surfaces lie in different height systems; the constant between them was taken out",
)
DEPTHS_OFFSET = replace(
    VERTICAL_OFFSET,
    looks_at="depth on stable ground beyond `flights.vertical_offset_m`",
    why="no laser is so far off",
    message="no laser is so far off: look whether the stable ground lay under snow, and at the height systems; it was taken out",
)

GROUND_NEWER = Rule(
    "snow-off newer than snow-on",
    _FLIGHTS,
    Severity.WARNING,
    Action.USED,
    "the files' own dates",
    "what changed the ground between is taken for snow",
    DEFINITION,
    "the ground was mapped after the snow: what changed it between is taken for snow. Check that the two are not exchanged",
)

FLIGHT_UNIT = Rule(
    "declared unit",
    _FLIGHTS,
    Severity.NOTE,
    Action.CORRECTED,
    "a raster that declares another unit than metres",
    "the file knows best",
    DEFINITION,
    "turned into metres, as the file declares",
)

OFFSET_FROM_GROUND = Rule(
    "offset from the ground",
    _FLIGHTS,
    Severity.WARNING,
    Action.USED,
    "the flight's depth against the sites' by more than `flights.most_ground_offset_m`",
    "stable ground, unit or height systems are wrong",
    message="further from the ground than {most_m:g} m (flights.most_ground_offset_m): look at stable ground, unit and height systems; "
    "flights.apply_ground_offset takes it off",
)
OFFSET_TAKEN_OFF = replace(
    OFFSET_FROM_GROUND,
    action=Action.CORRECTED,
    looks_at="the flight's depth against the sites' where `flights.apply_ground_offset` asks",
    why="the settings ask for it",
    message="the flight's depths were moved by this, as flights.apply_ground_offset asks",
)

COVER_AGAINST_DEPTH = Rule(
    "cover against depth",
    _FLIGHTS,
    Severity.WARNING,
    Action.USED,
    "snow of a flight, deeper than twice its error, where the snow-cover grid of its day saw bare ground",
    "the laser measures depth, the cover grid colour; less counts as no snow, with the flight's error",
    message="the flight measured snow where the day's snow-cover grid saw none: the flight counts; check date and place of both",
)

UNKNOWN_COVER = Rule(
    "unknown cover",
    _COVERS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a row without a date or with a variable that is none",
    "nobody can tell what the grid shows",
    DEFINITION,
    "a cover needs a date and the variable {variables}",
    degrades=Degrades("has a row of no known cover grid"),
)

COVER_AGAINST_SITES = Rule(
    "cover against the sites",
    _COVERS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a snow-cover grid of the day, or of the 30 days before, with less than 0.1 of snow at more than half of the sites with over 100 mm of "
    "SWE on its day (three sites at least)",
    "it is another file, day or unit, or a grid of nothing",
    message="the sites show snow where this grid shows none: look whether it is the right file, day, unit and nodata value",
    degrades=Degrades("contradicts the snow at the sites"),
)
