"""The words by which tables of the trade are headed.

In English, French, German, Italian, Norwegian and Spanish.
"""

from __future__ import annotations

PHRASES = {
    "site_id": (
        "site id; siteid; site code; site no; site number; site; station id; stationid; station code; station no; "
        "station number; station; stn; stn id; stid; sta id; course id; course code; course no; course number; course; "
        "snow course; id; code; identifier; ident; location id; location; loc; plot; post; gauge id; "
        "standort; standort id; messfeld; messstelle; messstelle*; stationsnummer; stationsnr; stations id; stations nr; "
        "stationscode; stationskennung; kennung; kurzel; kurs; nummer; profil; "
        "code site; code station; code du site; id site; identifiant; parcours; poste; numero station; site mesure; "
        "codigo; codigo estacion; codigo sitio; estacion; sitio; id estacion; id sitio; clave; curso; itinerario; "
        "codice; codice stazione; codice sito; stazione; sito; id stazione; percorso; "
        "stasjon; stasjonsnr; stasjonsnummer; stasjons id; stasjonskode; sted; sted id; stedkode; kode; malested; snostikk"
    ),
    "name": (
        "name; site name; station name; course name; full name; title; label; description; place; lieu; lugar; luogo; "
        "bezeichnung; stationsname; ortsname; ort; "
        "nom; nom site; nom station; nom du site; libelle; nombre; nombre estacion; nombre sitio; denominacion; "
        "nome; nome stazione; nome sito; denominazione; navn; stasjonsnavn; stedsnavn"
    ),
    "kind": (
        "kind; type; site type; station type; category; class; network; kind of site; measurement type; "
        "typ; art; stationstyp; messart; kategorie; genre; type de site; categorie; type site; type station; "
        "tipo; tipo de sitio; tipo estacion; clase; categoria; tipo sito; tipologia; tipo stazione; stasjonstype; kategori; slag; equipment; equipo; equipement; ausrustung"
    ),
    "longitude": (
        "longitude; lon; long; lng; longitude e; longitude w; lon wgs84; longitude wgs84; decimal longitude; wgs84 lon; "
        "lange; laenge; geogr lange; geographische lange; langengrad; laengengrad; longitud; longitudine; lengdegrad; lengde"
    ),
    "latitude": (
        "latitude; lat; latitude n; latitude s; lat wgs84; latitude wgs84; decimal latitude; wgs84 lat; "
        "breite; geogr breite; geographische breite; breitengrad; latitud; latitudine; breddegrad; bredde"
    ),
    "easting": (
        "easting; east; x; point x; pointx; utm e; utm x; utm easting; x coord; x coordinate; coord x; xcoord; e; "
        "rechtswert; ostwert; x koordinate; coordonnee x; est; este; utm este; coordenada x; coordinata x; ost; ostlig"
    ),
    "northing": (
        "northing; north; y; point y; pointy; utm n; utm y; utm northing; y coord; y coordinate; coord y; ycoord; n; "
        "hochwert; nordwert; y koordinate; coordonnee y; nord; norte; utm norte; coordenada y; coordinata y; nordlig"
    ),
    "elevation": (
        "elevation; elev; altitude; alt; site elevation; station elevation; elevation asl; height asl; z; "
        "hohe; hoehe; seehohe; meereshohe; hohe u m; hohenlage; stationshohe; hoehe ueber meer; hohe uber meer; mum; "
        "elevacion; altitud; cota; altura; altitudine; quota; hoyde; hoyde over havet; hoh; moh"
    ),
    "from": (
        "from; since; start; begin; begins; installed; opened; first; start date; in service since; active from; valid from; "
        "established; commissioned; von; ab; seit; beginn; inbetriebnahme; in betrieb seit; depuis; debut; date debut; "
        "mise en service; desde; inicio; alta; fecha inicio; da; dal; dal giorno; inizio; data inizio; fra; fra dato; "
        "startdato; opprettet; etablert"
    ),
    "until": (
        "until; to; end; ends; closed; last; end date; removed; active to; active until; valid to; valid until; "
        "decommissioned; bis; ende; ausserbetriebnahme; in betrieb bis; jusqu a; jusqua; fin; date fin; fermeture; "
        "mise hors service; hasta; fecha fin; baja; al; fino a; fino al; fine; data fine; til; til dato; sluttdato; nedlagt"
    ),
    "date": (
        "date; day; survey date; visit date; date of survey; date of visit; sample date; sampling date; collection date; "
        "measurement date; measured; measured on; obs date; observation date; visit; survey day; date sampled; "
        "datum; messdatum; aufnahmedatum; tag; messtag; begehung; "
        "jour; date mesure; date de mesure; date du releve; date releve; date de visite; date visite; "
        "fecha; fecha medicion; dia; fecha de medicion; fecha muestreo; fecha visita; "
        "data; data misura; data rilievo; giorno; data della misura; dato; maledato; dag; dato for maling"
    ),
    "time": (
        "time; timestamp; datetime; date time; time stamp; obs time; observation time; time utc; utc; utc time; local time; "
        "valid time; reading time; measured at; zeit; zeitpunkt; zeitstempel; messzeit; datum zeit; datum uhrzeit; "
        "heure; date heure; horodatage; instant; date et heure; hora; fecha hora; fecha y hora; marca de tiempo; tiempo; "
        "ora; data ora; data e ora; orario; tempo; tid; tidspunkt; dato tid; dato og tid; klokkeslett; tidsstempel"
    ),
    "point": (
        "point; sample; pt; point no; point number; sample no; sample number; sample id; no; nr; num; number; sample point; "
        "stake; pole; station point; measurement no; core no; hole; "
        "punkt; pkt; messpunkt; probe; punktnr; punkt nr; proben nr; probennr; stange; lfd nr; nummer; "
        "echantillon; n echantillon; point mesure; point de mesure; numero; piquet; jalon; n; sondage; n sondage; "
        "muestra; punto; n muestra; no muestra; punto de medicion; estaca; "
        "campione; punto misura; n campione; prove; malepunkt; punktnummer; prove nr; stikke"
    ),
    "depth": (
        "depth; snow depth; snowdepth; mean depth; average depth; avg depth; mean snow depth; average snow depth; depth of snow; hs; sd; snow d; total depth; total snow depth; snow height; "
        "height of snow; snow thickness; pack depth; depth snow; snowpack depth; "
        "schneehohe; schneehoehe; mittlere schneehohe; gesamtschneehohe; schneetiefe; schneemachtigkeit; hohe schnee; "
        "hauteur neige; hauteur de neige; epaisseur; epaisseur neige; epaisseur de neige; hauteur; hauteur totale; htn; "
        "profondeur; profondeur de neige; "
        "profundidad; profundidad nieve; profundidad de nieve; espesor; espesor nieve; espesor de nieve; altura nieve; "
        "altura de nieve; altezza neve; altezza; altezza manto nevoso; altezza del manto nevoso; spessore; spessore neve; "
        "profondita; profondita neve; altezza della neve; "
        "snodybde; snodjup; snohoyde; dybde; total snodybde"
    ),
    "core": (
        "core; core length; length; length of core; core len; core depth; snow core; core height; tube reading; "
        "kern; kernlange; kernlaenge; bohrkernlange; bohrkern; lange kern; kernhohe; "
        "carotte; longueur carotte; longueur de carotte; longueur de la carotte; longueur; "
        "testigo; longitud testigo; longitud del testigo; longitud de testigo; largo testigo; nucleo; "
        "carota; lunghezza carota; lunghezza della carota; lunghezza; kjerne; kjernelengde; lengde kjerne; snokjerne"
    ),
    "swe": (
        "swe; mean swe; average swe; avg swe; mean water equivalent; snow water equivalent; water equivalent; water equiv; water eq; snow water; w e; we; sweq; "
        "snow water equiv; water content; snow water content; water equivalent of snow; pillow; snow pillow; lwe; "
        "wasserwert; ww; mittlerer wasserwert; wasseraquivalent; schneewasseraquivalent; wasseraequivalent; schneewasserwert; swa; "
        "schneewasseraequivalent; schneewasser; wasserequivalent; "
        "equivalent en eau; equivalent eau; equivalent eau neige; eau equivalente; een; eq eau; valeur en eau; "
        "equivalent en eau de la neige; equivalente en agua; equivalente agua; agua equivalente; equivalente de agua; "
        "equivalente en agua de la nieve; equivalente hidrico; ean; contenido de agua; "
        "equivalente in acqua; equivalente acqua; acqua equivalente; equivalente idrico; equivalente in acqua della neve; "
        "vannekvivalent; snoens vannekvivalent; snovannekvivalent; vannverdi; vanninnhold"
    ),
    "density": "density; snow density; bulk density; dichte; schneedichte; densite; densidad; densita; tetthet; snotetthet; rho",
    "mass_full": (
        "mass full; full; weight full; full weight; gross; gross weight; gross mass; tube and core; tube core; "
        "weight with snow; tube with snow; tube snow; full mass; weight of tube and core; tube and snow; full tube; with core; "
        "voll; brutto; bruttogewicht; gewicht voll; masse voll; rohr voll; vollgewicht; mit schnee; rohr mit schnee; "
        "plein; masse pleine; poids plein; pleine; poids brut; masse brute; tube plein; brut; avec neige; "
        "lleno; peso lleno; masa llena; peso bruto; tubo lleno; bruto; con nieve; "
        "pieno; peso pieno; massa piena; peso lordo; lordo; tubo pieno; con neve; full vekt; vekt full; bruttovekt; med sno; "
        "vekt fullt; fullt ror; fullt; masse full; full masse; masse fullt; bruttomasse"
    ),
    "mass_empty": (
        "mass empty; empty; weight empty; empty weight; tare; tare weight; tube; tube weight; empty mass; empty tube; "
        "weight of tube; tube only; without snow; without core; "
        "leer; tara; leergewicht; gewicht leer; masse leer; rohr leer; taragewicht; ohne schnee; rohr; "
        "vide; masse vide; poids vide; tube vide; sans neige; poids a vide; masse a vide; "
        "vacio; peso vacio; masa vacia; tubo vacio; vacia; sin nieve; "
        "vuoto; peso vuoto; massa vuota; tubo vuoto; vuota; senza neve; tom; tom vekt; vekt tom; tomvekt; uten sno; "
        "tomt ror; vekt tomt; tomt; masse tom; tom masse; masse tomt; tara vekt"
    ),
    "mass_net": (
        "net; net weight; net mass; core mass; core weight; snow mass; snow weight; mass; weight; weight of core; "
        "netto; nettogewicht; gewicht; schneemasse; poids net; masse nette; poids; masse; peso neto; peso; masa; "
        "peso netto; massa; vekt; nettovekt"
    ),
    "cutter": (
        "cutter; cutter area; tube area; area; cutter diameter; tube diameter; diameter; inner diameter; bore; cross section; "
        "cutting area; cutter size; opening; inside diameter; orifice; "
        "querschnitt; rohrflache; flache; stechflache; stechflaeche; schnittflache; stechquerschnitt; durchmesser; innendurchmesser; rohrdurchmesser; rohrquerschnitt; schneide; "
        "section; surface; section de coupe; surface de coupe; diametre; diametre interieur; diametre du tube; section tube; section du tube; surface du tube; "
        "seccion; diametro; diametro interior; diametro del tubo; area del tubo; area tubo; seccion tubo; area de corte; superficie del tubo; "
        "sezione; diametro interno; area tubo; sezione tubo; area di taglio; superficie tubo; tverrsnitt; tverrsnittsareal; rorareal; ror areal; "
        "rorets areal; skjareflate; diameter ror; rordiameter; areal; kutter"
    ),
    "cores": (
        "cores; number of cores; no of cores; n cores; core count; samples; number of samples; num samples; count; "
        "no of samples; n samples; cores weighed; number of points; points; "
        "anzahl; anzahl kerne; anzahl proben; kerne; anzahl der kerne; "
        "nombre de carottes; carottes; nb carottes; nombre carottes; nb echantillons; nombre d echantillons; "
        "numero de testigos; testigos; n testigos; numero testigos; muestras; numero de muestras; "
        "numero di carote; carote; n carote; numero carote; campioni; antall; antall kjerner; kjerner; antall prover; "
        "no of points; n points; num points; point count; anzahl punkte; anzahl messpunkte; punkte; nombre de points; nb points; "
        "nombre de sondages; numero de puntos; n de puntos; cantidad de puntos; puntos; numero di punti; numero punti; n punti; "
        "punti; antall punkter; antall malepunkter; punkter"
    ),
    "sampler": (
        "sampler; sampler type; tube type; type of tube; type of sampler; corer; instrument; device; equipment; gear; "
        "snow tube; snow sampler; sampler id; rohrtyp; sonde; gerat; geraet; probenehmer; schneerohr; schneesonde; tube; rohr; "
        "carottier; echantillonneur; appareil; type carottier; type de carottier; tube carottier; type de tube; "
        "muestreador; tomamuestras; sonda; tipo muestreador; tipo de tubo; toma muestras; tubo; "
        "campionatore; carotatore; tipo campionatore; strumento; tipo di tubo; provetaker; snoror; provetakertype; utstyr; ror; rortype"
    ),
    "nominal_date": (
        "nominal date; nominal; scheduled; scheduled date; target date; planned; planned date; due; due date; nominal day; "
        "survey round; round; survey period; nominal period; messperiode; periode de mesure; periodo de medicion; maleperiode; solltermin; stichtag; nominaldatum; solldatum; nominelles datum; termin; "
        "date nominale; date prevue; echeance; date cible; fecha nominal; fecha prevista; fecha programada; "
        "data nominale; data prevista; nominell dato; nominell; planlagt dato; planlagt; maldato"
    ),
    "remark": (
        "remark; remarks; comment; comments; note; notes; observations; observer notes; "
        "bemerkung; bemerkungen; anmerkung; kommentar; notiz; hinweis; "
        "remarque; remarques; commentaire; commentaires; observation; "
        "observaciones; observacion; comentario; comentarios; notas; nota; "
        "osservazioni; osservazione; commento; commenti; merknad; merknader; kommentarer; anmerkning; notat"
    ),
    "air_temperature": (
        "air temperature; air temp; airtemp; air; temperature; temp; t air; tair; t; at; t2m; air tc; airtc; ta; tavg; tmean; mean temperature; avg temp; "
        "temperature air; air temperature average; air temperature mean; air temperature observed; mean air temperature; "
        "average temperature; t mean; t avg; temp mean; temp avg; temperature mean; air t; "
        "lufttemperatur; temperatur; lufttemp; tagesmitteltemperatur; mitteltemperatur; tl; lufttemperatur mittel; tm; "
        "temperature de l air; temperature air; temperature moyenne; temp air; temp moyenne; tmoy; t moy; "
        "temperatura; temperatura del aire; temperatura aire; temp aire; temperatura media; temp media; tmed; "
        "temperatura aria; temperatura dell aria; temp aria; temperatura media aria; lufttemperatur middel; middeltemperatur; "
        "temperatur middel; temperature moyenne de l air; temperatura media del aire; temperatura media dell aria"
    ),
    "air_temperature_min": (
        "tmin; t min; min temp; min temperature; minimum temperature; air temperature min; air temperature minimum; "
        "temp min; temperature min; minimum air temperature; min air temperature; daily minimum; lowest temperature; low; tn; "
        "minimum; lufttemperatur min; lufttemperatur minimum; tagesminimum; minimumtemperatur; mindesttemperatur; "
        "temperature minimale; temp mini; temperatur min; temperature minimale de l air; temperature mini; "
        "temperatura minima; temperatura minima del aire; temperatura minima dell aria; minima; temperatura min; "
        "minimumstemperatur; laveste temperatur; air temp min; min"
    ),
    "air_temperature_max": (
        "tmax; t max; max temp; max temperature; maximum temperature; air temperature max; air temperature maximum; "
        "temp max; temperature max; maximum air temperature; max air temperature; daily maximum; highest temperature; high; tx; "
        "maximum; lufttemperatur max; lufttemperatur maximum; tagesmaximum; maximumtemperatur; hochsttemperatur; "
        "temperature maximale; temp maxi; temperatur max; temperature maximale de l air; temperature maxi; "
        "temperatura maxima; temperatura maxima del aire; temperatura massima; temperatura massima dell aria; maxima; "
        "massima; temperatura max; maksimumstemperatur; hoyeste temperatur; maksimumtemperatur; air temp max; max"
    ),
    "precipitation": (
        "precipitation; precip; rain; rainfall; precipitation increment; pcp; ppt; daily precipitation; precipitation sum; "
        "precipitation daily; precip increment; incremental precipitation; rr; "
        "niederschlag; tagesniederschlag; niederschlagssumme; regen; niederschlagsmenge; tagessumme niederschlag; "
        "precipitations; pluie; precip jour; precipitation journaliere; precipitations journalieres; "
        "precipitacion; lluvia; precipitacion diaria; pp; precipitazione; precipitazioni; pioggia; precipitazione giornaliera; "
        "nedbor; dognnedbor; nedborsmengde"
    ),
    "precipitation_total": (
        "precipitation total; total precipitation; precipitation accumulation; accumulated precipitation; "
        "cumulative precipitation; precip accum; precip accumulation; precipitation cumulative; season precipitation; "
        "precipitation to date; precip total; total precip; gauge; gauge total; cum precip; precipitation accumulated; "
        "precip cumulative; accumulated precip; precip accumulated; accumulation; ytd precipitation; gage; "
        "niederschlag summe; niederschlag kumuliert; kumulierter niederschlag; niederschlagstotal; niederschlag total; "
        "summenniederschlag; niederschlag akkumuliert; "
        "cumul precipitation; cumul precipitations; precipitations cumulees; precipitation cumulee; cumul; cumul de pluie; "
        "precipitacion acumulada; lluvia acumulada; acumulado; precipitacion total; acumulada; "
        "precipitazione cumulata; precipitazioni cumulate; cumulata; precipitazione totale; pioggia cumulata; "
        "nedbor akkumulert; akkumulert nedbor; nedborsum; sum nedbor; nedbor sum; akkumulert"
    ),
    "solar": (
        "solar; solar radiation; radiation; shortwave; short wave; sw down; swdown; global radiation; srad; rsds; sun; "
        "incoming solar; incoming shortwave; insolation; sw in; irradiance; solar energy; shortwave radiation; swin; ghi; "
        "globalstrahlung; strahlung; sonnenstrahlung; einstrahlung; kurzwellige strahlung; "
        "rayonnement; rayonnement global; rayonnement solaire; ensoleillement; radiacion; radiacion solar; radiacion global; "
        "radiazione; radiazione solare; radiazione globale; straling; solstraling; globalstraling; innstraling; kortbolget*"
    ),
    "issued": (
        "issued; issue; issue date; date issued; issued on; run; run date; model run; forecast date; reference time; released; "
        "published; reference date; base date; forecast issued; init; init date; "
        "ausgegeben; ausgabe; erstellt; ausgabedatum; prognosedatum; herausgegeben; modelllauf; erstellt am; ausgegeben am; "
        "emis; emission; date emission; date d emission; emis le; publie; emitido; emision; fecha emision; fecha de emision; "
        "publicado; emesso; emissione; data emissione; emesso il; data di emissione; utstedt; utgitt; utstedt dato; "
        "utgivelsesdato"
    ),
    "flight_id": (
        "flight id; flight; flight no; flight number; flight code; mission; campaign; survey id; acquisition; survey; flight name; "
        "flug; flug id; flugnummer; flugnr; befliegung; kampagne; vol; id vol; numero vol; code vol; campagne; mission id; "
        "vuelo; id vuelo; numero vuelo; codigo vuelo; campana; volo; id volo; codice volo; numero volo; campagna; "
        "flytur; flyging; flygning; flyvning; flynr; fly"
    ),
    "snow_on": (
        "snow on; snowon; winter; winter surface; snow surface; with snow; snow on surface; snow covered; dsm winter; on; "
        "mit schnee; winteroberflache; schneeoberflache; schnee; winter dsm; avec neige; surface hiver; surface enneigee; "
        "hiver; con nieve; superficie nevada; invierno; con neve; superficie innevata; inverno; med sno; vinter; vinterflate"
    ),
    "snow_off": (
        "snow off; snowoff; summer; summer surface; bare; bare ground; bare earth; snow free; without snow; snow off surface; "
        "dsm summer; off; ground; ohne schnee; sommer; schneefrei; sommeroberflache; gelande; sans neige; surface ete; ete; "
        "sol nu; sin nieve; verano; suelo; senza neve; estate; suolo; superficie estiva; uten sno; sommerflate; barmark; snofri"
    ),
    "stable_ground": (
        "stable ground; stable; stable areas; stable mask; control; control surface; roads; fixed ground; stable area; "
        "stable terrain; ground control; reference area; reference; "
        "stabil; stabiler boden; stabile flachen; referenzflachen; passflachen; strassen; stabiler grund; "
        "terrain stable; sol stable; zones stables; routes; surfaces stables; terreno estable; suelo estable; estable; "
        "zonas estables; terreno stabile; aree stabili; suolo stabile; stabile; stabil grunn; stabile; fast grunn; veier"
    ),
    "depth_se": (
        "depth se; se; standard error; depth error; error; sigma; uncertainty; accuracy; depth uncertainty; depth sigma; "
        "depth standard error; rmse; fehler; standardfehler; unsicherheit; genauigkeit; tiefenfehler; schneehohe fehler; "
        "erreur; erreur type; incertitude; precision; ecart type; error estandar; incertidumbre; error profundidad; "
        "errore; errore standard; incertezza; feil; standardfeil; usikkerhet; noyaktighet; dybdefeil"
    ),
    "variable": (
        "variable; parameter; quantity; element; product; band; field; what; layer; variable name; "
        "grosse; messgrosse; produkt; parametre; grandeur; produit; cantidad; parametro; producto; grandezza; prodotto; "
        "variabile; variabel; storrelse; "
    ),
    "path": (
        "path; file; filename; file name; raster; grid; location; raster file; file path; filepath; image; "
        "pfad; datei; dateiname; rasterdatei; bild; chemin; fichier; nom fichier; nom du fichier; grille; "
        "archivo; ruta; fichero; nombre archivo; imagen; percorso; nome file; immagine; file raster; fil; filnavn; sti; rasterfil"
    ),
    "day": (
        "day; day of year; month day; date; calendar day; mm dd; doy; day month; month and day; "
        "tag; kalendertag; datum; monat tag; jour; jour de l annee; date; mois jour; dia; dia del ano; fecha; mes dia; "
        "giorno; giorno dell anno; data; mese giorno; dag; dato; kalenderdag; maned dag"
    ),
    "period": (
        "period; years; reference period; normal period; base period; baseline; period of record; averaging period; "
        "zeitraum; periode; jahre; referenzperiode; bezugszeitraum; bezugsperiode; "
        "annees; periode de reference; periodo; anos; periodo de referencia; anni; periodo di riferimento; "
        "ar; referanseperiode; normalperiode; tidsrom"
    ),
    "normal_swe": "normal; normals; median; average; mean; mittelwert; mittel; normale; moyenne; media; promedio; middel",
    "start": (
        "start; begin; start time; start date; from; first; beginn; anfang; von; ab; debut; depuis; inicio; desde; inizio; da; dal; "
        "fra; begynnelse; startdato"
    ),
    "end": (
        "end; stop; end time; end date; until; to; last; ende; bis; fin; jusqu a; jusqua; hasta; fine; fino a; al; slutt; til; "
        "sluttdato"
    ),
    "action": (
        "action; decision; what; treatment; do; done; aktion; massnahme; entscheid; entscheidung; decision; accion; decision; "
        "azione; decisione; handling; tiltak; beslutning"
    ),
    "value": "value; new value; wert; neuer wert; valeur; valor; valore; verdi; nouvelle valeur; nuevo valor; nuovo valore; ny verdi",
    "who": "who; by; analyst; author; person; initials; wer; bearbeiter; analyst; qui; auteur; quien; autor; chi; autore; hvem; av",
    "when": "when; decided; decided on; entered; wann; am; quand; le; cuando; quando; nar; entered on; date entered; date",
    "why": (
        "why; reason; cause; because; explanation; warum; grund; begrundung; pourquoi; raison; motif; por que; porque; motivo; "
        "perche; motivazione; ragione; hvorfor; arsak; begrunnelse"
    ),
    "instrument": (
        "wind; wind speed; wind direction; gust; humidity; relative humidity; rh; battery; batt; voltage; pressure; soil; ground; "
        "dew point; dewpoint; surface temperature; snow temperature; soil temperature; soil moisture; albedo; panel; signal; "
        "panel temperature; record; recnbr; direction; slope; aspect; year; month; day of year; doy; "
        "windgeschwindigkeit; windrichtung; feuchte; luftfeuchte; batterie; spannung; luftdruck; boden; bodentemperatur; taupunkt; "
        "oberflachentemperatur; schneetemperatur; hangneigung; "
        "vent; vitesse vent; humidite; pression; point de rosee; temperature neige; temperature sol; pente; tension; "
        "viento; humedad; bateria; presion; punto de rocio; vento; umidita; batteria; pressione; "
        "vind; vindstyrke; fuktighet; batteri; spenning; lufttrykk; jordtemperatur"
    ),
    "month": (
        "jan; january; feb; february; mar; march; apr; april; may; jun; june; jul; july; aug; august; sep; sept; september; "
        "oct; october; nov; november; dec; december"
    ),
    "season": (
        "water year; wateryear; wy; season; year; winter; hydrological year; hydrologic year; snow year; "
        "jahr; saison; wasserjahr; hydrologisches jahr; annee; annee hydrologique; ano; ano hidrologico; temporada; "
        "anno; anno idrologico; stagione; ar; sesong; hydrologisk ar"
    ),
}
"""The phrases of each meaning, folded; a star ends a word that may go on (common practice, and dictionaries)."""

_OF_READINGS = (
    "flag flags quality qc qa qualifier status sensor flagg qualitat qualite calidad qualita kvalitet code sd std stdev "
    "stddev error uncertainty change delta difference percent pct anomaly percentile rank normal median prozent"
)
NO_READING = frozenset(_OF_READINGS.split())
"""Words of headers that tell about a reading and are none: "depth flag", "percent of normal"."""

_WORDS_OF_FILLING = (
    "of the a an and at in on de del della dell des du la le les l el los las di da der die das den dem von im am et y e i og "
    "for wgs84 asl"
)
FILLING = frozenset(_WORDS_OF_FILLING.split())
"""Words that carry no meaning by themselves, left out of how much of a header is understood."""
