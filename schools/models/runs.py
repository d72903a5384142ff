"""Delivery runs: a day's tour of the van, its stops, and what is loaded, handed over, fetched and brought home again."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Q

from schools.models.errands import Errand
from schools.models.schools import School

# What a run that is over says stays as it was.
PART_OF_A_RUN_THAT_IS_OVER = """
    IF EXISTS (
        SELECT FROM schools_run AS run
        WHERE run.id IN (NEW.run_id, OLD.run_id) AND run.state IN ('done', 'called_off')
    ) THEN
        RAISE EXCEPTION 'the run is over: nothing on it changes any more' USING ERRCODE = 'check_violation';
    END IF;
    RETURN COALESCE(NEW, OLD);
"""
RUN_THAT_IS_OVER = """
    IF OLD.state IN ('done', 'called_off') THEN
        RAISE EXCEPTION 'the run is over: nothing on it changes any more' USING ERRCODE = 'check_violation';
    END IF;
    IF TG_OP = 'UPDATE' AND NEW.state IN ('done', 'called_off') AND EXISTS (
        SELECT FROM schools_load AS load WHERE load.run_id = OLD.id AND load.closed_at IS NULL
    ) THEN
        RAISE EXCEPTION 'the run is not over: something on it is not accounted for' USING ERRCODE = 'check_violation';
    END IF;
    RETURN COALESCE(NEW, OLD);
"""


def _in_run_of_stop() -> pgtrigger.Trigger:
    return pgtrigger.Trigger(
        name="load_is_of_its_stops_run",
        when=pgtrigger.Before,
        operation=pgtrigger.Insert | pgtrigger.Update,
        func="""
            IF NOT EXISTS (SELECT FROM schools_stop AS stop WHERE stop.id = NEW.stop_id AND stop.run_id = NEW.run_id) THEN
                RAISE EXCEPTION 'a load goes with the run of its stop' USING ERRCODE = 'check_violation';
            END IF;
            RETURN NEW;
        """,
    )


def _nothing_after_the_end(name: str, func: str, *, on_insert: bool) -> pgtrigger.Trigger:
    changing = pgtrigger.Update | pgtrigger.Delete
    return pgtrigger.Trigger(
        name=name, when=pgtrigger.Before, operation=pgtrigger.Insert | changing if on_insert else changing, func=func
    )


@pghistory.track()
class Spot(models.Model):
    """Where a school, a household or a shop lies on the map, as a person wrote it down. Never looked up outside."""

    school = models.OneToOneField(School, on_delete=models.CASCADE, null=True, related_name="spot")
    household = models.OneToOneField("families.Household", on_delete=models.CASCADE, null=True, related_name="spot")
    location = models.OneToOneField("inventory.Location", on_delete=models.CASCADE, null=True, related_name="spot")
    latitude = models.DecimalField(max_digits=8, decimal_places=5, help_text="Degrees, north positive.")
    longitude = models.DecimalField(max_digits=8, decimal_places=5, help_text="Degrees, east positive.")
    written_at = models.DateTimeField()
    written_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(school__isnull=False, household=None, location=None)
                | Q(school=None, household__isnull=False, location=None)
                | Q(school=None, household=None, location__isnull=False),
                name="spot_of_one_place",
            ),
            models.CheckConstraint(
                condition=Q(latitude__gte=-90, latitude__lte=90, longitude__gte=-180, longitude__lte=180),
                name="spot_on_the_globe",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.latitude}, {self.longitude}"


@pghistory.track()
class HomeErrand(models.Model):
    """One instrument that the van brings to a family's door or fetches there. Open until it is done or called off."""

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="home_errands")
    kind = models.CharField(max_length=8, choices=Errand.Kind.choices)
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="home_errands")
    is_return = models.BooleanField(default=False, help_text="Fetched because the family gives it back, not for a repair.")
    at_work = models.BooleanField(default=False, help_text="Met at a place of work; its address is what is written here.")
    address = models.CharField(max_length=160, blank=True, help_text="Where, when not at the household's own address.")
    safe_place = models.CharField(max_length=120, blank=True, help_text="Where it may be left when nobody is there.")
    what = models.CharField(max_length=160, blank=True, help_text="What is wrong, or what the driver must know. No names.")
    wanted_from = models.DateField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    outcome = models.CharField(max_length=10, choices=Errand.Outcome.choices, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["instrument"], condition=Q(ended_at=None), name="home_errand_one_open_per_instrument"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_by=None, outcome="")
                | Q(ended_at__gte=F("made_at"), ended_by__isnull=False, outcome__in=["done", "called_off"]),
                name="home_errand_ended_somehow_by_someone",
            ),
            models.CheckConstraint(condition=Q(at_work=False) | ~Q(address=""), name="home_errand_work_has_its_address"),
            models.CheckConstraint(condition=Q(is_return=False) | Q(kind="pick_up"), name="home_errand_return_is_fetched"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.instrument_id}"


