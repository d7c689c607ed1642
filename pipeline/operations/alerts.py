"""Telling people: a command of theirs, or an address that takes JSON. Nothing of either's address goes into a log."""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import urllib.error
import urllib.request
from typing import Any

from snowtally.settings.operations import Alert

PATIENCE_S = 30.0
"""A mail program or an address that takes longer is stuck, s (chosen); the night must go on."""


def send(alert: Alert, message: dict[str, Any]) -> str:
    """Send a message and return what went wrong, "" when nothing did.

    Never raises. A command gets the message as one JSON object on its standard input; an address gets it by POST.
    """
    # A file's name need not be UTF-8.
    data = json.dumps(message, ensure_ascii=False, default=str).encode("utf-8", "backslashreplace")
    if alert.command is not None:
        return _run(alert.command, data)
    address = alert.webhook if alert.webhook_from is None else os.environ.get(alert.webhook_from, "")
    if not address:
        return f"the environment has no {alert.webhook_from}: set it where the schedule is started"
    return _post(address, data)


def _run(command: list[str], data: bytes) -> str:
    try:
        done = subprocess.run(  # noqa: S603  the operator's own command, from the operator's own settings
            command, input=data, capture_output=True, timeout=PATIENCE_S, check=False
        )
    except subprocess.TimeoutExpired:
        return f"the command took more than {PATIENCE_S:.0f} s and was stopped"
    except OSError as trouble:
        return f"the command cannot be started: {trouble.strerror}"
    except ValueError:
        return "the command cannot be started: a word of it holds a zero byte"
    # Its output and arguments may hold an address or a password.
    return f"the command ended with status {done.returncode}" if done.returncode else ""


def _post(address: str, data: bytes) -> str:
    try:
        request = urllib.request.Request(  # noqa: S310  the settings let http and https through only; see below for the environment's
            address, data, {"Content-Type": "application/json"}, method="POST"
        )
        if request.type not in ("http", "https"):
            return "the address is neither http nor https"
        with urllib.request.urlopen(request, timeout=PATIENCE_S):  # noqa: S310  looked at above
            return ""
    except urllib.error.HTTPError as answer:
        return f"the address answered with status {answer.code}"
    except (ValueError, http.client.InvalidURL):
        return "the address is not a web address"
    except http.client.HTTPException as trouble:
        # Its words may hold what was sent back, and with it the address.
        return f"the address does not answer as a web address does ({type(trouble).__name__})"
    except OSError as trouble:
        reason = getattr(trouble, "reason", trouble)
        return f"the address cannot be reached: {getattr(reason, 'strerror', None) or type(reason).__name__}"
