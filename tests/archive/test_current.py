"""Which revision is current: sound before degraded, a person's decision before both, the same answer everywhere."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_day import made_day

from snowtally import reading
from snowtally.archive import held
from snowtally.archive.current import (
    UNREADABLE,
    Decisions,
    Loss,
    MadeCurrent,
    Soundness,
    current_of,
    held_back,
)
from snowtally.archive.revisions import Revision, RevisionId
from snowtally.cli.status import StatusResult
from snowtally.inspection.compare import find_side
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError, Finding
from snowtally.model.rules.files import UNREADABLE_FILE
from snowtally.model.rules.flights import REFUSED_FLIGHT
from snowtally.model.rules.table import rules
from snowtally.publishing.derived import read_index
from snowtally.publishing.publish import left_as_it_is, make_current, publish, rebuild_derived, withdraw

DAY = dt.date(2031, 4, 14)
STATIONS = Loss("missing file", "stations", "stations.csv", whole=True, reason="stations.csv is not there")
COURSES = Loss("missing file", "courses", "courses.csv", whole=True, reason="courses.csv is not there")
SILENT = Loss("silent station", "stations", "sites.csv", "S3", reason="silent station S3")


def day(extra_mm: float = 0.0):
    return made_day(str(DAY), height=8, width=9, extra_mm=extra_mm)


def put(root: Path, make, inputs: str, *losses: Loss, **how):
    return publish(root, day(), make(inputs, degraded=list(losses), **how))


def answers(root: Path) -> dict[str, object]:
    """Return what each way of asking says is current on the day: number, or None."""
    home = root / "larkmoor"
    index = [row for row in read_index(root, "larkmoor").to_pylist() if row["current"] and row["date"] == DAY]
    stored = [row for row in pq.read_table(home / "index.parquet").to_pylist() if row["current"]]
    totals = pd.read_parquet(home / "totals.parquet")
    days = reading.list_days(root, "larkmoor")
    found = reading.current_revision(root, "larkmoor", DAY)
    latest = json.loads((home / "latest.json").read_text("utf-8"))
    items = [
        link["href"]
        for link in json.loads((home / "2030-2031.json").read_text("utf-8"))["links"]
        if link["rel"] == "item"
    ]
    return {
        "standing": found and found.number,
        "list": days["revision"].tolist()[0] if len(days) else None,
        "current.json": json.loads((home / str(DAY) / "current.json").read_text("utf-8"))["revision"],
        "latest.json": latest["revision"],
        "index": index[0]["revision"] if index else None,
        "stored index": stored[0]["revision"] if stored else None,
        "totals": int(totals["revision"].iloc[0]) if len(totals) else None,
        # Where every revision of a basin is withdrawn, its catalogue stays as it was.
        "items": int(items[0].split("/r")[1].split("/")[0]) if found else None,
    }


def current(root: Path) -> int | None:
    """Return the current revision's number; every way of asking must say the same."""
    told = answers(root)
    assert len(set(told.values())) == 1, told
    return told["standing"]


CATALOGUES = ("collection.json", "2030-2031.json")


# --- the rules ---------------------------------------------------------------------------------------------------------


def test_a_degraded_run_is_published_but_held_back_where_there_is_a_sound_one(tmp_path, provenance):
    one = put(tmp_path, provenance, "a")
    two = put(tmp_path, provenance, "b", STATIONS)
    assert (one.held_back, one.current.number) == ("", 1)
    assert (two.revision, two.unchanged, two.current.number) == (2, False, 1)
    assert two.held_back == "stations.csv is missing (not so in 2031-04-14@1)"
    assert current(tmp_path) == 1
    with reading.open_day(tmp_path, "larkmoor", DAY, 2) as held:
        assert held.attrs["revision"] == 2
    assert find_side(tmp_path, "larkmoor", str(DAY)).revision.number == 1
    # Sound again: current, whatever was held back.
    assert put(tmp_path, provenance, "c").held_back == ""
    assert current(tmp_path) == 3
    assert reading.held_back(tmp_path, "larkmoor", DAY) == {}
    assert verify(tmp_path, "larkmoor", lambda _: None).troubles == []