@pghistory.track()
class Run(models.Model):
    """A day's tour of one van from one shop."""

    class State(models.TextChoices):
        PLANNED = "planned", "Planned"
        UNDER_WAY = "under_way", "Under way"
        DONE = "done", "Done"
        CALLED_OFF = "called_off", "Called off"

    on = models.DateField()
    driver = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="runs")
    location = models.ForeignKey("inventory.Location", on_delete=models.PROTECT, related_name="runs")
    ends_at_shop = models.BooleanField(default=True, help_text="Whether the way back counts when stops are put in order.")
    notes = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.PLANNED)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    left_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["on", "driver"], condition=Q(state__in=["planned", "under_way"]), name="run_open_once_per_driver_and_day"
            ),
            models.CheckConstraint(
                condition=Q(state="planned", left_at=None, ended_at=None, ended_by=None)
                | Q(state="under_way", left_at__isnull=False, ended_at=None, ended_by=None)
                | Q(state="done", left_at__isnull=False, ended_at__gte=F("left_at"), ended_by__isnull=False)
                | Q(state="called_off", left_at=None, ended_at__isnull=False, ended_by__isnull=False),
                name="run_state_has_its_times",
            ),
        ]
        triggers = [_nothing_after_the_end("run_is_over", RUN_THAT_IS_OVER, on_insert=False)]
        indexes = [models.Index(fields=["-on"], name="run_by_day")]
        ordering = ["-on", "pk"]

    def __str__(self) -> str:
        return f"{self.on}, {self.driver_id}"

    @property
    def is_over(self) -> bool:
        """Whether nothing happens on it any more."""
        return self.state in {self.State.DONE, self.State.CALLED_OFF}


@pghistory.track()
class Stop(models.Model):
    """A place a run goes to, with the address as it was when the stop was made."""

    class Kind(models.TextChoices):
        HOME = "home", "Home"
        WORK = "work", "Work"
        SCHOOL = "school", "School"

    class Pinned(models.TextChoices):
        FIRST = "first", "First"
        LAST = "last", "Last"

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="stops")
    order = models.PositiveSmallIntegerField()
    pinned = models.CharField(max_length=5, choices=Pinned.choices, blank=True)
    kind = models.CharField(max_length=6, choices=Kind.choices)
    school = models.ForeignKey(School, on_delete=models.PROTECT, null=True, related_name="stops")
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, null=True, related_name="stops")
    name = models.CharField(max_length=120, help_text="As on the list: the school, or a family's number and initials.")
    address = models.CharField(max_length=200)
    postal_code = models.CharField(max_length=10, blank=True)
    contact = models.CharField(max_length=120, blank=True, help_text="Whom to ask for, at which door. No names of students.")
    safe_place = models.CharField(max_length=120, blank=True, help_text="Where it may be left when nobody is there.")
    arrived_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["run", "order"], name="stop_order_once", deferrable=models.Deferrable.DEFERRED),
            models.UniqueConstraint(fields=["run", "school"], name="stop_school_once_per_run"),
            models.UniqueConstraint(fields=["run", "household", "address"], name="stop_door_once_per_run"),
            models.UniqueConstraint(fields=["run", "pinned"], condition=~Q(pinned=""), name="stop_one_first_one_last"),
            models.CheckConstraint(
                condition=Q(kind="school", school__isnull=False, household=None)
                | Q(kind__in=["home", "work"], school=None, household__isnull=False),
                name="stop_is_at_a_school_or_a_family",
            ),
        ]
        triggers = [_nothing_after_the_end("stop_of_a_run_that_is_over", PART_OF_A_RUN_THAT_IS_OVER, on_insert=True)]
        ordering = ["order"]

    def __str__(self) -> str:
        return f"{self.run_id}/{self.order}"


