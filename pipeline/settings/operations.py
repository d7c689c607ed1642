"""How nights are run, as a block of the settings: when, how patiently, on which machines, and who is told.

None of it decides what a day's estimate is, so none of it is in a day's record: an alert's address may be a secret.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from snowtally.model.block import Block

MOST_S = 1e6
"""Nothing is waited for longer, s: a dozen days."""


class Schedule(Block):
    """When nights are run.

    Parameters
    ----------
    at : hour and minute of the basin's standard time.
    catch_up_days : so many days back a night without a revision is made up for: a week is a long outage.
    watch_days : so many days back inputs are looked at again: courses come in within a month. 0 looks at none.
    rerun_late : whether dates whose inputs changed are estimated again at once, or only told.
    """

    at: str = "05:30"
    catch_up_days: Annotated[int, Field(ge=1, le=366)] = 7
    watch_days: Annotated[int, Field(ge=0, le=366)] = 30
    rerun_late: bool = False

    @field_validator("at", mode="before")
    @classmethod
    def _is_a_time(cls, value: object) -> str:
        # Unquoted, YAML takes 05:30 for 330: a number to the base of sixty.
        return time_of_day(value).strftime("%H:%M")


def time_of_day(value: object) -> dt.time:
    """Return an hour and minute such as 05:30.

    Raises ValueError for anything else.
    """
    try:
        return dt.datetime.strptime(str(value), "%H:%M").time()  # noqa: DTZ007  an hour of the basin's own clock
    except ValueError:
        raise ValueError(f"'{value}' is not an hour and minute such as \"05:30\", in quotation marks") from None


class Arrival(Block):
    """How long inputs that are still being written are waited for.

    Parameters
    ----------
    quiet_s : a file unchanged for so long has arrived, s: a copy over a slow line pauses for seconds, not minutes.
    wait_s : after so long a flight is left for the next night, s; a table is read as it stands.
    """

    quiet_s: Annotated[float, Field(gt=0, le=MOST_S)] = 60.0
    wait_s: Annotated[float, Field(ge=0, le=MOST_S)] = 1800.0


class Retry(Block):
    """How often trouble outside the program is tried again.

    Parameters
    ----------
    times : tries after the first.
    first_wait_s : wait before the second try, s; each further wait is twice as long (1, 2, 4 minutes).
    """

    times: Annotated[int, Field(ge=0, le=10)] = 3
    first_wait_s: Annotated[float, Field(ge=0, le=MOST_S)] = 60.0

    @property
    def waits_s(self) -> list[float]:
        """The waits before the second and each further try, s."""
        return [self.first_wait_s * 2**n for n in range(self.times)]


class Limits(Block):
    """How long a basin's night may take.

    Parameters
    ----------
    night_s : a night that runs longer is stopped and has failed, s: the largest basin takes minutes. What it waits is not counted.
    raster_gb : a raster larger than this over the basin grid, once decoded, is refused before it is read, GB: 2 000 km2 at 1 m.
    """

    night_s: Annotated[float, Field(gt=0, le=MOST_S)] = 3600.0
    raster_gb: Annotated[float, Field(gt=0)] = 8.0


class Workers(Block):
    """Where the dates of a backfill are run.

    Parameters
    ----------
    engine : serial, one after the other; processes, in lasting ones of this machine; dask, on the cluster of `dask.address`,
        whose workers see archive and inputs under the same paths.
    count : dates at once; default as many as cores.
    """

    engine: Literal["serial", "processes", "dask"] = "serial"
    count: Annotated[int, Field(ge=1)] | None = None


class Alert(Block):
    """Where an alert goes.

    A command reads one JSON object, or an address gets it by POST.

    Parameters
    ----------
    command : program and arguments; no shell is between.
    webhook : address, http or https.
    webhook_from : name of the environment variable that holds the address, where that is a secret.
    """

    command: Annotated[list[str], Field(min_length=1)] | None = None
    webhook: str | None = None
    webhook_from: str | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Alert:
        if sum(way is not None for way in (self.command, self.webhook, self.webhook_from)) != 1:
            raise ValueError("give one of command, webhook and webhook_from")
        if self.webhook is not None and urlsplit(self.webhook).scheme not in ("http", "https"):
            raise ValueError("webhook must begin with http:// or https://")
        return self


class Alerts(Block):
    """Where alerts of nights go.

    `on_degraded` hears of nights that are degraded, marked for a second look, or have late inputs too.
    """

    on_failure: Alert | None = None
    on_degraded: Alert | None = None


class Gate(Block):
    """When a published total is marked for a second look.

    Parameters
    ----------
    most_se : a change of the basin's mean SWE that is further from the sites' than so many standard errors. Errors of
        neighbouring nights are much alike; a flight that sets the map right by more than two comes once in twenty.
    """

    most_se: Annotated[float, Field(gt=0)] = 2.0


class Operations(Block):
    """How nights are run."""

    schedule: Schedule = Schedule.model_construct()
    arrival: Arrival = Arrival.model_construct()
    retry: Retry = Retry.model_construct()
    limits: Limits = Limits.model_construct()
    workers: Workers = Workers.model_construct()
    alerts: Alerts = Alerts.model_construct()
    gate: Gate = Gate.model_construct()

    @property
    def lock_wait_s(self) -> float:
        """How long another run of the date is waited for, s.

        As long as its own work may take.
        """
        return self.limits.night_s

    @property
    def longest_s(self) -> float:
        """After how long a date's process is stopped, s.

        It may wait for its inputs, then for another run, and then do its work.
        """
        return self.arrival.wait_s + self.lock_wait_s + self.limits.night_s