def test_why_is_told_with_the_file_that_the_current_revision_read(tmp_path, provenance):
    put(tmp_path, provenance, "a")
    sites = Loss("missing file", "sites", "sites.csv", whole=True, reason="gone")
    two = put(tmp_path, provenance, "b", sites, replace(sites, rule="silent station", site_id="S1", whole=False))
    # Its own sites go with the file, and need no words.
    assert two.held_back == "sites.csv was read on 2031-04-14@1 and is missing now"
    told = status(tmp_path, "larkmoor", DAY, "10-01")
    assert told.held_back == {RevisionId(DAY, 2): two.held_back}
    assert not told.newest_is_degraded
    assert StatusResult("larkmoor", "Larkmoor", told).to_json()["held_back"] == {"2031-04-14@2": two.held_back}
    assert f"held back 2031-04-14@2: {two.held_back}" in StatusResult("larkmoor", "Larkmoor", told).to_table()
    index = pq.read_table(tmp_path / "larkmoor" / "index.parquet").to_pylist()
    assert [row["held_back"] for row in index] == ["", two.held_back]
    assert json.loads(index[1]["losses"])[0] == sites.plain()


def test_among_degraded_ones_a_later_one_is_current_unless_it_lost_what_the_current_one_has(tmp_path, provenance):
    put(tmp_path, provenance, "a", SILENT)
    # More is lost: held back. The same, in other words: current.
    assert put(tmp_path, provenance, "b", STATIONS, SILENT).held_back.startswith("stations.csv is missing (not so in")
    assert current(tmp_path) == 1
    assert put(tmp_path, provenance, "c", replace(SILENT, reason="S3 has not been heard of")).held_back == ""
    assert current(tmp_path) == 3
    # Something else is lost: nobody can tell which is better, and the older one stays.
    assert put(tmp_path, provenance, "d", COURSES).held_back.startswith("courses.csv is missing (not so in")
    assert current(tmp_path) == 3
    assert put(tmp_path, provenance, "e").current.number == current(tmp_path) == 5


def test_a_file_that_is_back_makes_a_better_revision_though_a_station_of_it_is_silent(tmp_path, provenance):
    everything = [STATIONS, *(replace(SILENT, site_id=site) for site in ("S1", "S2", "S3"))]
    put(tmp_path, provenance, "a", *everything)
    assert put(tmp_path, provenance, "b", SILENT).current.number == 2
    # A whole file covers what is lost of it, whichever way it was lost.
    unreadable = replace(STATIONS, rule="unreadable file")
    assert STATIONS.covers(unreadable)
    assert STATIONS.covers(replace(STATIONS, rule="few rows", whole=False, site_id="S1"))
    assert not replace(STATIONS, whole=False).covers(unreadable)
    assert not STATIONS.covers(replace(STATIONS, file="other.csv"))


def test_the_same_degraded_inputs_again_publish_nothing_new(tmp_path, provenance):
    put(tmp_path, provenance, "a")
    two = put(tmp_path, provenance, "b", STATIONS)
    for again in (
        left_as_it_is(tmp_path, "larkmoor", DAY, provenance("b", degraded=[STATIONS])),
        put(tmp_path, provenance, "b", STATIONS),
    ):
        assert (again.revision, again.unchanged, again.held_back) == (2, True, two.held_back)
        assert again.why.endswith("It is held back: use --make-current with a reason to make it current")
    # The inputs are back: the sound one says it already. Gone again: the one held back does.
    back = put(tmp_path, provenance, "a")
    assert (back.revision, back.unchanged, back.held_back) == (1, True, "")
    assert put(tmp_path, provenance, "b", STATIONS).revision == 2
    assert [r.number for r in reading.revisions(tmp_path, "larkmoor", DAY)] == [1, 2]


