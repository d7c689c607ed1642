"""Templates to pages: everything escaped, one file with its style and script, which may ask the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import re
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemBytecodeCache, FileSystemLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from snowtally.report.units import count, number
from snowtally.report.words import CAUTIONS

_FOLDER = Path(__file__).parent / "templates"


def page(template: str, content: dict[str, Any]) -> bytes:
    """Return a page as UTF-8.

    A name that the template asks for and `content` lacks raises jinja2's UndefinedError.
    """
    css, js, digest = _assets()
    text = _environment().get_template(template).render(content, css=css, js=js, script_hash=digest, cautions=CAUTIONS)
    # Empty lines left by the templates' own lines.
    return ("\n".join(line.rstrip() for line in text.splitlines() if line.strip()) + "\n").encode("utf-8")


def headings(body: Markup) -> list[dict[str, Markup]]:
    """Return the sections' headings of a page's body, with their ids.

    >>> headings(Markup('<h2 id="maps">Where &amp; how much</h2>'))
    [{'id': Markup('maps'), 'words': Markup('Where &amp; how much')}]
    """
    pairs = re.findall('<h2 id="([^"]+)">(.*?)</h2>', body)
    return [{"id": Markup(name), "words": Markup(words)} for name, words in pairs]  # noqa: S704  escaped in the body


class _Compiled(FileSystemBytecodeCache):
    """Compiled templates beside their sources; where they cannot lie there, each process compiles its own."""

    def load_bytecode(self, bucket: Bucket) -> None:
        """Read a compiled template, where there is one."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Write a compiled template."""
        with suppress(OSError):
            Path(self.directory).mkdir(exist_ok=True)
            super().dump_bytecode(bucket)


@cache
def _environment() -> Environment:
    # As with Python's own files: who wants no compiled code beside the sources gets none.
    compiled = None if sys.dont_write_bytecode else _Compiled(str(_FOLDER / "__pycache__"))
    environment = Environment(
        loader=FileSystemLoader(_FOLDER), autoescape=True, undefined=StrictUndefined, bytecode_cache=compiled
    )
    environment.globals |= {"number": number, "count": count, "headings": headings}
    return environment


@cache
def _assets() -> tuple[Markup, Markup, str]:
    """Return style, script and the script's hash. By the hash the page lets this script alone run.

    Lines are those that `page` leaves: the browser hashes what stands in the page.
    """
    css, js = (
        "\n".join(line.rstrip() for line in (_FOLDER / name).read_text("utf-8").splitlines() if line.strip())
        for name in ("page.css", "page.js")
    )
    digest = base64.b64encode(hashlib.sha256(js.encode("utf-8")).digest()).decode("ascii")
    return Markup(css), Markup(js), digest  # noqa: S704  files of this package
