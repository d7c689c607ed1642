"""Rules on any table's files, columns and rows as they are read."""

from __future__ import annotations

from dataclasses import replace

from snowtally.model.rules.rule import DEFINITION, NO_SOURCE, Action, Degrades, Rule, Severity

_STATIONS, _COURSES = ("stations",), ("courses",)

MISSING_FILE = Rule(
    "missing file",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a file that the settings or a table name is not there",
    "somebody meant it to be used",
    DEFINITION,
    "{path} is named by {named_by} but is not there: put it there or take it out",
    degrades=Degrades("is missing", whole_file=True, several="files are missing"),
)

UNREADABLE_FILE = Rule(
    "unreadable file",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a file that cannot be opened, or not as what it is declared",
    "nothing of it can be used",
    DEFINITION,
    degrades=Degrades("cannot be read", whole_file=True, several="files cannot be read"),
)

STILL_ARRIVING = Rule(
    "still arriving",
    (),
    Severity.WARNING,
    Action.USED,
    "a table that is still being written (`operations.arrival`)",
    "the rest follows when it is complete",
    DEFINITION,
    "{path} is still being written: it was read as it stands, the rest follows when it is complete",
    "read as it stands",
    degrades=Degrades("is still being written", damage=False),
)

NO_USABLE_ROW = Rule(
    "no usable row",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "no row of a file can be used",
    "a separator, decimal mark, line end or date order is other than declared",
    message="look at decimal, separator, dates and encoding under formats.{role}, at columns.{role}, and whether the file is whole",
    degrades=Degrades("has no usable row", whole_file=True, several="files have no usable row"),
)
EMPTY_FILE = replace(
    NO_USABLE_ROW,
    looks_at="a header and no row (overrides excepted)",
    why="an export was cut off",
    message="put its rows back, or take the file out of inputs.{role} until it has some",
)
NO_USABLE_SAMPLE = replace(
    NO_USABLE_ROW,
    tables=_COURSES,
    looks_at="a course file none of whose rows has a site, a date, and a depth or SWE",
    message="no row has a site, a date, and a depth or SWE that can be read: look at decimal, dates and separator under formats.courses, "
    "and at the units under columns.courses",
)

FEW_USABLE_ROWS = replace(
    NO_USABLE_ROW,
    name="few usable rows",
    looks_at="less than `checks.least_usable_share` (90 %) of the rows, or of a column's values that are not declared missing, can be read, "
    "and three or more are lost. Notes below a table are no rows; a loss in earlier seasons alone counts no more",
    degrades=Degrades("has few usable rows"),
)
FEW_USABLE_VISITS = replace(
    FEW_USABLE_ROWS,
    tables=_COURSES,
    looks_at="more than half of a course file's visits of the season, and three or more, are set aside whole as wrong",
    why="a column is in another unit than declared",
    message="look at the findings of each: is a column in another unit than columns.courses declares?",
)

NO_SUCH_COLUMN = Rule(
    "no such column",
    (),
    Severity.WARNING,
    Action.USED,
    "a file without a column that such a file usually has",
    "it may be there under another name",
    DEFINITION,
    "the header has: {headers}; name the column under columns.{role} if it is there",
)

HEADER_FITS_NO_PATTERN = replace(
    NO_SUCH_COLUMN,
    tables=_STATIONS,
    looks_at="a header that holds the text of a declared element, and does not fit the pattern of the wide table",
    why="a station's column was renamed",
    message="the columns fit no pattern: mend wide and elements under formats.stations if they hold readings",
)

COLUMN_NOT_RECOGNISED = Rule(
    "column not recognised",
    (),
    Severity.ERROR,
    Action.USED,
    "SWE or depth is not found, and a header that nothing reads sounds like it",
    "a column was renamed",
    message="no value of {header} is read from this file: name the column under columns.{role}.{key}, or give it a header that does not "
    "sound like one",
    degrades=Degrades("has a column that is not recognised"),
)

UNREADABLE_LINE = Rule(
    "unreadable line",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a line with too many or too few fields, or that is no text",
    "it is no row of the table",
    DEFINITION,
    "{why}; mend the file if it is data",
)
LINE_BESIDE_HEADER = replace(
    UNREADABLE_LINE,
    severity=Severity.NOTE,
    looks_at="lines above the header that give no value, and lines with numbers between that of a monthly table and its first season",
    why="a title or a note stands there",
)

SUMMARY_ROW = Rule(
    "summary row",
    _COURSES,
    Severity.NOTE,
    Action.SET_ASIDE,
    "a row whose point, site or first cell is Average, Mean, Total or the like, and whose visit has other rows",
    "it sums up the points, and would count as one more",
    message="the row sums up the others of its visit: it is no sample",
)

UNREADABLE_VALUE = Rule(
    "unreadable value",
    (),
    Severity.ERROR,
    Action.SET_ASIDE,
    "a value that is no number, date or time as declared",
    "nothing is guessed",
    DEFINITION,
)
IMPOSSIBLE_CORES = replace(
    UNREADABLE_VALUE,
    tables=_COURSES,
    looks_at="`cores` that is no whole number from 1 to 50",
    why="no crew weighs more cores at once",
    source=NO_SOURCE,
    message="cores is how many were weighed together, a whole number from 1 to {most}; the row counts as one core",
    done="the row counts as one core",
)

DUPLICATE = Rule(
    "duplicate",
    (),
    Severity.NOTE,
    Action.SET_ASIDE,
    "a row whose key stands again further on or in a later file",
    "a later row is a correction sent again",
    DEFINITION,
    "the same row stands again further on, and the later one is used",
    "the later row is used",
)
READING_TWICE = replace(
    DUPLICATE,
    tables=_STATIONS,
    message="the same site and time stand again further on or in a later file, and the later readings are used",
)

UNIT_LOOKS_WRONG = Rule(
    "unit looks wrong",
    ("courses", "stations"),
    Severity.ERROR,
    Action.USED,
    "the median density of a file's snow outside 60 to 650 kg/m3, from 5 rows on; a tenth of its air outside -60 to 45 C",
    "no snow or air is like this",
    message="no snow or air is like this: declare the unit of {keys} under columns.{role} or formats.{role} in the settings",
    degrades=Degrades("looks as if it were in another unit than declared"),
)

NO_SITE_OR_TIME = Rule(
    "no site or time",
    _STATIONS,
    Severity.ERROR,
    Action.SET_ASIDE,
    "a row without site_id or time, or with a time that is no instant",
    "nobody can tell where or when it was measured",
    DEFINITION,
    "time must be ISO 8601 with an offset (2031-03-01T06:00-02:00) or a bare date for a daily value, and site_id not empty",
)
NO_CLOCK = replace(
    NO_SITE_OR_TIME,
    message="a local time without an offset is no instant: say under formats.stations how many hours its clock is ahead of UTC, as in "
    "`clock: -7`, or name its time zone, as in `clock: Area/City`",
)
SKIPPED_TIME = replace(
    NO_SITE_OR_TIME,
    message="the clock declared under formats.stations skips this hour, so it is not the clock that the times were told by",
)

AMBIGUOUS_TIME = Rule(
    "ambiguous time",
    _STATIONS,
    Severity.WARNING,
    Action.USED,
    "a local time that its clock shows twice, in autumn",
    "two instants have the same local time",
    DEFINITION,
    "the clock declared under formats.stations shows this hour twice: of two readings the first counts by summer time, a single one by "
    "standard time; have the station send its times with an offset",
)