def test_a_rerun_by_hand_is_held_back_too_and_a_night_never_displaces_a_sound_one_by_hand(tmp_path, provenance):
    put(tmp_path, provenance, "a")
    by_hand = {"command": "rerun", "reason": "late sheet"}
    assert put(tmp_path, provenance, "b", STATIONS, **by_hand).current.number == 1
    # What is current is a night's: another sound night follows it.
    assert put(tmp_path, provenance, "c").revision == current(tmp_path) == 3
    assert put(tmp_path, provenance, "d", **by_hand).current.number == 4
    for losses in ((), (STATIONS,)):
        left = put(tmp_path, provenance, "e", *losses)
        assert (left.revision, left.unchanged, left.held_back) == (4, True, "")
        assert "r004 is current, published by hand (late sheet)" in left.why


def test_a_degraded_night_after_a_degraded_one_by_hand_is_left(tmp_path, provenance):
    put(tmp_path, provenance, "a", STATIONS, command="rerun", reason="the file is lost for good")
    assert "published by hand" in put(tmp_path, provenance, "b", STATIONS).why
    assert "published by hand" in put(tmp_path, provenance, "b").why


def test_withdrawal_of_the_sound_one_makes_the_next_best_current(tmp_path, provenance):
    put(tmp_path, provenance, "a")
    put(tmp_path, provenance, "b", SILENT)
    put(tmp_path, provenance, "c", SILENT, COURSES)
    assert withdraw(tmp_path, "larkmoor", DAY, 1, "wrong tare").number == current(tmp_path) == 2
    assert reading.held_back(tmp_path, "larkmoor", DAY) == {3: "courses.csv is missing (not so in 2031-04-14@2)"}
    assert withdraw(tmp_path, "larkmoor", DAY, 2, "too").number == current(tmp_path) == 3
    assert withdraw(tmp_path, "larkmoor", DAY, 3, "too") is None
    assert current(tmp_path) is None


def test_withdrawal_of_another_than_the_current_one_changes_nothing(tmp_path, provenance):
    put(tmp_path, provenance, "a", SILENT)
    put(tmp_path, provenance, "b", COURSES)
    put(tmp_path, provenance, "c", SILENT)
    assert current(tmp_path) == 3
    # Nobody made it current by hand, and no page says so. Without the first, the second would never have been held back, nor the third become current.
    assert withdraw(tmp_path, "larkmoor", DAY, 1, "wrong tare").number == current(tmp_path) == 3
    lines = [json.loads(line) for line in (tmp_path / "larkmoor" / "decisions.jsonl").read_text("utf-8").splitlines()]
    assert [(one["decision"], one["revision"], one["newest"]) for one in lines] == [
        ("keep current", 3, 3),
        ("withdraw", 1, 3),
    ]


def test_a_person_makes_current_what_was_held_back(tmp_path, provenance):
    put(tmp_path, provenance, "a")
    put(tmp_path, provenance, "b", STATIONS)
    put(tmp_path, provenance, "c", COURSES)
    make_current(tmp_path, "larkmoor", DAY, 2, "the stations were wrong anyway")
    assert current(tmp_path) == 2
    path = tmp_path / "larkmoor" / "decisions.jsonl"
    said = json.loads(path.read_text("utf-8"))
    assert {name: said[name] for name in ("decision", "date", "revision", "newest", "reason")} == {
        "decision": "make current", "date": "2031-04-14", "revision": 2, "newest": 3, "reason": "the stations were wrong anyway",
    }  # fmt: skip
    assert reading.held_back(tmp_path, "larkmoor", DAY) == {
        3: "2031-04-14@2 was made current by hand (the stations were wrong anyway)"
    }
    # Decided once; a later degraded run is judged against it, and a sound one is current.
    make_current(tmp_path, "larkmoor", DAY, 2, "again")
    assert len(path.read_text("utf-8").splitlines()) == 1
    assert put(tmp_path, provenance, "d", COURSES).current.number == 2
    assert put(tmp_path, provenance, "e", STATIONS).current.number == 5
    assert put(tmp_path, provenance, "f").current.number == current(tmp_path) == 6
    withdraw(tmp_path, "larkmoor", DAY, 6, "no")
    with pytest.raises(
        ArchiveError, match=r"2031-04-14@6 is withdrawn \(no\)\. Use `snowtally rerun` to publish it again"
    ):
        make_current(tmp_path, "larkmoor", DAY, 6, "after all")
    assert verify(tmp_path, "larkmoor", lambda _: None).troubles == []


