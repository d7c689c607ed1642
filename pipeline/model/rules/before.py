"""Rules on what an earlier revision had: a table, site or grid that is lost, or holds clearly less or other values now."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules.rule import Action, Degrades, Rule, Severity

GIVEN_UP = "If given up on purpose, run `snowtally rerun --make-current` for the date that is named here, with a reason"
"""How to accept a loss: the end of a message."""

_PUT_BACK = f"Put back what is lost. {GIVEN_UP}"

LOST_ROWS = Rule(
    "lost input",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a table, a column, a site or a zone is missing now",
    "somebody meant it to be used",
    message="look whether the file is whole and its columns, dates and units are still written as before. " + _PUT_BACK,
    degrades=Degrades("lacks data that it had before", compared=True),
)
LOST_SITE_ROWS = replace(
    LOST_ROWS,
    tables=("sites", "stations", "courses"),
    message="look whether the file is whole and its columns, dates and units are still written as before. Put back what is lost; where "
    "a site has ended, write its last day under `until` in the sites table",
)
LOST_GRID = replace(
    LOST_ROWS,
    looks_at="a flight, a snow-cover grid, albedo or the canopy is missing now",
    message=f"put it back as it was. {GIVEN_UP}",
)

FEWER_ROWS = Rule(
    "fewer rows than before",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "less than 90 % of a column's values, of the table, of a site (then on several days), or of the table's last seven days with rows; "
    "most of the visits, or of the depths on the days of flights, of earlier seasons",
    "a file was cut off, or is an older copy",
    message="look whether the file is whole, is not an older copy, and is still written as before. " + _PUT_BACK,
    degrades=Degrades("has fewer rows than before", compared=True),
)
FEWER_SITE_ROWS = replace(
    FEWER_ROWS,
    tables=("stations", "courses"),
    message="look whether the file is whole, is not an older copy, and is still written as before. Put back what is lost; what is to be "
    "left out is named in the overrides table",
)
FEWER_CELLS = replace(
    FEWER_ROWS,
    action=Action.USED,
    looks_at="less than 90 % of a flight's or cover's cells",
    message="look whether its file is whole and is the same as before",
)

CHANGED_VALUES = Rule(
    "changed values",
    (),
    Severity.ERROR,
    Action.USED,
    "more than `checks.most_changed_share` (half) of a column's or a site's daily values, three or more, moved by over 10 % and more than "
    "twice what an instrument is off by (SWE 10 mm, depth 5 cm, air 2 C); a site moved by over 0.01 degree",
    "unit, decimal mark or columns are others now",
    message="look whether unit, decimal mark and columns are still those of the settings. If the new values are right, `snowtally rerun` of "
    "the newest date with a reason takes them over",
    degrades=Degrades("has other values than before", compared=True),
)
CHANGED_CELLS = replace(
    CHANGED_VALUES,
    looks_at="a zone's area by over 1 % of the basin; elevation by over 20 m or canopy by over 0.2 in a tenth of the cells; a flight's depth "
    "by over 0.3 m and 20 %, snow cover by over 0.2, in more than half of the cells with snow",
    why="another file, unit or no-data value",
    message="look whether its file, unit and no-data value are still the right ones. If the new values are right, `snowtally rerun` of the "
    "newest date with a reason takes them over",
)

CHANGES = (CHANGED_VALUES, CHANGED_CELLS)
"""Rules that an analyst's rerun does not follow: the new values are taken over."""
