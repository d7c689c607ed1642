"""No maker of cached values changes without a word on whether what it made before still counts."""

import ast
import json

import maker_code
import pytest

PINNED = json.loads(maker_code.PINS.read_text("utf-8"))

ADVICE = """the code of {name} has changed. Where a change can alter what is made or how it is written, raise its version:
what lies in users' caches is then made again. Then, in any case, renew the pin: python tests/house/maker_code.py"""


@pytest.mark.parametrize("name", maker_code.ENTRIES)
def test_code_and_version_are_the_pinned_ones(name):
    assert PINNED.get(name) == [maker_code.maker(name).version, maker_code.code_hash(name)], ADVICE.format(name=name)


def test_every_maker_is_pinned():
    assert sorted(maker_code.makers_in_code()) == sorted(maker_code.ENTRIES)
    names = [maker_code.maker(name).name for name in maker_code.ENTRIES]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("entry", [entry for entries in maker_code.ENTRIES.values() for entry in entries])
def test_every_entry_is_there(entry):
    module, _, name = entry.rpartition(".")
    assert name in maker_code.parsed(f"snowtally.{module}").defined


def test_far_code_counts_and_prose_and_types_do_not(monkeypatch):
    """A constant two modules below the maker makes another hash; a docstring or an annotation does not."""
    maker = "terrain.landform_cache.LANDFORM_MAKER"
    before = maker_code.code_hash(maker)
    errors = maker_code.parsed("snowtally.statistics.errors")
    monkeypatch.setitem(errors.defined, "SLOPE_REACH_M", ast.parse("SLOPE_REACH_M = 1.0").body[0])
    assert maker_code.code_hash(maker) != before
    with_prose, without, other = (
        maker_code.plain(ast.parse(text))
        for text in (
            'def f(a: int) -> int:\n    """Say."""\n    return a',
            "def f(a):\n    return a",
            "def f(a):\n    return 2",
        )
    )
    assert with_prose == without != other
