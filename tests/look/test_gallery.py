"""The gallery in a real browser: accessible in both themes and at every width, and what the scripts add.

Accessibility: axe-core's rules (WCAG 2.2 A and AA, best practices). Target size: WCAG 2.2, success criterion 2.5.8 (24 px);
44 px on touch pages is common practice.
"""

import pytest

from rentals.runtime.forms import StrokesField
from tests.browser import list_violations

SIZES = [(1280, 800), (1024, 768), (390, 844)]
SMALL = """least => [...document.querySelectorAll("a, button, input, select, textarea, summary")]
  .filter(each => each.checkVisibility() && !each.closest("label") && each.type !== "hidden")
  .map(each => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])
  .filter(([, box]) => box.width > 1 && (box.width < least || box.height < least)).map(([html]) => html)"""

KEEP = "addEventListener('scan', () => { sessionStorage.kept = document.querySelector('#filter-words').value })"


@pytest.fixture
def gallery(live_server, settings):
    settings.DEBUG = True
    settings.ROOT_URLCONF = "tests.look.urls"
    return f"{live_server.url}/components/"


def type_fast(page, text):
    """Type as a scanner does; the pace asked for is eased, because a busy machine types slower than a scanner."""
    page.evaluate("document.querySelectorAll('[data-wedge]').forEach(each => { each.dataset.wedgePace = '200' })")
    page.keyboard.type(text)


class TestEverySize:
    @pytest.mark.parametrize("theme", ["light", "dark"])
    @pytest.mark.parametrize("size", SIZES)
    def test_has_no_violation_and_no_sideways_scroll(self, page, gallery, theme, size):
        page.emulate_media(color_scheme=theme)
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.goto(gallery)
        assert list_violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0
        assert page.evaluate(SMALL, 24) == []

    @pytest.mark.parametrize("size", [(768, 1024), (1024, 768), (390, 844)])
    def test_touch_pages_have_large_targets(self, page, gallery, size):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.goto(f"{gallery}?touch")
        assert page.evaluate(SMALL, 44) == []
        boxes = page.eval_on_selector_all("label.choice", "all => all.map(each => each.getBoundingClientRect().height)")
        assert min(boxes) >= 44

    def test_touch_forms_have_large_targets_on_any_page(self, page, gallery):
        page.set_viewport_size({"width": 768, "height": 1024})
        page.goto(gallery)
        heights = page.eval_on_selector_all(
            ".touch input, .touch button", "all => all.map(each => each.getBoundingClientRect().height)"
        )
        assert heights
        assert min(heights) >= 44

    def test_prints_dark_on_white_in_the_dark_theme(self, page, gallery):
        page.emulate_media(color_scheme="dark", media="print")
        page.goto(gallery)
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
        assert page.evaluate("getComputedStyle(document.querySelector('.facts dd')).color") == "rgb(0, 0, 0)"
        assert not page.is_visible("header.bar")

    @pytest.mark.parametrize("theme", ["light", "dark"])
    def test_borders_of_controls_stand_out_three_to_one(self, page, gallery, theme):
        """WCAG 2.2, success criterion 1.4.11; relative luminance as WCAG defines it."""
        page.emulate_media(color_scheme=theme)
        page.goto(gallery)
        read = """names => names.map(name => { const probe = document.createElement("i"); document.body.append(probe);
          probe.style.color = `var(${name})`; const seen = getComputedStyle(probe).color; probe.remove();
          return seen.match(/[\\d.]+/g).slice(0, 3).map(Number) })"""
        edge, act, focus, bad, *surfaces = page.evaluate(
            read, ["--edge", "--act", "--focus", "--bad", "--paper", "--sheet", "--raised"]
        )
        for line in (edge, act, focus, bad):
            for surface in surfaces:
                assert contrast(line, surface) >= 3


def contrast(one, other):
    def luminance(colour):
        parts = [value / 255 for value in colour]
        red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


class TestErrors:
    def test_summary_takes_the_focus_and_the_title_says_so(self, page, gallery):
        page.goto(gallery)
        assert page.evaluate("document.activeElement.id") == "error-summary"
        assert page.title().startswith("Error: ")

    def test_link_jumps_into_the_field(self, page, gallery):
        page.goto(gallery)
        page.click("#error-summary a[href='#id_wrong-phone']")
        assert page.evaluate("document.activeElement.id") == "id_wrong-phone"


