"""What is held against a run on mutated inputs, and how its failures are told apart."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "made"))

from forked_command import Limits, Ran

LIMITS = Limits(cpu_s=60, memory=2 << 30)
KEPT_CONTROLS = "\n\t"


def failures(ran: Ran, *, as_json: bool) -> list[str]:
    """Return what a run did that no run may do, one name each with what tells it from others; empty for a good run."""
    found = []
    if ran.stopped:
        found.append(f"over {LIMITS.cpu_s} s")
    elif ran.status < 0:
        found.append(f"ended by signal {-ran.status}")
    elif ran.status not in (0, 1, 2, 3):
        found.append(f"exit status {ran.status}")
    if ran.memory > LIMITS.memory:
        found.append("over 2 GB")
    if "Traceback (most recent call last)" in ran.stdout + ran.stderr:
        return [*found, f"traceback: {raised(ran.stdout + ran.stderr)}"]
    return found or _words(ran, as_json=as_json)


def _words(ran: Ran, *, as_json: bool) -> list[str]:
    """Return what is wrong with the words of a run that ended as it may."""
    found = []
    lines = [line for line in ran.stderr.splitlines() if line.strip()]
    if len(lines) > 1 or (lines and not lines[0].startswith("snowtally: ")):
        found.append(
            f"noise on stderr: {shape(next(line for line in lines if not line.startswith('snowtally: ') or len(lines) > 1))}"
        )
    if as_json:
        trouble = no_object(ran.stdout)
        found += [f"--json is no object: {trouble}"] if trouble else []
    elif not ran.stdout.strip() and not lines:
        found.append("no word at all")
    if any(is_control(letter) for letter in ran.stdout + ran.stderr):
        found.append("control characters in the output")
    return found


def is_control(letter: str) -> bool:
    """Return whether a terminal would obey a character, or show it in another order, rather than show it."""
    return (
        (letter < " " and letter not in KEPT_CONTROLS)
        or "\x7f" <= letter <= "\x9f"
        or letter in "\u202a\u202b\u202d\u202e\u2066\u2067\u2068"
    )


def no_object(text: str) -> str:
    """Return why a text is no JSON object, empty where it is one."""

    def refuse(constant: str) -> None:
        raise ValueError(f"{constant} is no JSON")

    try:
        content = json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as trouble:
        return "nothing" if not text.strip() else shape(str(trouble))
    return "" if isinstance(content, dict) else type(content).__name__


def raised(text: str) -> str:
    """Return what a traceback ends with, and the last place of the project in it."""
    places = re.findall(r'File ".*?/((?:snowtally|pipeline)/[^"]+)", line \d+, in (\S+)', text)
    place = ":".join(places[-1]) if places else "outside the project"
    ends = re.findall(
        r"^(\w[\w.]*(?:Error|Exception|Interrupt|Warning|Exit|Group|Loop)?)(?::|$)", text.strip().splitlines()[-1]
    )
    return f"{ends[0] if ends else shape(text.strip().splitlines()[-1])} in {place}"


def shape(line: str) -> str:
    """Return a line without what differs from run to run."""
    return re.sub(r"\d+", "N", re.sub(r"/\S+", "PATH", "".join(c if c.isprintable() else "?" for c in line)))[:90]
