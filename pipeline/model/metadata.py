"""Who makes an archive, who answers for it, and on what terms others may use it: a block of the settings that travels with a day."""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from snowtally.model.block import Block


def _like(pattern: str, words: str) -> AfterValidator:
    """Return a check that a text has a form. `words` say which, for the line that refuses it."""

    def check(text: str) -> str:
        if re.fullmatch(pattern, text, re.ASCII) is None:
            raise ValueError(words)
        return text

    return AfterValidator(check)


def _is_web_address(text: str) -> str:
    try:
        parts = urlsplit(text)
    except ValueError:
        parts = urlsplit("")
    if parts.scheme not in ("http", "https") or not parts.netloc or any(sign.isspace() for sign in text):
        raise ValueError("is no web address: it begins with https:// or http://")
    return text


Text = Annotated[str, Field(min_length=1)]
"""A text that says something: one sign at least."""

WebAddress = Annotated[str, AfterValidator(_is_web_address)]
MailAddress = Annotated[str, _like(r"[^@\s]+@[^@\s]+", "is no address of mail such as snow@example.org")]
SpdxId = Annotated[
    str, _like(r"[A-Za-z0-9.+-]+", "is no identifier of the SPDX list such as CC-BY-4.0; terms of your own are other")
]
ReversedDomain = Annotated[
    str, _like(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+", "is no domain turned round such as org.example")
]


class Party(Block):
    """A person or an office."""

    name: Text
    email: MailAddress | None = None
    url: WebAddress | None = None


class Licence(Block):
    """On what terms others may use the data.

    Parameters
    ----------
    id : an identifier of the SPDX list, or "other" for terms of one's own.
    url : where the terms stand.
    """

    id: SpdxId
    url: WebAddress | None = None

    @property
    def words(self) -> str:
        """What it is in one line."""
        return " ".join([self.id, *([self.url] if self.url else [])])


class Metadata(Block):
    """What files, catalogue and pages tell of an archive's makers. Every key may be left out.

    Parameters
    ----------
    institution : where the estimate is made.
    naming_authority : domain of the institution, turned round (org.example), which makes the files' identifiers unique.
    creator : who makes it.
    contact : who answers for what is published, and whom readers write to.
    licence, project, acknowledgement : as ACDD has them.
    """

    institution: Text | None = None
    naming_authority: ReversedDomain | None = None
    creator: Party | None = None
    contact: Party | None = None
    licence: Licence | None = None
    project: Text | None = None
    acknowledgement: Text | None = None

    @property
    def attributes(self) -> dict[str, str]:
        """What the settings say, by the names of ACDD 1.3, whose publisher is our contact.

        >>> Metadata(institution="Fork Snow Office", creator=Party(name="Survey desk")).attributes
        {'institution': 'Fork Snow Office', 'creator_name': 'Survey desk'}
        """
        named = {
            "institution": self.institution, "naming_authority": self.naming_authority, "project": self.project,
            "acknowledgement": self.acknowledgement, "license": self.licence and self.licence.words,
            **{f"{role}_{key}": getattr(party, key) for role, party in (("creator", self.creator), ("publisher", self.contact))
               if party is not None for key in ("name", "email", "url")},
        }  # fmt: skip
        return {key: value for key, value in named.items() if value is not None}
