"""Measuring sites of Larkmoor: where they stand, what their instruments and samplers say, and what goes wrong with them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pyproj import Transformer
from scipy import ndimage
from world_snow import LIQUID, Exposure, SitePoints, box_mean, depth_of, swe_of
from world_terrain import CRS, slope_degrees
from world_weather import FIRST_DAY, REFERENCE_M, STEPS_A_DAY, Season

SITES = (
    # site_id, name, kind, wanted elevation (m), in the margin, offset from its cell
    ("LS01", "Velloch Bench", "station", 1660, False, 1.10),
    ("LS02", "Nether Hesk", "station", 1740, False, 0.98),
    ("LS03", "Quarnel Meadow", "station", 1800, False, 1.05),
    ("LS04", "Dunsift Hollow", "station", 1910, False, 0.86),
    ("LS05", "Ambrel Flat", "station", 2020, False, 1.08),
    ("LS06", "Sorrow Mire", "station", 2130, True, 1.12),
    ("LS07", "Tansel Shelf", "station", 2240, False, 0.93),
    ("LS08", "Upper Duskwater", "station", 2370, False, 1.18),
    ("LS09", "Cairnless Saddle", "station", 2540, False, 1.02),
    ("LS10", "Thrimble Cirque", "station", 2780, False, 1.12),
    ("LC01", "Hallow Ford", "course", 1690, False, 1.02),
    ("LC02", "Ebbing Wood", "course", 1740, False, 1.09),
    ("LC03", "Withy Glade", "course", 1860, False, 1.02),
    ("LC04", "Marrowbeck", "course", 1960, False, 1.06),
    ("LC05", "Lantern Meadow", "course", 2070, True, 1.00),
    ("LC06", "Old Sluice", "course", 2180, False, 1.14),
    ("LC07", "Grey Plover Moor", "course", 2300, False, 0.82),
    ("LC08", "Oxter Bench", "course", 2450, False, 1.12),
    ("LC09", "High Larkmoor", "course", 2640, False, 1.07),
)
NO_GAUGE = ("LS04", "LS09")
NO_DEPTH = ("LS02", "LS07")
OFFSET_SCALE = 1.03
"""Brings the sites' mean ratio to their cells near peak to about 1.08; set once from a run."""
SAMPLER_A_GAIN = 1.04
"""Samplers of type A weigh this much too heavy on average; type B weighs true."""
SAMPLERS = {
    "LC01": "B",
    "LC02": "A",
    "LC03": "A",
    "LC04": "A",
    "LC05": "A",
    "LC06": "B",
    "LC07": "B",
    "LC08": "B",
    "LC09": "A",
}
WEIGHED = ("LC01", "LC06", "LC07", "LC08")
"""Courses whose sheets give the weights of the tube instead of the water equivalent."""
DECEMBER_COURSES = ("LC04", "LC06", "LC08", "LC09")


