"""A run on paper: its manifest, one for each version of the run."""

import datetime

from django.db import transaction

from rentals.counter.runs import queries
from rentals.documents.models import Document
from rentals.documents.operations import ask_for_document
from rentals.documents.pages import ManifestLine, ManifestPage, ManifestStop
from schools.models import Run


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
