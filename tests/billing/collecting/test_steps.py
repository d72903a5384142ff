"""The manager's table of steps: it goes forward, begins friendly, and is kept; the example is what will happen."""

import datetime

import psycopg
import pytest

from billing.collecting import rules, steps
from billing.collecting.rules import StepWanted
from billing.models import StepsVersion
from tests.billing.factories import NOON
from tests.factories import ManagerFactory

OCTOBER = datetime.date(2026, 10, 1)
FRIENDLY, FIRM, LAST = 1, 2, 3


def mail(days: int, wording: int | None = FRIENDLY, kind: str = "mail", answer: int = 10) -> StepWanted:
    return StepWanted(0, days, kind, wording, answer)


class TestFaults:
    """Common practice, no source: first a reminder, then firmer, never back."""

    @pytest.mark.parametrize(
        ("wanted", "says"),
        [
            ([], "Leave at least one step."),
            ([mail(10), mail(10, FIRM)], "Two steps fall due after 10 days."),
            ([mail(10, FIRM)], "must be friendly"),
            ([mail(10), mail(20, LAST), mail(30, FIRM)], "gentler than those before"),
            ([mail(10, None, "recall"), mail(20)], "no step can follow it"),
            ([mail(n) for n in range(1, 14)], "12 are the most"),
        ],
    )
    def test_are_told_in_a_sentence(self, wanted, says):
        assert says in " ".join(rules.list_faults(rules.in_order(wanted)))

    def test_the_default_has_none(self):
        assert rules.list_faults(rules.DEFAULT) == []


class TestForesee:
    def test_a_family_that_owes_since_october_1(self):
        """10, 25, 35 and 45 days after October 1."""
        found = rules.foresee(rules.DEFAULT, since=OCTOBER)
        assert [(each.on.isoformat(), each.step.kind) for each in found] == [
            ("2026-10-11", "mail"), ("2026-10-26", "mail"), ("2026-11-05", "call"), ("2026-11-15", "mail"),
        ]  # fmt: skip

    def test_waits_for_the_answer(self):
        wanted = rules.in_order([mail(10, answer=30), mail(20, FIRM)])
        assert [each.on for each in rules.foresee(wanted, since=OCTOBER)] == [
            datetime.date(2026, 10, 11), datetime.date(2026, 11, 10),
        ]  # fmt: skip

    def test_goes_on_from_what_was_taken_late(self):
        last_on = datetime.date(2026, 12, 1)
        found = rules.foresee(rules.DEFAULT, since=OCTOBER, taken=2, last_on=last_on)
        assert [each.on.isoformat() for each in found] == ["2026-12-11", "2026-12-21"]


@pytest.mark.django_db
class TestSetSteps:
    def test_orders_them_by_days_and_keeps_the_table_before(self):
        before = steps.get_version()
        wanted = [mail(30, FIRM), mail(7), mail(14, None, "call")]
        after = steps.set_steps(steps=wanted, grace_days=5, shown=before.number, acting_user=ManagerFactory(), now=NOON)
        assert [(s.position, s.days, s.kind) for s in steps.list_steps([after.pk])[after.pk]] == [
            (1, 7, "mail"), (2, 14, "call"), (3, 30, "mail"),
        ]  # fmt: skip
        assert len(steps.list_steps([before.pk])[before.pk]) == 4

    def test_refuses_when_somebody_was_faster(self):
        given = {"steps": [mail(7)], "grace_days": 5, "acting_user": ManagerFactory(), "now": NOON}
        shown = steps.get_version().number
        steps.set_steps(shown=shown, **given)
        with pytest.raises(steps.StepsChangedError):
            steps.set_steps(shown=shown, **given)

    def test_refuses_what_does_not_fit(self):
        with pytest.raises(steps.StepsDoNotFitError):
            steps.set_steps(steps=[mail(7, LAST)], grace_days=5, shown=1, acting_user=ManagerFactory(), now=NOON)


