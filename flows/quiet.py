"""Prefect's surroundings, set before it is imported: offline, quiet, patient at its start."""

from __future__ import annotations

import os

SURROUNDINGS = {
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


def surround() -> None:
    """Set what the user has not set; an empty address would lose a run's events without a word, so it is taken out."""
    for name, value in SURROUNDINGS.items():
        os.environ.setdefault(name, value)
    if os.environ.get("PREFECT_API_URL") == "":
        del os.environ["PREFECT_API_URL"]
