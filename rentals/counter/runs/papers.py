"""A run on paper: its manifest, and a slip for each stop, one for each version of the run."""

import datetime

from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext

from rentals.counter.runs import queries
from rentals.documents.models import Document
from rentals.documents.operations import ask_for_document
from rentals.documents.pages import DeliverySlipPage, ManifestLine, ManifestPage, ManifestStop, SlipLine
from rentals.documents.words import in_language
from rentals.runtime.templatetags.office import day
from schools.models import Load, Run, Stop


@transaction.atomic
def ask_for_manifest(*, run: Run, now: datetime.datetime) -> Document:
    """Ask for the manifest of a run as it stands; the same version again is the same document. Of students, initials only."""
    sheet = queries.get_sheet(run)
    stops = tuple(
        ManifestStop(
            name=line.stop.name,
            address=line.stop.address,
            contact=line.stop.contact,
            safe_place=line.stop.safe_place,
            lines=tuple(
                ManifestLine(
                    tag=each.load.instrument.asset_tag,
                    kind=each.load.instrument.item.kind.name,
                    task=each.load.get_task_display(),
                    initials=each.initials,
                    what=each.load.what,
                )
                for each in line.lines
            ),
        )
        for line in sheet.stops
    )
    page = ManifestPage(
        on=run.on, driver=run.driver.name, shop=run.location.name, notes=run.notes, miles=sheet.miles, stops=stops
    )
    return ask_for_document(
        key=f"run/{run.pk}/manifest/{run.version}",
        kind="run_manifest",
        about=f"run/{run.pk}",
        title=f"Manifest of the run of {run.on:%B} {run.on.day}, {run.on.year}",
        page=page,
        now=now,
    )


@transaction.atomic
def ask_for_slip(*, stop: Stop, now: datetime.datetime) -> Document:
    """Ask for the delivery slip of a stop as its run stands; the same version again is the same document. Initials only.

    At a family's door it speaks the family's language.
    """
    run = stop.run
    language = stop.household.language if stop.household else "en"
    line = next(each for each in queries.get_sheet(run).stops if each.stop.pk == stop.pk)
    brought = [each.load.instrument_id for each in line.lines if each.load.task == Load.Task.DELIVER]
    kit = queries.kit_of(brought)
    with translation.override(language):
        lines = tuple(
            SlipLine(
                tag=each.load.instrument.asset_tag,
                kind=in_language(each.load.instrument.item.kind.name),
                task=in_language(each.load.get_task_display()),
                initials=each.initials,
                kit=tuple(kit.get(each.load.instrument_id, ())),
            )
            for each in line.lines
        )
        title = f"{gettext('Delivery slip')}, {stop.name}, {day(run.on)}"
    page = DeliverySlipPage(on=run.on, name=stop.name, address=stop.address, lines=lines)
    return ask_for_document(
        key=f"run/{run.pk}/slip/{stop.pk}/{run.version}",
        kind="delivery_slip",
        about=f"run/{run.pk}",
        title=title,
        page=page,
        language=language,
        now=now,
    )
