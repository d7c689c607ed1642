"""Files are named from the settings on: the same inputs in another checkout give the same day."""

from pathlib import Path

import pandas as pd

from snowtally.inputs.relative import relative_to, with_relative_files
from snowtally.model.problems import Finding
from snowtally.model.rules.files import MISSING_FILE
from snowtally.model.rules.sites import NO_SITE


def test_files_in_rows_and_findings_are_told_from_the_settings_on():
    home = Path("/work/one/configs")
    rows = pd.DataFrame(
        {"file": ["/work/one/inputs/a.csv", "/work/one/inputs/a.csv", "/elsewhere/b.csv"], "line": [2, 3, 2]}
    )
    for table in (rows, rows.astype({"file": "category"})):
        found = with_relative_files(table, home)
        assert found["file"].astype(str).tolist() == ["../inputs/a.csv", "../inputs/a.csv", "../../../elsewhere/b.csv"]
        assert found["file"].dtype == table["file"].dtype or isinstance(found["file"].dtype, pd.CategoricalDtype)
    told = relative_to(
        Finding(MISSING_FILE, "flights", "/work/one/inputs/f.csv", detail="/work/one/inputs/d.tif is not there"), home
    )
    assert (told.file, told.detail) == ("../inputs/f.csv", "../inputs/d.tif is not there")
    assert relative_to(Finding(NO_SITE), home) == Finding(NO_SITE)
