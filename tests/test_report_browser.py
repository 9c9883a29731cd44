"""A report opened as a technician, and as a customer on a phone, opens it: in a browser, from a file."""

from __future__ import annotations

import csv
import io

import pytest

from camlog.report import write_comparison, write_report
from tests.browser_help import DESK, PHONE, WHOLE, Look, browser, findings_of_axe, launched
from tests.report_drives import findings_of, nasty_findings, without_cams

A4_PX, LETTER_PX = (687, 1016), (709, 950)  # inside the page's margins of 14 mm, at 96 px an inch
KINDS = ("sticking", "slow-cold", "timing-offset", "too-short")


@pytest.fixture(scope="module")
def chromium():
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    made = {}
    for name in KINDS:
        made[name] = folder / f"{name}.html"
        write_report(findings_of(name), made[name])
    # Few charts, quick to open: for tests that do something to the page.
    few = folder / "few.toml"
    few.write_text(
        'schema = "camlog.dashboard/1"\nname = "Few"\ntables = ["causes"]\n'
        '[[chart]]\nkind = "drive"\n[[chart]]\nkind = "angles"\n', encoding="utf-8",
    )  # fmt: skip
    made["few"] = folder / "few.html"
    write_report(findings_of("sticking"), made["few"], dashboard=few)
    made["no cams"] = folder / "no-cams.html"
    write_report(without_cams(), made["no cams"])
    made["nasty"] = folder / "nasty.html"
    write_report(nasty_findings(), made["nasty"])
    return made


@pytest.fixture(scope="module")
def looks(chromium, pages):
    """Pages by name and size, each opened once, for tests that only look."""
    opened = {}

    def look(name, size):
        key = name, size["width"]
        if key not in opened:
            opened[key] = Look(chromium, pages[name], size)
        return opened[key]

    yield look
    for one in opened.values():
        one.context.close()


@pytest.mark.parametrize(
    ("name", "size"),
    [*((k, DESK) for k in (*KINDS, "no cams", "nasty")), *((k, PHONE) for k in (*KINDS, "nasty"))],
    ids=lambda value: value if isinstance(value, str) else f"{value['width']} px",
)
def test_every_chart_is_drawn_without_an_error_and_nothing_leaves_the_page(looks, name, size):
    look = looks(name, size)
    assert look.troubles == []
    assert look.outside == []
    plots = look.page.evaluate(
        "[...document.querySelectorAll('[data-chart]')].map(p => p.querySelectorAll('.main-svg .xy path, "
        ".main-svg .plot path, .main-svg .point').length)"
    )
    assert len(plots) >= 2
    assert min(plots) > 0
    # Every line goes from left to right inside its picture: no reading has landed at another time.
    astray = look.page.evaluate(
        "[...document.querySelectorAll('[data-chart]')].filter(p => p.closest('figure').querySelector('.timing'))"
        ".flatMap(p => [...p.querySelectorAll('.js-line')].map(e => e.getAttribute('d').match(/-?[0-9.]+,/g).map(parseFloat)"
        ".filter((x, i, all) => x < -1 || x > p.clientWidth + 1 || (i && x < all[i - 1] - 0.02)).length))"
    )
    assert len(astray) >= 4 and not any(astray)


@pytest.mark.parametrize("name", KINDS)
def test_a_report_has_no_serious_fault_for_those_who_cannot_see_and_is_no_wall(looks, name):
    look = looks(name, DESK)
    assert findings_of_axe(look.page) == []
    look.page.emulate_media(color_scheme="dark")
    assert findings_of_axe(look.page, "color-contrast") == []  # all that the scheme changes
    look.page.emulate_media(color_scheme="light")
    assert look.page.evaluate("document.documentElement.scrollHeight") <= 8 * DESK["height"]


@pytest.mark.parametrize("name", KINDS)
def test_the_answer_needs_no_scrolling_at_the_desk(looks, name):
    look = looks(name, DESK)
    parts = ["h1", ".owner", ".card .verdict", ".strips .strip"]
    # What to check stands on top, not below the cards, where the engine may not run.
    parts += (
        [".stop .first", ".stop li"]
        if findings_of(name).do_not_run
        else [".next h2", ".next li:first-child", ".cover p"]
    )
    for part in parts:
        boxes = look.box(part)
        assert boxes and all(0 <= b["top"] and b["bottom"] <= DESK["height"] for b in boxes), part