@pghistory.track()
class Load(models.Model):
    """One instrument at one stop: taken along and handed over, or fetched there. Closed once it is accounted for."""

    class Task(models.TextChoices):
        DELIVER = "deliver", "Hand over"
        BRING_BACK = "bring_back", "Bring back from repair"
        FETCH_REPAIR = "fetch_repair", "Fetch for repair"
        FETCH_RETURN = "fetch_return", "Fetch, given back"

    class Outcome(models.TextChoices):
        DELIVERED = "delivered", "Handed over"
        SAFE_PLACE = "safe_place", "Left in a safe place"
        NOT_DELIVERED = "not_delivered", "Not handed over"
        FETCHED = "fetched", "Fetched"
        NOT_THERE = "not_there", "Not there"
        LEFT_OUT = "left_out", "Did not go along"

    BRINGING = ("deliver", "bring_back")
    FETCHING = ("fetch_repair", "fetch_return")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="loads")
    stop = models.ForeignKey(Stop, on_delete=models.PROTECT, related_name="loads")
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="loads")
    task = models.CharField(max_length=12, choices=Task.choices)
    what = models.CharField(max_length=160, blank=True)
    errand = models.ForeignKey(Errand, on_delete=models.PROTECT, null=True, related_name="loads")
    home_errand = models.ForeignKey(HomeErrand, on_delete=models.PROTECT, null=True, related_name="loads")
    loaded_at = models.DateTimeField(null=True, help_text="When it came into the van: at the shop, or fetched at its stop.")
    loaded_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    was_at = models.CharField(max_length=8, blank=True, help_text="Its place before it came into the van.")
    scanned_off_at = models.DateTimeField(null=True)
    outcome = models.CharField(max_length=13, choices=Outcome.choices, blank=True)
    handed_at = models.DateTimeField(null=True)
    handed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    receiver = models.CharField(max_length=120, blank=True, help_text="The adult who took it, as signed.")
    strokes = models.TextField(blank=True, help_text="The drawn signature as a path; empty when the name was typed.")
    words = models.CharField(max_length=160, blank=True, help_text="Which safe place, or why not.")
    closed_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(closed_at=None), name="load_one_open_per_instrument"),
            models.UniqueConstraint(fields=["stop", "instrument"], name="load_once_per_stop"),
            models.CheckConstraint(
                condition=Q(loaded_at=None, loaded_by=None, was_at="")
                | (Q(loaded_at__isnull=False, loaded_by__isnull=False) & ~Q(was_at="")),
                name="load_loaded_by_someone",
            ),
            models.CheckConstraint(
                condition=Q(outcome="", handed_at=None, handed_by=None, closed_at=None)
                | (~Q(outcome="") & Q(handed_at__isnull=False, handed_by__isnull=False)),
                name="load_ended_by_someone",
            ),
            models.CheckConstraint(
                condition=Q(outcome="")
                | Q(
                    outcome__in=["delivered", "safe_place"],
                    task__in=["deliver", "bring_back"],
                    loaded_at__isnull=False,
                    closed_at__isnull=False,
                )
                | Q(outcome="not_delivered", task__in=["deliver", "bring_back"], loaded_at__isnull=False)
                | Q(outcome="fetched", task__in=["fetch_repair", "fetch_return"], loaded_at__isnull=False)
                | Q(outcome="not_there", task__in=["fetch_repair", "fetch_return"], loaded_at=None, closed_at__isnull=False)
                | Q(outcome="left_out", loaded_at=None, closed_at__isnull=False),
                name="load_outcome_fits_its_task",
            ),
            models.CheckConstraint(condition=~Q(outcome="delivered") | ~Q(receiver=""), name="load_handed_to_someone"),
            models.CheckConstraint(
                condition=~Q(outcome__in=["safe_place", "not_delivered", "not_there"]) | ~Q(words=""),
                name="load_outcome_says_where_or_why",
            ),
            models.CheckConstraint(
                condition=Q(closed_at=None) | Q(closed_at__gte=F("handed_at")), name="load_closed_after_it_ended"
            ),
            models.CheckConstraint(condition=Q(errand=None) | Q(home_errand=None), name="load_for_one_errand"),
        ]
        triggers = [
            _nothing_after_the_end("load_of_a_run_that_is_over", PART_OF_A_RUN_THAT_IS_OVER, on_insert=True),
            _in_run_of_stop(),
        ]
        ordering = ["stop__order", "pk"]

    def __str__(self) -> str:
        return f"{self.run_id}/{self.instrument_id}"

    @property
    def is_fetch(self) -> bool:
        """Whether the instrument comes into the van at the stop."""
        return self.task in self.FETCHING

    @property
    def is_in_van(self) -> bool:
        """Whether it is in the van now."""
        return self.loaded_at is not None and self.closed_at is None