class TestTheme:
    def test_choice_is_kept_and_rendered_by_the_server(self, page, gallery, context):
        page.emulate_media(color_scheme="light")
        page.goto(gallery)
        page.click("main .menu > summary")
        with page.expect_response("**/theme/"):
            page.click("main button[value=dark]")
        assert page.get_attribute("html", "data-theme") == "dark"
        page.goto(gallery)
        assert page.get_attribute("html", "data-theme") == "dark"
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(233, 230, 223)"


# Keys with their times in ms, through the very reader the page uses; gives the code it read, or "".
READ = """async ([keys, pace]) => { const { Burst } = await import("/static/js/wedge.js"); const burst = new Burst();
  let at = 1000, code = ""; for (const key of keys) { code = burst.take(key, at, null) || code; at += pace } return code }"""


class TestWedge:
    @pytest.mark.parametrize(
        ("keys", "pace", "code"),
        [
            ([*"VN-0312", "Enter"], 30, "VN-0312"),
            ([*"VN-0312", "Tab"], 2, "VN-0312"),
            (["Shift", "V", "Shift", *"N-0312", "Enter"], 8, "VN-0312"),
            ([*"VN-0312", "Enter"], 31, ""),
            ([*"VN-03", "Enter"], 5, ""),
            ([*"VN-0312"], 5, ""),
            (["Enter"], 5, ""),
        ],
    )
    def test_thirty_ms_a_character_and_six_characters_make_a_scan(self, page, gallery, keys, pace, code):
        page.goto(gallery)
        assert page.evaluate(READ, [keys, pace]) == code

    def test_scan_fills_the_field_and_sends_it(self, page, gallery):
        page.goto(gallery)
        page.focus("#scan-tag")
        type_fast(page, "VN-0312")
        with page.expect_navigation(url="**tag=VN-0312**"):
            page.keyboard.press("Enter")

    def test_scan_into_another_field_leaves_it_as_it_was(self, page, gallery):
        page.goto(gallery)
        page.fill("#filter-words", "Exa")
        type_fast(page, "VN-0312")
        with page.expect_navigation(url="**tag=VN-0312**"):
            page.evaluate(KEEP)
            page.keyboard.press("Enter")
        assert page.evaluate("sessionStorage.kept") == "Exa"

    def test_slow_typing_is_typing(self, page, gallery):
        page.goto(gallery)
        page.evaluate("document.addEventListener('scan', () => { sessionStorage.scanned = 'yes' })")
        page.focus("#filter-words")
        page.keyboard.type("VN-0312", delay=90)
        page.keyboard.press("Tab")
        assert page.input_value("#filter-words") == "VN-0312"
        assert page.evaluate("sessionStorage.scanned ?? 'no'") == "no"

    def test_short_bursts_are_typing(self, page, gallery):
        page.goto(gallery)
        page.focus("#filter-words")
        type_fast(page, "VN-03")
        page.keyboard.press("Tab")
        assert page.input_value("#filter-words") == "VN-03"

    def test_without_script_enter_sends_the_form(self, browser, gallery):
        plain = browser.new_context(java_script_enabled=False)
        page = plain.new_page()
        page.goto(gallery)
        page.fill("#scan-tag", "VN-0312")
        page.press("#scan-tag", "Enter")
        page.wait_for_url("**tag=VN-0312**")
        plain.close()


class TestSignature:
    CANVAS = "#forms form:nth-of-type(1) canvas"
    FIELD = "#id_empty-drawing"

    def draw(self, page):
        box = page.locator(self.CANVAS)
        box.scroll_into_view_if_needed()
        at = box.bounding_box()
        page.mouse.move(at["x"] + 40, at["y"] + 60)
        page.mouse.down()
        page.mouse.move(at["x"] + 120, at["y"] + 30, steps=6)
        page.mouse.move(at["x"] + 200, at["y"] + 80, steps=6)
        page.mouse.up()

    def test_drawing_becomes_strokes_and_can_be_cleared(self, page, gallery):
        page.goto(gallery)
        self.draw(page)
        drawn = page.input_value(self.FIELD)
        assert StrokesField().clean(drawn) == drawn
        assert drawn.count("M") == 1
        assert drawn.count("L") >= 7
        page.click("#forms form:nth-of-type(1) [data-signature-clear]")
        assert page.input_value(self.FIELD) == ""

    def test_a_tap_is_no_signature(self, page, gallery):
        page.goto(gallery)
        page.locator(self.CANVAS).click()
        assert page.input_value(self.FIELD) == ""

    def test_without_script_the_typed_name_is_there_and_the_canvas_is_not(self, browser, gallery):
        plain = browser.new_context(java_script_enabled=False)
        page = plain.new_page()
        page.goto(gallery)
        assert page.is_visible("#id_empty-typed_name")
        assert not page.is_visible(self.CANVAS)
        plain.close()


