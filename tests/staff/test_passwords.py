"""What a password must be (NIST SP 800-63B-4, 3.1.1.2; OWASP ASVS 5.0, V6.2)."""

import pytest
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from rentals.staff.models import Office
from tests.factories import BookkeeperFactory, UserFactory


@pytest.fixture
def person(db):
    Office.objects.update_or_create(id=1, defaults={"name": "Cranbrook Strings"})
    return UserFactory(email="marigold.quill@rentals.example", name="Marigold Quill")


class TestAccepts:
    @pytest.mark.parametrize(
        "password",
        [
            "a walk along the river",
            "onlylowercaseletters",
            "ÄrgerÜberÖlfässer!!",
            "春夏秋冬春夏秋冬とても長い合言葉です",
            "x7#" * 2 + "correct horse battery staple " * 3,
            "the violin under the stairs",
        ],
    )
    def test_long_ones_of_any_composition(self, person, password):
        validate_password(password, person)

    def test_eight_characters_beside_a_second_factor(self, db):
        validate_password("ostrich9", BookkeeperFactory())


class TestRefuses:
    @pytest.mark.parametrize(
        ("password", "code"),
        [
            ("fourteen chars", "password_too_short"),
            ("aaaaaaaaaaaaaaaaaaaa", "password_repeats"),
            ("12121212121212121212", "password_repeats"),
            ("marigold.quill1999", "password_context"),
            ("CranbrookStrings2026!", "password_context"),
            ("rental-office-music-school", "password_context"),
            ("Violin123456789!!", "password_context"),
        ],
    )
    def test_short_repeating_and_guessable_ones(self, person, password, code):
        with pytest.raises(ValidationError) as refused:
            validate_password(password, person)
        assert code in {error.code for error in refused.value.error_list}

    @pytest.mark.parametrize("password", ["password123", "football1", "sunshine1"])
    def test_common_ones_even_beside_a_second_factor(self, db, password):
        with pytest.raises(ValidationError):
            validate_password(password, BookkeeperFactory())

    def test_seven_characters_beside_a_second_factor(self, db):
        with pytest.raises(ValidationError, match="at least 8 characters; this has 7"):
            validate_password("ostrich", BookkeeperFactory())
