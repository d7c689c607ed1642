"""The command that holds two revisions against each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.base import JsonOption, SettingsFile, print_json, print_tables


def compare(
    settings: SettingsFile,
    a: Annotated[
        str, typer.Argument(metavar="A", help="A date (what stands) or a revision: 2031-03-01, 2031-03-01@1.")
    ],
    b: Annotated[str, typer.Argument(metavar="B", help="The other, likewise.")],
    other: Annotated[
        str | None,
        typer.Option("--other", metavar="PATH", help="B stands in this archive (or URL), made by `rerun --into PATH`."),
    ] = None,
    output_folder: Annotated[
        Path | None,
        typer.Option(
            "--output-folder", metavar="PATH", help="Write tables, rows, the difference map and a page here as well."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Tell what changed from A to B: inputs, settings, models, totals with their errors, the map, the sites."""
    from pipeline.cli.printing_compare import compare_json, compare_tables  # noqa: PLC0415
    from pipeline.inspection import compare as comparing  # noqa: PLC0415
    from pipeline.report.units import UNITS  # noqa: PLC0415
    from pipeline.settings.basin import read_settings  # noqa: PLC0415
    from pipeline.storage.paths import named_path, outside_archives  # noqa: PLC0415

    chosen = read_settings(settings)
    if output_folder is not None:
        outside_archives(output_folder, "--output-folder")
    root, basin, units = chosen.archive_root, chosen.basin.id, UNITS[chosen.report.units]
    found = comparing.compare(
        basin,
        comparing.find_side(root, basin, a),
        comparing.find_side(root if other is None else named_path(other, Path.cwd()), basin, b),
    )
    content = compare_json(basin, found)
    if output_folder is not None:
        from pipeline.inspection.compare_files import write_files  # noqa: PLC0415
        from pipeline.report.compare_page import COMPARE_PAGE, compare_page  # noqa: PLC0415
        from pipeline.storage.failures import explained  # noqa: PLC0415

        content["files"] = write_files(found, basin, content, output_folder)
        with explained(f"Cannot write the comparison's page into {output_folder}"):
            page = compare_page(found, basin, units)
            (output_folder / COMPARE_PAGE).write_bytes(page)
        content["files"] = sorted([*content["files"], COMPARE_PAGE])
    if as_json:
        print_json(content)
    else:
        parts = compare_tables(found, units)
        print_tables([*parts, f"Written: {output_folder}"] if output_folder is not None else parts)