def test_a_record_that_cannot_be_read_is_degraded_for_an_unknown_reason(tmp_path, provenance):
    put(tmp_path, provenance, "a", SILENT)
    put(tmp_path, provenance, "b")
    path = reading.find_revision(tmp_path, "larkmoor", DAY, 2).path / "record.json"
    path.chmod(0o644)
    path.write_text("{", "utf-8")
    # What the index knows of it still counts; without it the one that can be read is current.
    assert reading.current_revision(tmp_path, "larkmoor", DAY).number == 2
    (tmp_path / "larkmoor" / "index.parquet").unlink()
    assert reading.current_revision(tmp_path, "larkmoor", DAY).number == 1
    assert reading.list_days(tmp_path, "larkmoor")["revision"].tolist() == [1]
    assert reading.held_back(tmp_path, "larkmoor", DAY) == {2: "its record cannot be read"}
    sound, older, some = Soundness(degraded=False), Soundness(degraded=True, losses=None), Soundness(True, (SILENT,))
    assert [one.replaces(UNREADABLE) for one in (sound, older, some, UNREADABLE)] == [True] * 4
    assert [UNREADABLE.replaces(one) for one in (sound, older, some)] == [False] * 3
    assert Soundness.of({"degraded": True, "losses": None, "input_hash": None}) == UNREADABLE
    # Records of before version 3 do as they did then.
    assert older.replaces(sound)
    assert some.replaces(older)


def test_a_date_with_one_revision_needs_no_record_and_no_index(tmp_path, provenance, monkeypatch):
    put(tmp_path, provenance, "a", STATIONS)

    def never(*_):
        raise AssertionError

    monkeypatch.setattr(held, "load_record", never)
    monkeypatch.setattr(held, "read_arrow", never)
    assert reading.current_revision(tmp_path, "larkmoor", DAY).number == 1
    assert reading.list_days(tmp_path, "larkmoor")["revision"].tolist() == [1]


def test_every_degrading_rule_has_words():
    for rule in filter(lambda rule: rule.degrades is not None, rules()):
        loss = Loss.of(Finding(rule, "stations", "data/stations.csv"), "reason")
        assert loss.state, rule.name
        assert loss.words.startswith("stations.csv ")
        assert Loss.from_plain(loss.plain()) == loss
    assert Loss.of(Finding(UNREADABLE_FILE, "covers", "covers.csv", 3, start="2031-03-01"), "").words == (
        "the cover grid of 2031-03-01 cannot be read"
    )
    assert Loss.of(Finding(REFUSED_FLIGHT, "flights", "flights.csv", 2, "F1"), "").words == "flight F1 is refused"


def test_many_losses_are_told_by_their_number():
    losses = tuple(replace(SILENT, site_id=f"S{n}") for n in range(5))
    held = [Revision(RevisionId(DAY, 1), Path("r001")), Revision(RevisionId(DAY, 2), Path("r002"))]
    known = {1: Soundness(degraded=False), 2: Soundness(True, losses)}
    why = held_back(held, held[0], Decisions(), lambda r: known[r.number], lambda _: set())[2]
    assert why.startswith("station S0 is silent (not so in 2031-04-14@1); station S1")
    assert why.endswith("; and 2 more")


# --- whatever happens, everybody says the same ------------------------------------------------------------------------

LACKS = [(), (SILENT,), (COURSES,), (SILENT, COURSES), (STATIONS, SILENT), None, "unreadable"]
EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("publish"), st.integers(0, len(LACKS) - 1)),
        st.tuples(st.just("withdraw"), st.integers(0, 20)),
        st.tuples(st.just("make current"), st.integers(0, 20)),
    ),
    max_size=8,
)


def soundness_by(number: int) -> Soundness:
    lacks = LACKS[number]
    if lacks == "unreadable":
        return UNREADABLE
    return Soundness(degraded=lacks is None or bool(lacks), losses=lacks)