def choose_sites(
    exposure: Exposure, inside: np.ndarray, seed: np.random.SeedSequence
) -> tuple[pd.DataFrame, SitePoints]:
    """Return the sites table and the sites as points of the simulation.

    Gentle, fairly sheltered, open ground near the wanted elevation, as far from the other sites as a random draw allows.

    Parameters
    ----------
    exposure : the ground on the snow's lattice.
    inside : pixels in the basin.
    seed : of the choice.
    """
    rng = np.random.default_rng(seed)
    lattice = exposure.lattice
    gentle = ndimage.maximum_filter(slope_degrees(ndimage.gaussian_filter(exposure.elevation, 1)), 5) < 19
    open_enough = box_mean(exposure.canopy, 5) < 0.62
    # Those who choose sites want snow that lies as it fell: no wind scours or fills the place, and no gully ends there.
    calm = np.all([np.abs(box_mean(exposure.shelter[wind], 5)) < 0.4 for wind in (3, 4, 5, 6, 7)], axis=0)
    calm &= np.abs(np.log(box_mean(exposure.catch, 5))) < 0.2
    usable = gentle & open_enough & calm & ~ndimage.maximum_filter(exposure.rock, 9)
    usable[:15], usable[-15:], usable[:, :15], usable[:, -15:] = False, False, False, False
    from_basin = ndimage.distance_transform_edt(~inside) * lattice.pixel
    to_edge = ndimage.distance_transform_edt(inside) * lattice.pixel
    chosen: list[tuple[int, int]] = []
    for _, _, _, wanted, margin, _ in SITES:
        where = (from_basin > 300) & (from_basin < 2500) if margin else (to_edge > 250)
        rows, columns = np.nonzero(usable & where & (np.abs(exposure.elevation - wanted) < 35))
        take = rng.choice(rows.size, min(40, rows.size), replace=False)
        distance = [min((np.hypot(rows[i] - r, columns[i] - c) for r, c in chosen), default=0.0) for i in take]
        best = take[int(np.argmax(np.minimum(distance, 250)))]  # 5 km apart is far enough
        chosen.append((int(rows[best]), int(columns[best])))
    row, column = np.array(chosen).T
    x, y = lattice.x[column].round(0), lattice.y[row].round(0)
    longitude, latitude = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(x, y)
    elevation = exposure.elevation[row, column]
    table = pd.DataFrame(
        {
            "site_id": [site[0] for site in SITES],
            "name": [site[1] for site in SITES],
            "kind": [site[2] for site in SITES],
            "longitude": np.round(longitude, 5),
            "latitude": np.round(latitude, 5),
            "elevation_m": np.round(elevation + rng.normal(0, 5, len(SITES))).astype(int),
            "from": [f"{2004 + int(rng.integers(0, 20))}-10-01" for _ in SITES],
            "until": "",
        }
    )
    table.attrs["x"], table.attrs["y"] = x, y
    windows = []
    for east, north in zip(x, y, strict=True):
        first_row = round((lattice.north - (np.floor(north / 100) * 100 + 100)) / lattice.pixel)
        first_column = round((np.floor(east / 100) * 100 - lattice.west) / lattice.pixel)
        windows.append((slice(first_row, first_row + 5), slice(first_column, first_column + 5)))
    clearing = 0.55 * np.array([exposure.canopy[window].mean() for window in windows])
    offset = OFFSET_SCALE * np.array([site[5] for site in SITES])
    return table, SitePoints(
        windows, elevation.astype(np.float32), clearing.astype(np.float32), offset.astype(np.float32)
    )


def site_days(sites: SitePoints) -> tuple[np.ndarray, np.ndarray]:
    """Return the sites' true daily mean SWE (mm) and depth (m), both (day, site)."""
    states = np.stack(sites.history)
    before = np.concatenate([np.zeros_like(states[:1]), states[:-1]])
    middle = (states + before) / 2
    middle = middle.reshape(-1, STEPS_A_DAY, *states.shape[1:]).mean(axis=1).swapaxes(0, 1)
    return swe_of(middle), depth_of(middle)


def station_records(
    table: pd.DataFrame, sites: SitePoints, season: Season, seed: np.random.SeedSequence
) -> pd.DataFrame:
    """Return the stations' six-hourly records with the instruments' noise and the planted faults.

    A reading at an hour is the state of that hour; precipitation is the gauge's total since it was emptied on 1 October.
    """
    states = np.stack(sites.history)
    states = np.concatenate(
        [np.zeros_like(states[:1]), states[:-1]]
    )  # the reading at 00:00 precedes the day's first step
    times = pd.date_range(FIRST_DAY, periods=len(states), freq="6h")
    fallen = np.concatenate([np.zeros((1, states.shape[2])), np.stack(sites.fallen)[:-1]])
    between = (season.temperature + np.roll(season.temperature, 1)) / 2
    frames = []
    for number, (site_id, child) in enumerate(zip(table["site_id"], seed.spawn(len(table)), strict=True)):
        if table["kind"][number] != "station":
            continue
        rng = np.random.default_rng(child)
        count = len(times)
        swe = swe_of(states[:, :, number].T)
        depth = depth_of(states[:, :, number].T)
        pillow = swe + rng.normal(0, 1.8, count) + 3.0 * _slow(rng, count)
        sounder = 100 * depth + rng.normal(0, 1.0, count) + 0.5
        lift = (sites.elevation[number] - REFERENCE_M) / 1000.0
        hollow = rng.uniform(0, 1.2) * (times.hour.to_numpy() == 6)  # cold air gathers at night
        air = between + season.lapse * lift - hollow + rng.normal(0, 0.25) + rng.normal(0, 0.3, count)
        cold = air < 0.5
        caught = fallen[:, number] * np.where(cold, rng.uniform(0.84, 0.93), 0.97)
        gauge = np.cumsum(caught) + np.abs(rng.normal(0, 0.15, count))
        frame = pd.DataFrame(
            {
                "site_id": site_id,
                "time": times.strftime("%Y-%m-%dT%H:%M-02:00"),
                "swe_mm": pillow.round(0),
                "depth_cm": sounder.round(0).clip(min=-1),
                "air_temperature_c": air.round(1),
                "precipitation_total_mm": np.maximum.accumulate(gauge).round(1),
            }
        )
        if site_id in NO_GAUGE:
            frame["precipitation_total_mm"] = np.nan
        if site_id in NO_DEPTH:
            frame["depth_cm"] = np.nan
        frames.append(break_station(site_id, frame, times))
    return pd.concat(frames, ignore_index=True)


