"""The components as markup: joined for screen readers, escaped, and each in its states."""

import re
from html.parser import HTMLParser

import pytest
from django.core.paginator import Paginator
from django.http import QueryDict
from django.template.loader import render_to_string

from rentals.runtime.gallery import WRONG, GalleryForm


def component(name, **context):
    return render_to_string(f"components/{name}.html", context)


class Page(HTMLParser):
    """The ids of a piece of HTML, and everything that points at one."""

    def __init__(self, html):
        super().__init__()
        self.ids, self.pointers = [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        if "id" in attrs:
            self.ids.append(attrs["id"])
        for name in ("for", "aria-describedby", "aria-labelledby"):
            self.pointers += (attrs.get(name) or "").split()
        if (attrs.get("href") or "").startswith("#"):
            self.pointers.append(attrs["href"][1:])


class TestField:
    def test_every_pointer_of_a_refused_form_arrives(self):
        html = str(GalleryForm(WRONG))
        page = Page(html)
        assert page.pointers
        assert set(page.pointers) <= set(page.ids)
        assert len(page.ids) == len(set(page.ids))

    def test_error_stands_in_the_summary_and_beside_the_field_in_the_same_words(self):
        form = GalleryForm(WRONG)
        html = str(form)
        summary, rows = html.split("</ul>", 1)
        for name in form.errors:
            words = str(form.errors[name][0])
            assert words in summary
            assert words in rows

    def test_keeps_what_was_typed(self):
        html = str(GalleryForm(WRONG))
        for typed in WRONG.values():
            assert f'value="{typed}"' in html

    def test_wrong_control_says_so(self):
        html = str(GalleryForm(WRONG)["phone"])
        assert 'aria-invalid="true"' in html
        assert 'aria-describedby="id_phone_helptext id_phone_error"' in html

    def test_optional_is_said_and_required_is_the_rule(self):
        assert "(optional)" in GalleryForm()["email"].as_field_group()
        assert "(optional)" not in GalleryForm()["name"].as_field_group()


class TestErrorSummary:
    def test_is_absent_when_all_is_well(self):
        assert "error-summary" not in str(GalleryForm())

    def test_takes_the_focus(self):
        html = component("error_summary", form=GalleryForm(WRONG))
        assert 'role="alert"' in html
        assert 'tabindex="-1"' in html

    def test_counts_further_forms(self):
        html = component("error_summary", form=GalleryForm(WRONG), forms=[GalleryForm({}, prefix="second")])
        assert 'href="#id_second-name"' in html

    def test_links_radio_buttons_to_the_first(self):
        assert 'href="#id_plan_0"' in component("error_summary", form=GalleryForm(WRONG))


class TestStatusWord:
    @pytest.mark.parametrize("tone", ["good", "warn", "bad", "info", "quiet"])
    def test_is_a_word_with_a_shape_of_its_own(self, tone):
        html = component("status_word", word="Past due", tone=tone)
        assert "Past due" in html
        others = [
            component("status_word", word="Past due", tone=other)
            for other in ("good", "warn", "bad", "info", "quiet")
            if other != tone
        ]
        assert all(re.search(r" d=\"[^\"]+", html)[0] not in other for other in others)

    def test_escapes(self):
        assert "<b>" not in component("status_word", word="<b>", tone="bad")


class TestEmptyState:
    def test_states_differ(self):
        pages = [
            component("empty_state", kind=kind, things="charges", next="")
            for kind in ("never", "done", "nothing", "denied", "failed")
        ]
        assert len(set(pages)) == 5

    def test_nothing_matches_offers_to_clear_the_filters(self):
        html = component("empty_state", kind="nothing", things="charges", clear_url="/charges/")
        assert 'href="/charges/"' in html
        assert "Clear filters" in html


class TestLists:
    def test_pages_keep_the_other_parameters(self):
        html = component(
            "pagination", page=Paginator(range(100), 25).page(2), query=QueryDict("state=late&page=2&q=a%26b"), things="charges"
        )
        assert "26–50 of 100 charges" in html
        assert 'href="?state=late&amp;page=3&amp;q=a%26b"' in html

    def test_one_page_shows_the_count_only(self):
        html = component("pagination", page=Paginator(range(3), 25).page(1), query=QueryDict(), things="charges")
        assert "1–3 of 3 charges" in html
        assert "href" not in html

    @pytest.mark.parametrize(
        ("current", "link", "order"), [("due", "-due", "ascending"), ("-due", "due", "descending"), ("name", "due", None)]
    )
    def test_column_turns_round_and_starts_at_page_one(self, current, link, order):
        html = component(
            "sort_header", label="Due", key="due", current=current, query=QueryDict(f"page=3&state=late&sort={current}")
        )
        assert f"sort={link}" in html
        assert "state=late" in html
        assert "page=" not in html
        assert (f'aria-sort="{order}"' in html) if order else ("aria-sort" not in html)


class TestProgress:
    def test_stops_asking_when_finished(self):
        running = component("progress", label="Billing", done=1, total=2, state="running", url="/run/1/")
        finished = component("progress", label="Billing", done=2, total=2, state="finished", url="/run/1/")
        assert "hx-get" in running
        assert "hx-get" not in finished
        assert 'role="status"' in finished


class TestConfirm:
    def test_names_the_thing_and_the_effect_and_carries_the_token(self):
        html = component(
            "confirm",
            title="Close November 2026?",
            effect="Nothing can be posted.",
            button="Close November 2026",
            action_url="/x/",
            back_url="/",
            csrf_token="t0ken",
        )
        for part in ("Close November 2026?", "Nothing can be posted.", "t0ken", "Go back"):
            assert part in html
