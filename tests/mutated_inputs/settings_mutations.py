"""Mutations of the settings and of the words of the command."""

from __future__ import annotations

import random
from pathlib import Path

from mutation_kinds import DATE, SETTINGS, mutation, read_settings_text, set_settings

ODD = (
    None, "", 0, -1, 1e308, float("nan"), float("inf"), 10**400, True, [], {}, [[]], {"a": {"b": []}}, "x", "\x1b[31mred", "x" * 100_000,
    "30.48", 30.48, "-2", "2031-03-05", "..", "a\nb", ["sites.csv", "sites.csv"], {1: 2},
)  # fmt: skip
KEYS = (
    "basin", "basin.id", "basin.title", "basin.zones", "basin.utc_offset_hours", "basin.season_start", "basin.margin_m", "grid",
    "grid.crs", "grid.cell_m", "bands", "bands.width_m", "bands.edges_m", "terrain", "terrain.elevation", "inputs", "inputs.sites",
    "inputs.courses", "columns", "columns.courses.swe", "formats", "formats.stations.clock", "formats.courses.dates", "missing",
    "checks", "checks.point_outlier_mad", "checks.density_low_kg_m3", "stations.silent_days", "flights.most_shift_m", "flights.water",
    "density.snow_class", "blend.method", "blend.wind_from_deg", "report.units", "operations.schedule.at", "archive", "nonsense",
)  # fmt: skip


@mutation("settings: odd value", 5.0)
def _value(chance: random.Random, home: Path) -> None:
    key, odd = chance.choice(KEYS), chance.choice(ODD)
    if key == "archive" and odd == "..":
        odd = "a\nb"

    def change(content: dict) -> None:
        *parents, last = key.split(".")
        within = content
        for parent in parents:
            within = within.setdefault(parent, {})
            if not isinstance(within, dict):
                return
        within[last] = odd

    set_settings(home, change)


@mutation("settings: grid and bands", 2.0)
def _grid(chance: random.Random, home: Path) -> list[str] | None:
    cell = chance.choice((30.48, 1e-9, 1e9, 33.3333, 7.1, 1.0, 60.96, 91.44))
    crs = chance.choice(
        (
            "EPSG:32625",
            "EPSG:32625",
            "EPSG:4326",
            "EPSG:99999",
            "EPSG:3857",
            "EPSG:2225",
            "",
            "+proj=utm +zone=25 +units=us-ft",
        )
    )
    edges = chance.choice((None, [1500, 1500], [9000, 1000], [float("nan")], [-1e300, 1e300], list(range(9000))))

    def change(content: dict) -> None:
        content["grid"] = {"crs": crs, "cell_m": cell}
        if edges is not None:
            content["bands"] = {"edges_m": edges}
        content["basin"]["utc_offset_hours"] = chance.choice((-2, 14, -12.5, 1e9, 25, 0.0001))

    set_settings(home, change)
    return ["update", SETTINGS, "--date", DATE] if chance.random() < 0.5 else None


@mutation("settings: YAML as it should not be", 3.0)
def _yaml(chance: random.Random, home: Path) -> None:
    path = home / SETTINGS
    text = path.read_text("utf-8")
    depth = chance.choice((100, 2000, 100_000))
    bomb = "a0: &a0 x\n" + "".join(f"a{n}: &a{n} [" + ", ".join([f"*a{n - 1}"] * 10) + "]\n" for n in range(1, 10))
    path.write_text(
        chance.choice(
            (
                text + "deep: " + "[" * depth + "]" * depth + "\n",
                text + "deep: " + "{a: " * depth + "1" + "}" * depth + "\n",
                "".join(" " * n + "a:\n" for n in range(2000)),
                text + bomb, text + text, "\t" + text, "--- \n" + text + "---\n" + text, "", "5", "[]", "null", "&a [*a]", "a: &a {b: *a}",
                text.replace("basin:", "basin: !!python/object/apply:os.getcwd", 1), text + "\x00", text + "\x07", "\ufeff" + text,
                text.replace(": ", ":"), text.replace("archive: archive", "archive: archive\n<<: {archive: other}"), text + "? [a]\n: b\n",
                text + "x: 2031-99-99\n", text + "x: !!binary 5\n", text + "x: !!timestamp y\n", text + "y: 0o9\nz: 1:99:99\n", "%YAML 9.9\n" + text,
            )
        ),
        "utf-8",
    )  # fmt: skip