def _slow(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return slow instrument drift, standard deviation about 1, correlated over some ten days."""
    return ndimage.gaussian_filter1d(rng.standard_normal(count + 200), 20)[100:-100] * 8.4


def break_station(site_id: str, frame: pd.DataFrame, times: pd.DatetimeIndex) -> pd.DataFrame:
    """Return a station's records with its planted faults, each listed in the README."""
    day = times.strftime("%Y-%m-%d").to_numpy()
    if site_id == "LS05":  # the depth sensor dies
        frame.loc[times >= "2031-02-11 12:00", "depth_cm"] = -9999
    if site_id == "LS03":  # one spike
        frame.loc[times == "2031-03-12 06:00", "swe_mm"] += 250
    if site_id == "LS06":  # SWE sent in inches for five days
        inches = (day >= "2031-04-21") & (day <= "2031-04-25")
        frame.loc[inches, "swe_mm"] = (frame.loc[inches, "swe_mm"] / 25.4).round(1)
    if site_id == "LS10":  # the depth sensor repeats one value for eleven days
        stuck = (day >= "2030-12-20") & (day <= "2030-12-30")
        frame.loc[stuck, "depth_cm"] = frame.loc[stuck, "depth_cm"].iloc[0]
    if site_id == "LS08":  # silent for six days
        frame = frame[(day < "2031-01-20") | (day > "2031-01-25")]
    return frame


def survey_dates(seed: np.random.SeedSequence) -> list[tuple[str, pd.Timestamp, pd.Timestamp]]:
    """Return course, nominal date and true date of every survey, the true one within four days of the first of the month."""
    rng = np.random.default_rng(seed)
    found = []
    for nominal in pd.to_datetime(
        [f"{month}-01" for month in ("2030-12", "2031-01", "2031-02", "2031-03", "2031-04", "2031-05", "2031-06")]
    ):
        for site_id in [site[0] for site in SITES if site[2] == "course"]:
            if nominal.month == 12 and site_id not in DECEMBER_COURSES:
                continue
            found.append((site_id, nominal, nominal + pd.Timedelta(days=int(rng.integers(-4, 5)))))
    return found


def course_samples(table: pd.DataFrame, sites: SitePoints, seed: np.random.SeedSequence) -> pd.DataFrame:
    """Return the course sheets: points along each course, cores by two kinds of sampler, and the planted faults."""
    seeds = seed.spawn(2 + len(table))
    states = np.stack(sites.history)
    points, counts = {}, {}
    for number, site_id in enumerate(table["site_id"]):
        rng = np.random.default_rng(seeds[2 + number])
        counts[site_id] = int(rng.integers(6, 11))
        pattern = np.exp(rng.normal(0, 0.12, 14))  # the same points are deep every time
        points[site_id] = (rng, pattern / pattern[: counts[site_id]].mean())
    rows = []
    for site_id, nominal, date in survey_dates(seeds[0]):
        number = int(np.flatnonzero(table["site_id"] == site_id)[0])
        noon = states[(date - pd.Timestamp(FIRST_DAY)).days * STEPS_A_DAY + 1][:, number]
        swe, depth = float(swe_of(noon)), float(depth_of(noon))
        rng, pattern = points[site_id]
        rows += survey(site_id, (nominal, date), (swe, depth, float(noon[LIQUID])), pattern[: counts[site_id] + 3], rng)
    sheets = pd.DataFrame(rows)
    lengths = ["depth_cm", "core_cm"]
    # A blank is no number yet; the planted mix-up of units gives lengths decimals.
    return break_courses(
        sheets.assign(**{name: pd.to_numeric(sheets[name], errors="coerce").astype(float) for name in lengths})
    )


def survey(
    site_id: str,
    dates: tuple[pd.Timestamp, pd.Timestamp],
    snow: tuple[float, float, float],
    pattern: np.ndarray,
    rng: np.random.Generator,
) -> list[dict[str, object]]:
    """Return the sheet of one visit: a row a point.

    Parameters
    ----------
    site_id : the course.
    dates : nominal and true.
    snow : SWE (mm), depth (m) and liquid water (mm) at the course.
    pattern : how each point compares with the course; the last three are depth-only points, used by some courses.
    rng : of the sampling.
    """
    nominal, date = dates
    swe, depth, liquid = snow
    sampler = SAMPLERS[site_id]
    blank = {
        "core_cm": "",
        "swe_mm": "",
        "mass_full_g": "",
        "mass_empty_g": "",
        "cutter_cm2": "",
        "cores": "",
        "remark": "",
    }
    common = {"site_id": site_id, "date": f"{date:%Y-%m-%d}", "sampler": sampler, "nominal_date": f"{nominal:%Y-%m-%d}"}
    out: list[dict[str, object]] = []
    cored = len(pattern) - 3
    here = depth * pattern * np.exp(rng.normal(0, 0.05, len(pattern)))
    here = np.where(here < 0.02, 0.0, here)
    density = (swe / depth if depth > 0 else 0.0) * np.exp(rng.normal(0, 0.025, len(pattern)) + 0.10 * np.log(pattern))
    gain = SAMPLER_A_GAIN if sampler == "A" else 1.0
    measured = here * density * gain * np.exp(rng.normal(0, 0.02, len(pattern)))
    if site_id == "LC01" and 0.02 < depth < 0.30:  # too thin for single cores: one weight for five
        cutter, empty = 30.0, 815
        mass = float(measured[:5].mean()) * cutter * 5 / 10
        weights = {"mass_full_g": round(empty + mass), "mass_empty_g": empty, "cutter_cm2": cutter, "cores": 5}
        return [
            {
                **blank,
                **common,
                "point": "1-5",
                "depth_cm": round(100 * here[:5].mean()),
                **weights,
                "remark": "thin snow, cores weighed together",
            }
        ]
    for point in range(cored + (3 if site_id in ("LC03", "LC09") else 0)):
        row = {**blank, **common, "point": str(point + 1), "depth_cm": round(100 * here[point])}
        if here[point] == 0.0:
            row |= {"core_cm": 0, "swe_mm": 0, "remark": "bare"}
        elif point >= cored:
            row |= {"sampler": "", "remark": "depth only"}
        else:
            row["core_cm"] = max(1, min(row["depth_cm"], round(100 * here[point] * rng.uniform(0.90, 0.995))))
            if site_id in WEIGHED:
                cutter, empty = 11.4, 940 + int(rng.integers(-4, 5))
                row |= {
                    "mass_full_g": round(empty + measured[point] * cutter / 10),
                    "mass_empty_g": empty,
                    "cutter_cm2": cutter,
                }
            else:
                row["swe_mm"] = int(5 * round(measured[point] / 5)) if measured[point] > 60 else round(measured[point])
            if liquid > 5 and point == 0:
                row["remark"] = "wet snow"
        out.append(row)
    return out


def break_courses(sheets: pd.DataFrame) -> pd.DataFrame:
    """Return the sheets with the planted faults, each listed in the README."""
    month = sheets["nominal_date"].str[:7]

    def at(site_id: str, year_month: str, point: str) -> pd.Series:
        return (sheets["site_id"] == site_id) & (month == year_month) & (sheets["point"] == point)

    heavy = at("LC04", "2031-02", "4")
    sheets.loc[heavy, "swe_mm"] = sheets.loc[heavy, "swe_mm"].map(lambda swe: 5 * round(2.05 * swe / 5))
    long = at("LC02", "2031-03", "2")
    sheets.loc[long, "core_cm"] = sheets.loc[long, "depth_cm"].map(lambda depth: round(1.22 * depth))
    inches = (sheets["site_id"] == "LC07") & (month == "2031-04")
    for column in ("depth_cm", "core_cm"):
        sheets.loc[inches, column] = sheets.loc[inches, column].map(lambda depth: round(depth / 2.54, 1))
    tare = at("LC08", "2031-02", "3")
    sheets.loc[tare, "mass_empty_g"] = 640
    twice = sheets[at("LC05", "2031-03", "3")]
    sheets = pd.concat([sheets, twice]).sort_index(kind="stable").reset_index(drop=True)
    order = [
        "site_id",
        "date",
        "point",
        "depth_cm",
        "core_cm",
        "swe_mm",
        "mass_full_g",
        "mass_empty_g",
        "cutter_cm2",
        "cores",
    ]
    return sheets[[*order, "sampler", "nominal_date", "remark"]]