STEP = "INSERT INTO billing_overduestep (version_id, position, days, kind, wording, days_to_answer) VALUES "
VERSION = """
    INSERT INTO billing_stepsversion (number, grace_days, step_count, set_at, set_by_id)
    SELECT 9, 3, %s, now(), (SELECT min(id) FROM staff_user) RETURNING id"""


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
class TestDatabase:
    @pytest.mark.parametrize(
        ("rows", "name"),
        [
            ([(1, 10, "mail", 1, 10), (2, 10, "call", None, 10)], "overdue_steps_go_forward"),
            ([(1, 10, "mail", 2, 10), (2, 20, "call", None, 10)], "overdue_steps_go_forward"),
            ([(1, 10, "mail", 1, 10), (2, 9, "mail", 2, 10)], "overdue_steps_go_forward"),
            ([(1, 10, "recall", None, 10), (2, 20, "call", None, 10)], "overdue_steps_go_forward"),
            ([(1, 10, "mail", 1, 10)], "overdue_steps_are_whole"),
            ([(1, 10, "mail", 1, 10), (3, 20, "call", None, 10)], "overdue_steps_are_whole"),
            ([(1, 10, "mail", None, 10), (2, 20, "call", None, 10)], "overdue_step_words_what_it_writes"),
            ([(1, 0, "mail", 1, 10), (2, 20, "call", None, 10)], "overdue_step_within_a_year"),
        ],
    )
    def test_refuses_a_table_that_does_not_fit(self, request, role, rows, name):
        ManagerFactory()
        cursor = request.getfixturevalue(role)
        with pytest.raises(psycopg.Error) as error, cursor.connection.transaction():
            cursor.execute(VERSION, [2])
            version = cursor.fetchone()[0]
            for row in rows:
                cursor.execute(STEP + "(%s, %s, %s, %s, %s, %s)", [version, *row])
        assert error.value.diag.constraint_name == name

    def test_refuses_a_step_added_later_and_any_change(self, request, role):
        version = StepsVersion.objects.get()
        cursor = request.getfixturevalue(role)
        for statement in (
            f"{STEP} ({version.pk}, 5, 60, 'call', NULL, 1)",
            "UPDATE billing_overduestep SET days = 11 WHERE position = 1",
            "DELETE FROM billing_overduestep",
            "UPDATE billing_stepsversion SET grace_days = 1",
        ):
            with pytest.raises(psycopg.Error):
                cursor.execute(statement)


@pytest.mark.django_db
class TestScreen:
    ADDRESS = "/owing/steps/"

    def sent(self, *rows: tuple[str, str, str], **more: str) -> dict[str, str]:
        data = {"steps-TOTAL_FORMS": str(len(rows)), "steps-INITIAL_FORMS": "4", "grace_days": "3", "shown": "1", **more}
        for n, (days, what, answer) in enumerate(rows):
            data |= {f"steps-{n}-days": days, f"steps-{n}-what": what, f"steps-{n}-days_to_answer": answer}
        return data

    def test_shows_what_a_family_would_get_and_sets_it(self, client_as):
        client, rows = client_as("manager"), [("21", "letter-2", "7"), ("7", "mail-1", "7"), ("", "", "")]
        assert "Friendly mail" in client.get(self.ADDRESS).content.decode()
        shown = client.post(self.ADDRESS, self.sent(*rows, example_on="2026-10-01")).content.decode()
        assert "owes since Oct 1, 2026" in shown and "Oct 22, 2026" in shown
        assert steps.get_version().number == 1
        client.post(self.ADDRESS, self.sent(*rows, set="1"))
        version = steps.get_version()
        assert (version.number, version.set_by) == (2, client.user)

    def test_says_what_does_not_fit_and_loses_nothing(self, client_as):
        answer = client_as("manager").post(self.ADDRESS, self.sent(("21", "letter-2", "7"), set="1"))
        assert answer.status_code == 422
        assert "must be friendly" in answer.content.decode() and 'value="21"' in answer.content.decode()
        answer = client_as("manager").post(self.ADDRESS, self.sent(("", "letter-2", "7"), set="1"))
        assert "Write after how many days it falls due." in answer.content.decode()

    def test_is_the_managers(self, client_as):
        assert client_as("bookkeeper").get(self.ADDRESS).status_code == 403


class TestTimeToAnswer:
    """The default table: a firm mail after 25 days with ten days to answer, the call after 35."""

    @pytest.mark.parametrize(("day_of_call", "is_due"), [(34, False), (35, True)])
    def test_has_passed_on_its_last_day_and_not_before(self, day_of_call, is_due):
        since = datetime.date(2026, 1, 31)
        told_on, today = (since + datetime.timedelta(days=n) for n in (25, day_of_call))
        found = rules.next_step(rules.DEFAULT, since=since, taken=2, last_on=told_on, today=today)
        assert found == (rules.DEFAULT[2] if is_due else None)

    @pytest.mark.parametrize(("day_of_call", "is_due"), [(36, False), (37, True)])
    def test_counts_from_the_day_the_step_was_really_taken(self, day_of_call, is_due):
        since = datetime.date(2026, 1, 31)
        told_late_on, today = (since + datetime.timedelta(days=n) for n in (27, day_of_call))
        found = rules.next_step(rules.DEFAULT, since=since, taken=2, last_on=told_late_on, today=today)
        assert found == (rules.DEFAULT[2] if is_due else None)
