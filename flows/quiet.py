"""Prefect's environment, set before it is imported: offline, quiet, patient at its start, in a folder of ours."""

from __future__ import annotations

import os
import tempfile
import urllib.error
import urllib.request
from contextlib import suppress
from pathlib import Path

ENVIRONMENT = {
    # Nothing phones home.
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
    "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
    # A cold start of the embedded server took 17 s on two cores; its own limit is 20 s.
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
    # The console is the operator's: what a run says comes from us, not as the engine's tracebacks.
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
}

SERVER_PATIENCE_S = 5.0
"""A server that does not answer within this is down, s (chosen: it is in the same network)."""


def set_environment(home: Path | None = None) -> None:
    """Set what the user has not set.

    Parameters
    ----------
    home : folder for Prefect's profile and database, a temporary one by default: what is worth keeping is in our own log.

    An empty server address would lose a run's events without a word, so it is taken out; the address of a server that is down
    is taken out too, so that the night runs on the embedded one.
    """
    for name, value in ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    os.environ.setdefault("PREFECT_HOME", str(home or Path(tempfile.gettempdir()) / f"snowtally-prefect-{os.getuid()}"))
    with suppress(OSError):
        # The embedded server does not make the folder above its own, and dies without a word.
        Path(os.environ["PREFECT_HOME"]).mkdir(parents=True, exist_ok=True)
    address = os.environ.get("PREFECT_API_URL")
    if address is not None and not answers(address):
        del os.environ["PREFECT_API_URL"]


def answers(address: str) -> bool:
    """Return whether a Prefect server answers at an address."""
    if not address.startswith(("http://", "https://")):
        return False
    try:
        with urllib.request.urlopen(f"{address.rstrip('/')}/health", timeout=SERVER_PATIENCE_S):  # noqa: S310  looked at above
            return True
    except urllib.error.HTTPError:
        # It answers, if only to ask who we are.
        return True
    except (OSError, ValueError):
        return False
