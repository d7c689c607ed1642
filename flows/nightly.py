"""The nightly flow: the dates due of every basin, one after the other; one basin's failure never hides another's success."""

from __future__ import annotations

import datetime as dt
import json
import sys

from snowtally.flows.quiet import set_environment

set_environment()

from prefect import flow
from prefect.states import State

from snowtally.flows.tasks import closing, mark_crashed, results_of, run_one
from snowtally.operations.night import NightResult
from snowtally.operations.nights import exit_status, night_of
from snowtally.operations.run_id import new_run_id


@flow(name="nightly", log_prints=False, persist_result=False)
def nightly(settings_files: list[str], now: str | None = None, run_id: str | None = None) -> State:
    """Run what is due of every basin and return the results.

    Parameters
    ----------
    settings_files : one settings file a basin.
    now : the instant as of which dates are due, ISO 8601 with offset; default the clock's.
    run_id : the run's name in logs and messages; default a new one.

    The flow fails when a night failed, after all have been run; its message names them.
    """
    mark_crashed(settings_files)
    instant = dt.datetime.now(dt.UTC) if now is None else dt.datetime.fromisoformat(now)
    return closing(night_of(settings_files, instant, run_id or new_run_id(), run_one), "nightly-summary")


def main() -> None:
    """Run the flow by its arguments and print its results as the last line.

    The arguments are one word of JSON. The schedule starts this.
    """
    from snowtally.operations.child_process import end_with_parent
    from snowtally.operations.stopping import number_of, stops_raised

    end_with_parent()
    try:
        with stops_raised():
            state = nightly(**json.loads(sys.argv[1]), return_state=True)
    except KeyboardInterrupt as stop:
        sys.exit(128 + number_of(stop))
    results = results_of(state)
    sys.stdout.write(json.dumps({"results": results}) + "\n")
    sys.exit(exit_status([NightResult.from_plain(one) for one in results]))


if __name__ == "__main__":
    main()
