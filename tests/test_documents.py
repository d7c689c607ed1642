"""The documents: every link leads somewhere, and the method's pages name constants, files and tests that are there."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
METHOD = [ROOT / "docs" / "method.md", *sorted((ROOT / "docs" / "method").glob("*.md"))]
PAGES = sorted({*METHOD, *(ROOT / "docs").glob("*.md"), *ROOT.glob("*.md"), *(ROOT / "sample_inputs").rglob("*.md")})
LINK = re.compile(r"\]\(([^)\s]+)\)")
CONSTANT = re.compile(r"`([A-Z][A-Z0-9_]+)`|\b([A-Z][A-Z0-9]*_[A-Z0-9_]+)\b")
SOURCE = re.compile(r"`([\w/]+\.py)`")


def name(page):
    return str(page.relative_to(ROOT))


def anchors(page):
    """Return what headings of a page can be linked by: lower case, without marks, spaces as hyphens."""
    headings = re.findall(r"^#+ (.*)$", page.read_text("utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-") for heading in headings}


def assigned():
    """Return the names that modules of the pipeline give values to, and their files."""
    files = sorted((ROOT / "pipeline").rglob("*.py"))
    trees = [ast.parse(file.read_text("utf-8")) for file in files]
    targets = [
        target for tree in trees for node in tree.body if isinstance(node, ast.Assign) for target in node.targets
    ]
    return {one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)}


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_links_lead_somewhere(page):
    lost = []
    for link in LINK.findall(page.read_text("utf-8")):
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        found = "://" in link or (target.exists() and (not anchor or anchor in anchors(target)))
        lost += [] if found else [link]
    assert not lost


def test_the_method_s_pages_name_constants_of_the_code():
    known = assigned()
    named = {(name(page), "".join(pair)) for page in METHOD for pair in CONSTANT.findall(page.read_text("utf-8"))}
    assert len(named) > 100
    assert not {(page, constant) for page, constant in named if constant not in known}


def test_the_method_s_pages_name_files_that_are_there():
    files = {file.name for folder in ("pipeline", "tests") for file in (ROOT / folder).rglob("*.py")}
    named = {(name(page), source) for page in METHOD for source in SOURCE.findall(page.read_text("utf-8"))}
    assert len(named) > 60
    assert not {(page, source) for page, source in named if Path(source).name not in files}


def test_every_page_of_the_method_is_in_its_table():
    linked = set(LINK.findall(METHOD[0].read_text("utf-8")))
    assert not {page.name for page in METHOD[1:]} - {link.removeprefix("method/") for link in linked}