@pytest.mark.parametrize("name", KINDS)
def test_the_verdict_needs_no_scrolling_on_a_phone(looks, name):
    look = looks(name, PHONE)
    glance = look.box(".glance li")
    assert len(glance) == len(findings_of(name).cams)
    # Where the engine may not run, the reasons and the first check stand on top: they say what the owner's words say.
    parts = ["h1", ".glance li", *((".stop .first", ".stop li") if findings_of(name).do_not_run else (".owner",))]
    for part in parts:
        boxes = look.box(part)
        assert boxes and all(b["height"] > 0 and b["bottom"] <= PHONE["height"] for b in boxes), part
    assert look.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_on_a_phone_every_button_is_large_enough_for_a_gloved_finger(chromium, pages):
    # 44 px: WCAG 2.1, success criterion 2.5.5 (from memory)
    with Look(chromium, pages["few"], PHONE) as look:
        look.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        small = [b for b in look.box("button, .jump a, .glance a, summary") if b["height"] < 44]
        assert small == []


def test_zooming_one_chart_over_time_zooms_all_and_the_whole_drive_comes_back(looks):
    ranges = (
        "[...document.querySelectorAll('[data-chart]')].filter(p => p.closest('figure').querySelector('.timing'))"
        ".map(p => p._fullLayout.xaxis.range.map(v => (new Date(String(v).replace(' ', 'T') + (String(v).length > 10 ? 'Z' : 'T00:00Z')) - Date.UTC(2000, 0, 1)) / 1000))"
    )
    look = looks("few", DESK)
    whole = look.page.evaluate(ranges)
    assert len(whole) == 3  # the drive, and each of two cams
    chart = look.page.locator("figure:has(.timing) .plot").nth(1)
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    look.page.mouse.move(box["x"] + 300, box["y"] + 80)
    look.page.mouse.down()
    look.page.mouse.move(box["x"] + 500, box["y"] + 85, steps=5)
    look.page.mouse.up()
    look.page.wait_for_timeout(300)
    near = look.page.evaluate(ranges)
    assert near[0][1] - near[0][0] < 0.4 * (whole[0][1] - whole[0][0])
    assert all(r == pytest.approx(near[0], abs=0.05) for r in near)
    look.page.locator("figure:has(.timing)").first.locator("[data-do=all]").click()
    assert all(r == pytest.approx(whole[0], abs=0.05) for r in look.page.evaluate(ranges))


def test_the_time_charts_can_be_zoomed_from_the_keyboard(looks):
    look = looks("few", DESK)
    button = look.page.locator("[data-do=in]").first
    button.focus()
    look.page.keyboard.press("Enter")
    span = look.page.evaluate(
        "Number(document.documentElement.dataset.to) - Number(document.documentElement.dataset.from)"
    )
    assert span == pytest.approx(findings_of("sticking").trace.time_s[-1] / 2, rel=0.01)
    look.page.locator("[data-do=on]").first.press("Enter")
    assert (
        float(look.page.evaluate("document.documentElement.dataset.to"))
        > 0.9 * findings_of("sticking").trace.time_s[-1]
    )
    look.page.locator("[data-do=all]").first.press("Enter")


def test_pointing_at_a_chart_gives_values_with_units(looks):
    look = looks("few", DESK)
    chart = look.page.locator("figure:has(.timing) .plot").nth(1)
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    look.page.mouse.move(box["x"] + 400, box["y"] + 100)
    look.page.wait_for_selector(".hoverlayer .hovertext", timeout=5000)
    text = " ".join(look.page.locator(".hoverlayer .hovertext").all_text_contents())
    assert "deg" in text and "commanded" in text and "actual" in text


def pages_of(pdf: bytes) -> int:
    return pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ")


def test_a_comparison_prints_on_two_pages(chromium, tmp_path):
    write_comparison(findings_of("repair-before"), findings_of("repair-after"), tmp_path / "c.html")
    with Look(chromium, tmp_path / "c.html", DESK) as look:
        assert [pages_of(look.page.pdf(format=paper)) for paper in ("A4", "Letter")] == [2, 2]


@pytest.mark.parametrize("name", ["cold-rattle", "stuck"])
def test_the_longest_reports_print_on_two_pages_of_either_paper(chromium, tmp_path, name):
    write_report(findings_of(name), tmp_path / "r.html")
    with Look(chromium, tmp_path / "r.html", DESK) as look:
        assert [pages_of(look.page.pdf(format=paper)) for paper in ("A4", "Letter")] == [2, 2]