@mutation("settings: bytes and lines", 3.0)
def _bytes(chance: random.Random, home: Path) -> None:
    path = home / SETTINGS
    data = bytearray(path.read_bytes())
    # What follows `archive:` stays: a night must not write anywhere.
    reach = data.index(b"archive:")
    for _ in range(chance.choice((1, 2, 6))):
        place = chance.randrange(reach)
        match chance.randrange(3):
            case 0:
                data[place] = chance.randrange(256)
            case 1:
                del data[place]
                reach -= 1
            case 2:
                data[place:place] = chance.choice((b"\n", b" ", b":", b"'", b"&", b"*", b"{", b"\xff"))
                reach += 1
    path.write_bytes(data)


@mutation("settings: no plain file")
def _file(chance: random.Random, home: Path) -> list[str]:
    (home / "loop.yaml").symlink_to("loop.yaml")
    (home / "folder.yaml").mkdir()
    (home / "empty.yaml").write_bytes(b"")
    odd = chance.choice(
        (
            "loop.yaml",
            "folder.yaml",
            "empty.yaml",
            "missing.yaml",
            "x" * 5000,
            "elevation.tif",
            "/dev/null",
            "courses.xlsx",
            "",
        )
    )
    return [chance.choice(("check", "update", "status", "verify")), odd]


@mutation("command: odd words", 3.0, archive=True)
def _words(chance: random.Random, _home: Path) -> list[str]:
    date = chance.choice(
        (
            "0001-01-01", "9999-12-31", "2031-02-30", "20310305", "", "2031-W10-3", "-1", "2031-03-05T00:00", "2031-03-05@1", "r²", "\x1b[31m",
            "9999-12-30", "0001-01-02", "2031-03-05@999999999999999999999", "2031-03-05@²", "2031-03-05@-1", "1677-01-01", "2262-04-12", "x" * 5000,
            "2131-03-05", "1931-03-05",
        )
    )  # fmt: skip
    return chance.choice(
        (
            ["check", SETTINGS, "--date", date],
            ["update", SETTINGS, "--date", date],
            ["rerun", SETTINGS, "--date", date, "--reason", "trial"],
            ["rerun", SETTINGS, "--date", DATE, "--until", date, "--reason", "trial"]
            if date < "2031-04"
            else ["status", SETTINGS],
            ["rerun", SETTINGS, "--inputs-of", date],
            ["withdraw", SETTINGS, f"{date}@1", "--reason", "trial"],
            ["compare", SETTINGS, DATE, date],
            ["report", SETTINGS, "--date", date],
            ["status", SETTINGS, "--max-age-days", chance.choice(("-1", "1e308", "x", "99999999999"))],
            ["verify", SETTINGS, "--date", date],
        )
    )


@mutation("settings: names with control characters")
def _names(chance: random.Random, home: Path) -> list[str]:
    odd = chance.choice(
        (
            "\x1b[31mred\x1b[0m",
            "\x1b]0;owned\x07",
            "a\x08b",
            "a\rb",
            "\x9b31m",
            "\u202eabc",
            "[red]x[/red]",
            "<b>x</b>",
            "x\u2028y",
        )
    )
    content = read_settings_text(home)
    content["basin"]["title"] = odd
    set_settings(home, lambda old: old.update(content))
    return [chance.choice(("check", "update")), SETTINGS, "--date", DATE]