@settings(max_examples=400, deadline=None)
@given(EVENTS)
def test_the_rule_from_the_top_down_is_the_rule_told_step_by_step(events):
    """Hold `current_of`, which reads few records from the newest down, against the history told forwards."""
    held: list[Revision] = []
    kinds: dict[int, int] = {}
    decided = Decisions()
    for what, number in events:
        live = [r for r in held if r.id not in decided.withdrawn]
        now = current_of(held, decided, lambda r: soundness_by(kinds[r.number]))
        if what == "publish":
            held = [*held, Revision(RevisionId(DAY, len(held) + 1), Path(f"r{len(held) + 1:03d}"))]
            kinds[len(held)] = number
            then = current_of(held, decided, lambda r: soundness_by(kinds[r.number]))
            replaced = now is None or soundness_by(number).replaces(soundness_by(kinds[now.number]))
            assert then == (held[-1] if replaced else now)
        elif live and what == "make current":
            chosen = live[number % len(live)]
            decided.made_current.setdefault(DAY, []).append(MadeCurrent(chosen.number, len(held), "x"))
            assert current_of(held, decided, lambda r: soundness_by(kinds[r.number])) == chosen
        elif live:
            decided.withdrawn[live[number % len(live)].id] = "x"
    now = current_of(held, decided, lambda r: soundness_by(kinds[r.number]))
    live = [r for r in held if r.id not in decided.withdrawn]
    assert (now is None) == (not live)
    back = held_back(held, now, decided, lambda r: soundness_by(kinds[r.number]), lambda _: set())
    assert set(back) == {r.number for r in live if now and r.number > now.number}
    assert all(back.values())
    sound = [r.number for r in live if kinds[r.number] == 0]
    older = [r.number for r in live if kinds[r.number] == LACKS.index(None)]
    if sound and not decided.made_current and max([0, *older]) < sound[-1]:
        # No sound one is passed over for a degraded one, but for those of before version 3.
        assert now.number == sound[-1]


@settings(max_examples=8, deadline=None)
@given(EVENTS.filter(lambda events: any(what == "publish" for what, _ in events)))
def test_readers_derived_files_and_a_rebuild_agree_whatever_happened(tmp_path_factory, events):
    from made_provenance import make_provenance  # noqa: PLC0415

    root = tmp_path_factory.mktemp("agree")
    published = 0
    for what, number in events:
        gone = reading.withdrawals(root, "larkmoor")
        live = [r for r in reading.revisions(root, "larkmoor", DAY) if r.id not in gone]
        before = reading.current_revision(root, "larkmoor", DAY)
        if what == "publish":
            published += 1
            # The last two kinds are of damaged and of older archives, which nobody publishes.
            put(root, make_provenance, f"{published}", *LACKS[number % 5])
        elif live and what == "withdraw":
            taken = live[number % len(live)]
            after = withdraw(root, "larkmoor", DAY, taken.number, "x")
            assert before in {taken, after}
        elif live:
            make_current(root, "larkmoor", DAY, live[number % len(live)].number, "x")
            assert reading.current_revision(root, "larkmoor", DAY) == live[number % len(live)]
        if published:
            current(root)
    told, back, found = (
        answers(root),
        reading.held_back(root, "larkmoor", DAY),
        reading.current_revision(root, "larkmoor", DAY),
    )
    small = {
        path: path.read_bytes() for path in (root / "larkmoor").rglob("*") if path.is_file() and "/r0" not in str(path)
    }
    assert verify(root, "larkmoor", lambda _: None).troubles == []
    for path in small:
        if path.name != "decisions.jsonl" and (found or path.name not in CATALOGUES):
            path.unlink()
    # Downstream Python has the same answer without what is derived, and a rebuild makes the same bytes.
    assert reading.held_back(root, "larkmoor", DAY) == back
    assert reading.current_revision(root, "larkmoor", DAY) == found
    rebuild_derived(root, "larkmoor")
    assert answers(root) == told
    assert {path: path.read_bytes() for path in small} == small
    shutil.rmtree(root)


def test_a_decision_is_a_persons_unless_it_says_that_it_stayed():
    assert not MadeCurrent(1, 2, "seen in the field").stayed