def test_it_prints_without_a_cut_chart(chromium, pages):
    with Look(chromium, pages["sticking"], DESK, color_scheme="dark") as look:
        assert [pages_of(look.page.pdf(format=paper)) for paper in ("A4", "Letter")] == [2, 2]
        look.page.evaluate("window.print = () => null")
        look.page.get_by_role("button", name="Print everything").click()
        for paper in ("A4", "Letter"):
            look.page.evaluate("document.documentElement.classList.add('everything')")
            pdf = look.page.pdf(format=paper, print_background=True)
            assert pdf.startswith(b"%PDF") and 8 <= pages_of(pdf) <= 60
        # The same layout on screen: every chart whole, no wider than its place, no taller than a page of either size.
        size = min(A4_PX[0], LETTER_PX[0]), min(A4_PX[1], LETTER_PX[1])
        look.page.set_viewport_size({"width": size[0], "height": size[1]})
        look.page.emulate_media(media="print")
        look.page.evaluate("document.documentElement.classList.add('everything')")
        look.page.evaluate("dispatchEvent(new Event('beforeprint'))")
        figures = look.box("figure")
        assert figures and max(f["height"] for f in figures) <= size[1]
        svgs = look.page.evaluate(
            "[...document.querySelectorAll('[data-chart]')].map(p => {const s = p.querySelector('.main-svg');"
            "return [s.getBoundingClientRect().width, p.clientWidth, s.getBoundingClientRect().height, p.clientHeight];})"
        )
        assert all(w <= place + 1 and h <= high + 1 for w, place, h, high in svgs)
        assert look.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert look.page.evaluate(
            "[...document.querySelectorAll('figure')].every(f => getComputedStyle(f).breakInside === 'avoid')"
        )
        assert look.page.evaluate("[...document.querySelectorAll('details')].every(d => d.open)")


def test_hostile_text_is_shown_as_text_and_never_runs(chromium, pages):
    with Look(chromium, pages["nasty"], DESK) as look:
        assert look.page.evaluate("window.owned") is None
        body = look.page.inner_text("body")
        assert "<script>window.owned=1</script>" in body
        assert '"><img src=x onerror="window.owned=2">' in body
        assert "</script><script>window.owned=3</script>.csv" in body
        assert look.page.locator("img, iframe, object, embed, a[href^='javascript']").count() == 0
        assert look.page.evaluate("document.querySelectorAll('script:not([type])').length") == 2
        assert not any(c in body for c in "\u202e\u2066\u200b\x00\x07\x1b\u2028")
        # Pointing at the markers shows their text too.
        look.page.locator("details summary").first.click()
        labels = look.page.evaluate(
            "[...document.querySelectorAll('[data-chart]')].flatMap(p => p._fullData.flatMap(t => t.text || []))"
        )
        joined = " ".join(map(str, labels))
        assert "[U+202E]" in joined and "[U+0000]" in joined and "&lt;script&gt;" in joined
        figure = look.page.locator("figure:has(.timing) .plot").first
        figure.scroll_into_view_if_needed()
        look.page.evaluate(
            "p => Plotly.Fx.hover(p, [...p._fullData.keys()].slice(0, 1).map(c => ({curveNumber: c, pointNumber: 0})))",
            figure.element_handle(),
        )
        shown = " ".join(look.page.locator(".hoverlayer text").all_text_contents())
        assert "<script>window.owned=1</script>" in shown
        assert look.page.locator(".hoverlayer a").count() == 0
        assert look.page.evaluate("window.owned") is None


def test_even_a_script_that_got_in_would_not_run(chromium, pages, tmp_path):
    text = pages["few"].read_text(encoding="utf-8")
    broken = tmp_path / "broken.html"
    broken.write_text(
        text.replace("<h1>", "<script>window.owned=9</script><h1 onclick='window.owned=9'>"), encoding="utf-8"
    )
    with Look(chromium, broken, DESK) as look:
        look.page.locator("h1").click()
        assert look.page.evaluate("window.owned") is None
        assert any("Content Security Policy" in t for t in look.troubles)


