"""Add somebody from the server's own command line: in a new installation, the first administrator."""

from typing import Any
from urllib.parse import urlencode

import pghistory
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.urls import reverse

from rentals.runtime import clock
from rentals.staff import people
from rentals.staff.policy import EVERYONE


class Command(BaseCommand):
    """`add_person robin@shop.example "Robin Sample" administrator` prints the link with which Robin chooses a password."""

    help = "Add a person and print a link, good for ten minutes and once, with which they choose their password."

    def add_arguments(self, parser: CommandParser) -> None:
        """Read address, name and role."""
        parser.add_argument("email")
        parser.add_argument("name")
        parser.add_argument("role", choices=sorted(EVERYONE))

    def handle(self, *args: Any, **options: Any) -> None:
        """Add the person and print the link."""
        with pghistory.context(operation="add_person on the command line"):
            try:
                person = people.add_person(email=options["email"], name=options["name"], role=options["role"], acting_user=None)
            except people.PersonExistsError:
                message = f"{options['email']} is in the list already: an administrator can make a new link there."
                raise CommandError(message) from None
            token = people.make_password_link(person_id=person.pk, acting_user=None, now=clock.now())
        origin = next(iter(settings.CSRF_TRUSTED_ORIGINS), f"http://{next(iter(settings.ALLOWED_HOSTS), 'localhost')}:8000")
        self.stdout.write(f"{origin}{reverse('choose_password')}?{urlencode({'for': person.pk, 'token': token})}")
