"""The report in a real browser: no errors, nothing fetched, nothing cut off, on a telephone, a desk and on paper."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess

import fake_photos as fake
import pytest
from pypdf import PdfReader
from seldom import seldom

from wearscope.economics.decision import outcome_of
from wearscope.process.fairness import fair_trial
from wearscope.report.html import report_html
from wearscope.report.report import report_of
from wearscope.samples import sample_trial_folder
from wearscope.trial import load_trial

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
MUST = bool(os.environ.get("WEARSCOPE_BROWSER"))  # .ci/run sets it where it could install one
pytestmark = [
    pytest.mark.statistics,  # minutes, where there is a browser
    pytest.mark.skipif(BROWSER is None and not MUST, reason="no chromium is installed to open the report in"),
]

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--enable-logging=stderr",
    "--virtual-time-budget=10000",
    "--allow-file-access-from-files",
    "--host-resolver-rules=MAP~*~^NOTFOUND",
]

# Opens the report in a frame, because a headless window is no narrower than 500 pixels.
FRAME = """<!DOCTYPE html><meta charset="utf-8"><body style="margin:0">
<iframe src="report.html" style="width:WIDTHpx;height:3000px;border:0"></iframe>
<script>
addEventListener("load", () => setTimeout(() => {
  const page = document.querySelector("iframe").contentDocument;
  const wide = [], small = [];
  for (const one of page.body.querySelectorAll("*")) {
    const box = one.getBoundingClientRect();
    if (box.right > WIDTH + 1 && !one.closest(".zoom, .wide, svg, [hidden]") && box.height > 2) wide.push(one.outerHTML.slice(0, 80));
    if (one.children.length == 0 && one.textContent.trim() && !one.closest("svg, script, style")) {
      if (parseFloat(page.defaultView.getComputedStyle(one).fontSize) < 12) small.push(one.outerHTML.slice(0, 80));
    }
  }
  console.log("SEEN" + JSON.stringify({
    width: page.documentElement.clientWidth, scroll: page.documentElement.scrollWidth,
    wide, small,
    plots: page.querySelectorAll("#plots .main-svg").length,
    static: [...page.querySelectorAll("figure img")].map(one => one.naturalWidth > 0 && one.getBoundingClientRect().height > 50),
    curves: page.querySelector("picture img").currentSrc.length,
  }));
}, 3000));
</script>
"""


def browse(folder, url, *flags):
    """Console messages, and the addresses that the page itself asked for."""
    log = folder / "net.json"
    flags = [flag.replace("~^", " ~").replace("MAP~*", "MAP *") for flag in (*FLAGS, *flags)]
    done = subprocess.run(
        [BROWSER, *flags, f"--user-data-dir={folder / 'profile'}", f"--log-net-log={log}", url],
        capture_output=True,
        text=True,
        check=True,
        timeout=180,
    )
    said = re.findall(r"CONSOLE[^\]]*\] \"(.*?)\", source:", done.stderr, re.DOTALL)
    asked = [params["url"] for params in events(log) if not BROWSERS_OWN.match(params.get("initiator", ""))]
    return said, [url for url in asked if re.match(r"(https?|wss?|ftp):", url)]


BROWSERS_OWN = re.compile("not an origin|chrome:")


def events(log):
    """What the browser noted of addresses, an event to a line."""
    for line in log.read_text(errors="replace").splitlines():
        if line.startswith('{"params"') and '"initiator"' in line and '"url"' in line:
            yield json.JSONDecoder().raw_decode(line)[0]["params"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    assert BROWSER, "WEARSCOPE_BROWSER is set, but no chromium is installed"
    folder = tmp_path_factory.mktemp("report")
    trial = load_trial(sample_trial_folder())
    truth = json.loads((sample_trial_folder() / "truth.json").read_text())["photos"]
    rows = []
    for entry in trial.photos:
        true = truth[entry.file]
        if entry.parts and not true["to_be_refused"]:
            rows.append(fake.row(entry, "edge_radius", "used", true["r_used_um"], std_uncertainty=1.7))
            if trial.bit(entry.bit).coated:
                loss = true["coating_loss_100um_used"]
                rows.append(fake.row(entry, "coating_loss", "used", loss, "1", std_uncertainty=0.025))
    sheet = sample_trial_folder() / "sheet.png"
    report = report_of(
        trial,
        rows,
        outcome_of(trial, rows, n_draws=500),  # what is drawn is as many curves and words as of more
        fair_trial(trial),
        (),
        refusals={
            ("Plover", 2, 150, "relief"): "photos/plover-150-2.jpg: another flute; photograph the right one"
        },
        sheets={entry: sheet for entry in trial.photos if entry.parts} if sheet.is_file() else {},
        made_at="2026-01-06T08:00:00+00:00",
    )
    (folder / "report.html").write_text(report_html(report), encoding="utf-8")
    return folder


def test_what_a_page_asks_for_and_says_is_seen(folder):
    # or the tests below could not fail
    page = folder / "bad.html"
    page.write_text(
        '<img src="http://wearscope.invalid/a.png"><script>console.error("ouch"); nothing()</script>'
    )
    said, asked = browse(folder, page.as_uri(), f"--screenshot={folder / 'bad.png'}")
    assert asked == ["http://wearscope.invalid/a.png"] * len(asked)
    assert asked
    assert any("ouch" in line for line in said)
    assert any("nothing is not defined" in line for line in said)


@pytest.mark.parametrize("width", [360, seldom(390), seldom(1280)])
def test_on_a_screen(folder, width):
    frame = folder / f"frame-{width}.html"
    frame.write_text(FRAME.replace("WIDTH", str(width)))
    said, asked = browse(folder, frame.as_uri(), f"--window-size={max(width, 500)},3000", f"--screenshot={folder / 'shot.png'}")  # fmt: skip
    assert asked == []
    (line,) = said  # what the frame itself says, and nothing else
    seen = json.loads(line.removeprefix("SEEN"))
    assert seen["width"] == width
    assert seen["scroll"] == width
    assert seen["wide"] == []
    assert seen["small"] == []
    assert seen["plots"] >= 2
    assert seen["static"] == [True, True]


def test_on_paper(folder):
    printed = folder / "printed.pdf"
    said, asked = browse(
        folder, (folder / "report.html").as_uri(), "--no-pdf-header-footer", f"--print-to-pdf={printed}"
    )
    assert (said, asked) == ([], [])
    pages = PdfReader(printed).pages
    assert pages[0].mediabox.width == pytest.approx(595, abs=1)  # A4, ISO 216
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert "Touch or point" not in text
    assert f"{len(pages)} / {len(pages)}" in pages[-1].extract_text()
    for words in (
        "A router bit is sharp",
        "Wear curves",
        "Was it fair?",
        "How the numbers are made",
    ):
        assert words in text
