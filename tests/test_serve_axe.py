"""axe-core finds nothing serious in any page that is served, by day and by night, on a desk and on a phone; one h1 a page.

The rules are those of WCAG 2.2 as axe-core tests them; what it calls serious or critical counts.
"""

import shutil
from pathlib import Path

import pytest

from camlog.job.record import Job
from camlog.serve.server import RunningServer
from tests.browser_help import DESK, PHONE, browser, findings_of_axe

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
PATHS = (
    "/",
    "/recordings",
    "/recording/too-short.csv",
    "/replay/too-short.csv",
    "/convert/customer.csv",
    "/jobs",
    "/jobs/own",
)


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    work = tmp_path_factory.mktemp("work")
    for ending in (".csv", ".drive.json"):
        shutil.copy(SAMPLES / f"too-short{ending}", work)
    shutil.copy(Path(__file__).parent / "foreign" / "cam_says_nothing.csv", work / "customer.csv")
    job = Job(work / "own.job.json")
    job.put("complaint", "rattles when cold", "complaint")
    job.save(replace=False)
    with RunningServer(work, vehicle="demo") as running:
        running.desk.report("too-short.csv", "demo")
        yield running


def test_no_page_has_a_serious_finding_and_each_has_one_heading_of_the_first_order(server):
    with browser() as running:
        for scheme, size in (("light", DESK), ("dark", PHONE)):
            page = running.new_context(viewport=size, color_scheme=scheme).new_page()
            for path in PATHS:
                page.goto(server.url.rstrip("/") + path)
                page.wait_for_selector("main h1")
                assert findings_of_axe(page) == [], (path, scheme)
                assert page.locator("h1").count() == 1, path
                assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
