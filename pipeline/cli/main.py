"""The `snowtally` command: a table for people, `--json` for machines, progress on stderr, exit statuses by the contract."""

from __future__ import annotations

import logging
import os
import sys
from typing import Annotated, Any

import typer

from snowtally.cli import (
    check,
    compare,
    cube,
    init,
    past,
    plan,
    prune,
    report,
    schedule,
    series,
    status,
    update,
    verify,
    withdraw,
)
from snowtally.cli.base import Failure, Status, app, finish
from snowtally.cli.version import versions
from snowtally.model.problems import ArchiveError, SettingsError, SnowtallyError, StoppedError
from snowtally.operations.stopping import number_of, stops_raised
from snowtally.storage.compiled import cache_compiled_code
from snowtally.storage.failure_log import failure_line

_WRONG_USE: Any = typer.BadParameter.__base__
"""Every error of use: Typer names one of them only, and the others have its parent."""

for command in (
    init.init,
    update.update,
    check.check,
    past.rerun,
    past.backfill,
    withdraw.withdraw,
    compare.compare,
    status.status,
    verify.verify,
    prune.prune,
    schedule.schedule,
    report.report,
    series.series,
    cube.cube,
    plan.plan,
):
    app.command()(command)


@app.callback(invoke_without_command=True)
def program(
    version: Annotated[
        bool, typer.Option("--version", help="Print the versions of the program, Python, GDAL and PROJ.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", hidden=True)] = False,
) -> None:
    """Print the versions where they are asked for."""
    if version:
        finish(versions(), as_json=as_json)
    if as_json:
        raise SettingsError("--json stands behind the command's name: snowtally status SETTINGS --json")


def main() -> None:
    """Run the command line. Every failure is one line and an exit status."""
    # Nothing here uses plugins of pydantic, and to look for them reads the description of every package installed.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Estimates give linear algebra one thread. To start one for each core takes a quarter of a second of every command.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # What libraries warn of goes to the log that -v shows.
    logging.captureWarnings(capture=True)
    try:
        cache_compiled_code()
        with stops_raised():
            code = _run()
        sys.exit(code)
    except _WRONG_USE as trouble:
        failure = Failure(f"{trouble.format_message().rstrip('.')}. Ask with --help", trouble.exit_code)
    except KeyboardInterrupt as stop:
        failure = _failure(StoppedError(number_of(stop)))
    except SnowtallyError as trouble:
        failure = _failure(trouble)
    except Exception as trouble:  # noqa: BLE001  the outermost place: whatever nobody foresaw is reported here, and logged
        failure = Failure(failure_line(trouble), Status.FAILED)
    finally:
        logging.captureWarnings(capture=False)
    finish(failure, as_json="--json" in sys.argv)


def _failure(trouble: SnowtallyError) -> Failure:
    return Failure(str(trouble), trouble.exit_status)


def _run() -> Any:  # noqa: ANN401  an exit status or a text, as SystemExit has it
    """Return the command's exit status once its output is written."""
    try:
        # Wrong use is one line too, for machines an object, where Typer by itself would draw a box.
        code = app(sys.argv[1:] or ["--help"], standalone_mode=False)
    except SystemExit as end:
        code = end.code
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read it wanted no more.
        _discard_output()
    except OSError as trouble:
        _discard_output()
        raise ArchiveError(f"the output could not be written: {trouble.strerror}. What was published stays") from None
    return code


def _discard_output() -> None:
    """Send to nowhere what is still to be written to stdout."""
    # The interpreter would try once more at its end, and complain.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


if __name__ == "__main__":
    main()
