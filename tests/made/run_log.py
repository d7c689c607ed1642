"""The log of an archive's runs, read."""

import json


def read_log(archive):
    """Return the lines of an archive's log of runs, oldest first."""
    return [json.loads(line) for line in (archive / ".operations" / "log.jsonl").read_text("utf-8").splitlines()]
