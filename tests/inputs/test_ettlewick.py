"""The second sample basin's files are what its script writes."""

from pathlib import Path

import make_ettlewick

FOLDER = Path(make_ettlewick.__file__).parent


def test_the_second_basin_s_files_are_what_its_script_writes(tmp_path, monkeypatch):
    monkeypatch.setattr(make_ettlewick, "HERE", tmp_path)
    make_ettlewick.main()
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {
        path.relative_to(FOLDER) for path in FOLDER.rglob("*") if path.suffix in (".csv", ".txt", ".tif", ".geojson")
    }
    assert made == kept
    assert len(made) == 10
    for path in made:
        if path.suffix in (".csv", ".txt"):
            assert (tmp_path / path).read_bytes() == (FOLDER / path).read_bytes(), path
