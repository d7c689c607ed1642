"""Words that tell a course from a station.

In English, French, German, Italian, Norwegian and Spanish.
"""

from __future__ import annotations

import re

from snowtally.proposals.units_known import folded

COURSE, STATION = "course", "station"

_WORDS = {
    COURSE: (
        "course courses snowcourse sc snow survey surveys manual manually transect snowline line marker aerial hand tube "
        "kurs schneekurs messstrecke profil manuell handmessung schneeprofil parcours nivometrique releve manuel manuelle "
        "curso itinerario ruta perfil muestreo percorso manuale profilo rilievo snostikk snokurs snomaling takseringslinje "
        "linje stikk snostrekk strekk nieve"
    ),
    STATION: (
        "station stations pillow snowpillow pill aws automatic auto automated telemetry telemetered logger sensor "
        "gauge met weather weatherstation climate "
        "automatisch automat wetterstation kissen schneekissen messstation automatique coussin capteur balise "
        "automatica automatico estacion colchon almohada nivometro nivometre telemetria sensor stazione cuscino "
        "stasjon automatisk snopute pute varstasjon"
    ),
}
"""Words of the trade (common practice, and dictionaries)."""

_KNOWN = {kind: frozenset(words.split()) for kind, words in _WORDS.items()}


def kind_of(text: str) -> str | None:
    """Return whether a text names a course or a station.

    None where it names neither or both.

    >>> kind_of("Snow Course"), kind_of("Snow pillow"), kind_of("Almohada de nieve"), kind_of("tower")
    ('course', 'station', 'station', None)
    """
    words = set(re.findall(r"[a-z]+", folded(text)))
    named = {kind for kind, known in _KNOWN.items() if words & known}
    # Snow courses are called "snow"; a snow pillow says the pillow too.
    if named == {COURSE, STATION} and not words & (_KNOWN[COURSE] - {"snow", "nieve", "survey", "line", "marker"}):
        return STATION
    return named.pop() if len(named) == 1 else None
