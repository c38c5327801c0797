"""Check what `wearscope demo` left behind: python check_demo.py FOLDER."""

from __future__ import annotations

import csv
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

folder = Path(sys.argv[1])
results = folder / "results"


def rows(name: str) -> list[dict[str, str]]:
    """Read a CSV file of the results."""
    with (results / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


measured, refused = rows("measurements.csv"), rows("refused.csv")
photos = {row["photo"] for row in measured}
sheets = list((results / "sheets").glob("*.png"))
with closing(sqlite3.connect(folder / "wear-log.sqlite")) as log:
    (logged,) = log.execute("SELECT count(*) FROM measurement WHERE superseded_by IS NULL").fetchone()

assert [row["photo"] for row in refused] == ["photos/plover-150-2.jpg"], refused
assert len(photos) == len(sheets) == 17, (sorted(photos), sorted(sheets))
assert all(sheet.read_bytes().startswith(b"\x89PNG") for sheet in sheets)
assert logged == len(measured) > 0, (logged, len(measured))
page, pdf = (results / "report.html").read_text(encoding="utf-8"), (results / "report.pdf").read_bytes()
assert page.rstrip().endswith("</html>")
assert "the cheapest" in page
assert len(page) < 8_000_000, len(page)
missing = [row["photo"] for row in measured if row["photo_sha256"] not in page]
assert missing == [], missing
assert pdf.startswith(b"%PDF-")
assert pdf.rstrip().endswith(b"%%EOF")
assert len(rows("outcome.csv")) == 3
assert (results / "wear-curves.svg").is_file()
print(
    f"{folder}: {len(measured)} rows of {len(photos)} photos, {len(sheets)} sheets, all rows in the wear log, "
    "the report with all photos"
)