class TestKeys:
    def test_slash_goes_to_the_search_and_letters_stay_letters(self, page, gallery):
        page.goto(gallery)
        page.keyboard.press("/")
        assert page.evaluate("document.activeElement.id") == "search"
        page.keyboard.type("a/b")
        assert page.input_value("#search") == "a/b"

    def test_arrows_move_between_rows_and_enter_opens(self, page, gallery):
        page.goto(gallery)
        page.focus("[data-grid] tbody tr:first-child")
        page.keyboard.press("ArrowDown")
        assert page.evaluate("document.activeElement.querySelector('th').textContent") == "Benedikt Sample"
        page.keyboard.press("Enter")
        assert page.url.endswith("#tables")

    def test_letters_act_on_the_row_in_focus_and_nowhere_else(self, page, gallery):
        page.goto(gallery)
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("m")
        page.wait_for_timeout(150)
        assert "#tables" not in page.url
        page.focus("[data-grid] tbody tr:first-child")
        page.keyboard.press("m")
        page.wait_for_url("**#tables")

    def test_a_scan_over_a_row_is_no_row_of_letters(self, page, gallery):
        page.goto(gallery)
        page.evaluate(
            "document.addEventListener('scan', event => { event.preventDefault(); document.title = event.detail.code })"
        )
        page.focus("[data-grid] tbody tr:first-child")
        type_fast(page, "m-00312")
        page.keyboard.press("Enter")
        page.wait_for_timeout(150)
        assert page.title() == "m-00312"
        assert "#tables" not in page.url


ASK = "([method, target]) => { htmx.ajax(method, '/nowhere/', target).catch(() => {}) }"


class TestFailures:
    def test_a_refused_quick_part_is_told(self, page, gallery):
        page.route(
            "**/django_htmx/django-htmx.js", lambda route: route.abort()
        )  # shows Django's own page instead, while developing
        page.goto(gallery)
        page.evaluate(ASK, ["GET", "main"])
        notice = page.locator("#messages .notice-bad")
        notice.wait_for()
        assert "no longer here" in notice.inner_text()

    def test_silence_is_told_and_taken_back_when_the_line_is_there_again(self, page, gallery):
        page.goto(gallery)
        page.route("**/nowhere/", lambda route: route.abort())
        page.evaluate(ASK, ["GET", "#menu"])
        notice = page.locator("#messages .notice-bad")
        notice.wait_for()
        assert "did not answer" in notice.inner_text()
        page.unroute("**/nowhere/")
        page.route("**/nowhere/", lambda route: route.fulfill(body="<p>here</p>"))
        page.evaluate(ASK, ["GET", "#menu"])
        notice.wait_for(state="detached")

    def test_a_refused_form_is_swapped_in_and_takes_the_focus(self, page, gallery):
        page.goto(gallery)
        page.evaluate("document.title = 'Plain'; document.getElementById('error-summary').remove()")
        body = '<div class="error-summary" role="alert" tabindex="-1" id="fresh"><h2>One thing</h2></div>'
        page.route("**/nowhere/", lambda route: route.fulfill(status=422, body=body))
        page.evaluate(ASK, ["POST", "#menu"])
        page.locator("#fresh:focus").wait_for()
        assert page.title() == "Error: Plain"


class TestFonts:
    def test_own_font_is_loaded(self, page, gallery):
        page.goto(gallery)
        page.wait_for_load_state("networkidle")
        assert page.evaluate("[...document.fonts].map(font => font.status)") == ["loaded"] * 3


class TestFormGuard:
    def test_second_press_sends_nothing(self, page, gallery):
        page.goto(gallery)
        posts = []

        def count(route):
            if route.request.method == "POST":
                posts.append(route.request.url)
                route.fulfill(status=204)
            else:
                route.continue_()

        page.route("**/*", count)
        button = page.locator("form.confirm button")
        button.click()
        page.wait_for_timeout(100)
        button.click()
        page.wait_for_timeout(300)
        assert len(posts) == 1
        page.evaluate("document.querySelector('form.confirm').removeAttribute('data-once')")
        button.click()
        page.wait_for_timeout(300)
        assert len(posts) == 2  # the guard made the difference, not the browser


class TestFrame:
    def test_skip_link_comes_first_and_shows_itself(self, page, gallery):
        page.goto(gallery)
        page.evaluate("document.body.tabIndex = -1; document.body.focus()")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        assert page.locator(".skip").bounding_box()["y"] >= 0
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