def test_a_chart_saves_as_picture_drawing_and_figures(looks):
    look = looks("few", DESK)
    figure = look.page.locator("figure:has(details)").nth(1)
    figure.locator("summary").click()
    saved = {}
    for what in ("png", "svg", "csv"):
        with look.page.expect_download(timeout=30_000) as download:
            figure.locator(f"[data-do={what}]").click()
        assert download.value.suggested_filename.endswith(what)
        saved[what] = open(download.value.path(), "rb").read()
    assert saved["png"].startswith(b"\x89PNG")
    assert b"<svg" in saved["svg"][:200] and b"does it follow its command?" in saved["svg"]
    rows = list(csv.reader(io.StringIO(saved["csv"].decode("utf-8-sig"))))
    assert rows[0] == ["series", "time [s]", "value", "unit", "note"]
    assert {r[0] for r in rows[1:]} == {"commanded", "actual", "error"} and {r[3] for r in rows[1:]} == {"deg"}
    times = [float(r[1]) for r in rows[1:] if r[0] == "actual"]
    assert times == sorted(times) and times[-1] == pytest.approx(findings_of("sticking").trace.time_s[-1], abs=0.5)
    assert look.outside == [] and look.troubles == []


def test_cells_a_spreadsheet_would_take_for_a_formula_are_made_harmless(looks):
    look = looks("nasty", DESK)
    name = look.page.locator("figure:has(.timing)").first.get_attribute("id")
    text = look.page.evaluate("name => camlogTable(name)", name)
    rows = list(csv.reader(io.StringIO(text)))
    notes = [r[4] for r in rows[1:] if r[4]]
    assert '\'=HYPERLINK("http://example.invalid")' in notes
    assert not any(cell[:1] in tuple("=+@") for row in rows for cell in row)
    # A negative number is a number; any other cell that begins with a minus is not left so.
    assert all(float(cell) < 0 for row in rows[1:] for cell in row if cell.startswith("-"))
    assert "</script><script>window.owned=3</script>" in notes


def test_it_turns_dark_with_the_system_and_stays_readable(chromium, pages):
    with Look(chromium, pages["few"], DESK, color_scheme="dark") as look:
        colours = look.page.evaluate(
            "[getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color,"
            " document.querySelector('[data-chart]')._fullLayout.paper_bgcolor]"
        )
        assert colours[0] == colours[2].replace("#101416", "rgb(16, 20, 22)") == "rgb(16, 20, 22)"
        look.page.emulate_media(color_scheme="light")
        look.page.wait_for_timeout(500)
        assert look.page.evaluate("document.querySelector('[data-chart]')._fullLayout.paper_bgcolor") == "#ffffff"


def test_a_screen_reader_gets_names_for_everything(looks):
    look = looks("sticking", DESK)
    unnamed = look.page.evaluate(
        "[...document.querySelectorAll('[role=img], [role=region], nav, section:not([id])')]"
        ".filter(e => !e.getAttribute('aria-label')).length"
    )
    assert unnamed == 0
    assert look.page.locator("h1").count() == 1
    assert look.page.locator("html[lang=en]").count() == 1
    loose = look.page.evaluate(
        "[...document.querySelectorAll('th')].filter(t => t.textContent.trim() && !t.scope).length"
    )
    assert loose == 0
    look.page.keyboard.press("Tab")
    assert look.page.evaluate("document.activeElement.className") == "skip"


def test_a_finger_scrolls_past_a_chart_and_a_tap_shows_values(chromium, pages):
    touch = {"has_touch": True, "is_mobile": True}
    with launched(chromium.browser_type, *WHOLE) as phone, Look(phone, pages["few"], PHONE, **touch) as look:
        box = look.box(".moments .plot")[0]
        look.page.evaluate("y => scrollTo(0, y)", box["top"] - 300)
        look.page.wait_for_timeout(100)
        before = look.page.evaluate("scrollY")
        touch = look.context.new_cdp_session(look.page)

        def send(kind, *points):
            touch.send(
                "Input.dispatchTouchEvent",
                {"type": kind, "touchPoints": [{"x": 200, "y": y} for y in points]},
            )

        send("touchStart", 400)
        for y in range(375, 125, -25):
            send("touchMove", y)
            look.page.wait_for_timeout(20)
        send("touchEnd")
        look.page.wait_for_timeout(400)
        assert look.page.evaluate("scrollY") > before + 150
        look.page.evaluate("y => scrollTo(0, y)", box["top"] - 300)
        look.page.wait_for_timeout(300)
        look.page.touchscreen.tap(200, 380)
        look.page.wait_for_selector(".hoverlayer .hovertext")
        assert "deg" in " ".join(look.page.locator(".hoverlayer .hovertext").all_text_contents())
