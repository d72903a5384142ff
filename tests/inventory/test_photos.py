"""Photographs: what is kept of a file (OWASP ASVS 5.0, V5.1 to V5.4, V14.2.8), what is refused, and what the database holds."""

import datetime
import hashlib
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, IntegrityError, transaction
from django.urls import reverse
from PIL import Image, ImageFile

from rentals.inventory.models import Photo
from rentals.inventory.operations import photos as operations
from rentals.inventory.photographs import pictures
from rentals.inventory.queries import photos as queries
from tests.factories import TechnicianFactory
from tests.inventory import picture_files as files
from tests.inventory.factories import InstrumentFactory, WorkOrderFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def opened(content: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(content), formats=["JPEG"])
    picture.load()
    return picture


def add(instrument, content: bytes | None = None, **more) -> Photo:
    facts = {"caption": "Dent", "acting_user": TechnicianFactory(), "now": NOW} | more
    return operations.add_photo(instrument=instrument, upload=content or files.picture(), **facts)


class TestRemake:
    @pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
    def test_reads_what_telephones_and_screens_save(self, kind):
        made = pictures.remake(files.picture(kind=kind))
        assert (opened(made.image).format, made.width, made.height) == ("JPEG", 640, 480)
        assert made.sha256 == hashlib.sha256(made.image).hexdigest()

    def test_makes_large_ones_smaller_and_a_thumbnail(self):
        made = pictures.remake(files.picture(4000, 3000))
        assert opened(made.image).size == (made.width, made.height) == (1600, 1200)
        assert opened(made.thumb).size == (320, 240)

    def test_leaves_small_ones_their_size(self):
        assert pictures.remake(files.picture(200, 100)).width == 200

    def test_turns_it_upright_and_keeps_nothing_of_where_it_was_taken(self):
        sent = files.with_place_and_turn()
        before = Image.open(io.BytesIO(sent))
        assert before.getexif().get_ifd(0x8825)
        made = pictures.remake(sent)
        for content in (made.image, made.thumb):
            after = opened(content)
            assert after.width < after.height
            assert after.getexif() == {}
            assert not {"exif", "comment", "icc_profile", "dpi", "xmp", "photoshop"} & set(after.info)
            assert b"Exif" not in content
            assert b"Quillfeather" not in content
            right_top, left_bottom = after.getpixel((after.width - 8, 8)), after.getpixel((8, after.height - 8))
            assert min(right_top) > 200, "orientation 6 turns the upper left corner to the upper right"
            assert min(left_bottom) < 150

    def test_what_was_see_through_is_white(self):
        made = pictures.remake(files.picture(100, 100, (0, 0, 0, 0), "PNG", mode="RGBA"))
        assert opened(made.image).getpixel((90, 90)) == (255, 255, 255)

    def test_what_hides_behind_a_picture_is_gone(self):
        made = pictures.remake(files.polyglot())
        for content in (made.image, made.thumb):
            assert b"script" not in content
            assert b"PK\x03\x04" not in content

    def test_the_same_file_gives_the_same_bytes(self):
        assert pictures.remake(files.picture()).sha256 == pictures.remake(files.picture()).sha256

    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (files.SVG, "This is not a JPEG, PNG or WebP picture"),
            (b"plain words", "This is not a JPEG, PNG or WebP picture"),
            (files.EICAR, "This is not a JPEG, PNG or WebP picture"),
            (b"GIF89a" + bytes(40), "This is not a JPEG, PNG or WebP picture"),
            (files.HEIC, "HEIC"),
            (b"", "empty"),
            (files.picture()[:900], "cut off"),
            (b"\xff\xd8\xff" + files.SVG, "cut off"),
            (files.picture(kind="PNG")[:300], "cut off"),
            (files.bomb(), "far too many pixels"),
            (files.bomb(5_000, 5_000), "25 million pixels"),
            (files.text_bomb(), "cut off"),
            (files.picture(20, 20), "only 20 by 20 pixels"),
            (bytes(10 * 1024 * 1024 + 1), "larger than 10 MB"),
        ],
        ids=[
            "svg", "text", "eicar", "gif", "heic", "empty", "cut-jpeg", "svg-as-jpeg", "cut-png", "bomb", "large", "text-bomb",
            "tiny", "heavy",
        ],
    )  # fmt: skip
    def test_refuses_the_rest_and_says_what_to_do(self, content, said):
        with pytest.raises(pictures.PictureRefusedError, match=said) as refused:
            pictures.remake(content)
        assert any(word in str(refused.value) for word in ("take", "Take", "choose", "send it again"))

    @pytest.mark.parametrize("content", [files.picture()[:900], files.picture(kind="PNG")[:300]], ids=["jpeg", "png"])
    def test_refuses_what_is_cut_off_after_another_library_has_let_it_pass(self, content, monkeypatch):
        """WeasyPrint sets this for the whole process when it is loaded."""
        monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
        with pytest.raises(pictures.PictureRefusedError, match="cut off"):
            pictures.remake(content)


@pytest.mark.django_db
class TestAddPhoto:
    def test_keeps_it_with_who_and_when(self):
        instrument, person = InstrumentFactory(), TechnicianFactory()
        photo = add(instrument, caption="  Dent in \n the bell ", acting_user=person)
        assert (photo.caption, photo.taken_by, photo.taken_at) == ("Dent in the bell", person, NOW)
        assert list(queries.list_photos(instrument)) == [photo]

    def test_hangs_on_a_work_order_and_on_its_instrument(self):
        order = WorkOrderFactory()
        photo = add(order.instrument, work_order=order)
        other = add(order.instrument, files.picture(colour="navy"))
        assert list(queries.list_photos(order.instrument, order)) == [photo]
        assert set(queries.list_photos(order.instrument)) == {photo, other}

    def test_sent_twice_is_there_once(self):
        instrument = InstrumentFactory()
        assert add(instrument) == add(instrument)
        assert Photo.objects.count() == 1

    def test_refuses_a_work_order_of_another_instrument(self):
        with pytest.raises(operations.WorkOnAnotherInstrumentError):
            add(InstrumentFactory(), work_order=WorkOrderFactory())

    def test_refuses_more_than_are_kept(self, monkeypatch):
        monkeypatch.setattr(operations, "MOST_PHOTOS", 2)
        instrument = InstrumentFactory()
        add(instrument)
        add(instrument, files.picture(colour="navy"))
        with pytest.raises(operations.TooManyPhotosError):
            add(instrument, files.picture(colour="olive"))

    def test_reads_no_more_of_an_upload_than_it_may_keep(self):
        class Endless:
            def read(self, size):
                return bytes(size)

        with pytest.raises(operations.PictureRefusedError, match="larger than 10 MB"):
            add(InstrumentFactory(), Endless())


@pytest.mark.django_db
class TestRemovePhoto:
    def test_is_put_back_until_it_is_erased(self):
        person = TechnicianFactory()
        photo = add(InstrumentFactory())
        operations.remove_photo(photo=photo, because="Shows nothing", acting_user=person, now=NOW)
        assert not queries.list_photos(photo.instrument)
        with pytest.raises(operations.PhotoMovedOnError):
            operations.remove_photo(photo=photo, because="Again", acting_user=person, now=NOW)
        operations.put_back_photo(photo=photo, acting_user=person)
        assert queries.list_photos(photo.instrument).get() == photo
        with pytest.raises(operations.PhotoMovedOnError):
            operations.erase_photo(photo=photo, acting_user=person, now=NOW)
        operations.remove_photo(photo=photo, because="A face in it", acting_user=person, now=NOW)
        operations.erase_photo(photo=photo, acting_user=person, now=NOW)
        photo.refresh_from_db()
        assert (photo.image, photo.thumb, photo.removed_because) == (None, None, "A face in it")
        with pytest.raises(operations.PhotoMovedOnError, match="erased"):
            operations.put_back_photo(photo=photo, acting_user=person)

    def test_is_not_put_back_beside_the_same_one_sent_again(self):
        person = TechnicianFactory()
        photo = add(InstrumentFactory())
        operations.remove_photo(photo=photo, because="By mistake", acting_user=person, now=NOW)
        add(photo.instrument)
        with pytest.raises(operations.PhotoMovedOnError, match="back already"):
            operations.put_back_photo(photo=photo, acting_user=person)


@pytest.mark.django_db
class TestTheDatabase:
    @pytest.mark.parametrize(
        "change",
        [
            {"image": b"other"},
            {"thumb": b"other"},
            {"sha256": "0" * 64},
            {"width": 3},
            {"taken_at": NOW + datetime.timedelta(days=1)},
        ],
        ids=lambda change: next(iter(change)),
    )
    def test_never_lets_a_picture_change(self, change):
        photo = add(InstrumentFactory())
        with pytest.raises(DatabaseError, match="Cannot update"), transaction.atomic():
            Photo.objects.filter(pk=photo.pk).update(**change)

    def test_never_lets_one_vanish_or_be_erased_while_it_is_shown(self):
        photo = add(InstrumentFactory())
        with pytest.raises(DatabaseError, match="Cannot delete"), transaction.atomic():
            Photo.objects.filter(pk=photo.pk).delete()
        with pytest.raises(IntegrityError), transaction.atomic():
            Photo.objects.filter(pk=photo.pk).update(image=None, thumb=None, erased_at=NOW)

    def test_refuses_bytes_that_are_not_what_their_sum_says(self):
        photo = add(InstrumentFactory())
        with pytest.raises(IntegrityError), transaction.atomic():
            Photo.objects.create(
                instrument=photo.instrument, image=b"x", thumb=b"y", sha256="0" * 64, width=1, height=1, taken_at=NOW,
                taken_by=photo.taken_by,
            )  # fmt: skip


def sent(content: bytes | None = None, name: str = "IMG_1.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content or files.picture(), content_type="image/jpeg")


@pytest.mark.django_db
class TestTheScreens:
    def test_takes_one_from_the_camera_and_several_chosen_and_comes_back(self, client_as):
        instrument = InstrumentFactory()
        page = reverse("instrument", args=[instrument.pk])
        several = [sent(files.picture(colour="navy")), sent(files.picture(colour="olive"))]
        answer = client_as("technician").post(
            reverse("photos", args=[instrument.pk]),
            {"camera": sent(), "chosen": several, "caption": "Dent in the bell", "back": page},
        )
        assert (answer.status_code, answer["Location"]) == (302, page)
        assert [photo.caption for photo in queries.list_photos(instrument)] == ["Dent in the bell"] * 3

    def test_comes_back_to_no_other_office(self, client_as):
        instrument = InstrumentFactory()
        for elsewhere in ("https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)"):
            data = {"camera": sent(), "back": elsewhere}
            answer = client_as("technician").post(reverse("photos", args=[instrument.pk]), data)
            assert answer["Location"] == reverse("photos", args=[instrument.pk])

    def test_keeps_the_good_ones_and_names_the_bad_one(self, client_as):
        instrument = InstrumentFactory()
        several = [sent(name="good.jpg"), sent(files.SVG, name="../../<b>bad.jpg")]
        data = {"chosen": several, "caption": "Dent in the bell"}
        answer = client_as("technician").post(reverse("photos", args=[instrument.pk]), data)
        text = answer.content.decode()
        assert answer.status_code == 422
        assert "1 picture is kept" in text
        assert "&lt;b&gt;bad.jpg: This is not a JPEG" in text
        assert "../.." not in text
        assert 'value="Dent in the bell"' in text
        assert queries.list_photos(instrument).count() == 1

    def test_asks_for_one_where_none_was_sent_and_for_fewer_where_too_many(self, client_as):
        url = reverse("photos", args=[InstrumentFactory().pk])
        client = client_as("technician")
        assert "Take a picture, or choose one below." in client.post(url, {}).content.decode()
        many = {"chosen": [sent(name=f"{number}.jpg") for number in range(11)]}
        assert "these are 11" in client.post(url, many).content.decode()
        assert not Photo.objects.exists()

    def test_an_empty_file_is_said_kindly(self, client_as):
        url = reverse("photos", args=[InstrumentFactory().pk])
        empty = SimpleUploadedFile("IMG_1.jpg", b"")
        answer = client_as("technician").post(url, {"camera": empty})
        assert "This file is empty: take the picture again." in answer.content.decode()

    def test_hangs_on_the_work_order_it_was_sent_from_and_on_no_other_instruments(self, client_as):
        order = WorkOrderFactory()
        client = client_as("technician")
        url = reverse("photos", args=[order.instrument_id])
        client.post(url, {"camera": sent(), "work_order": order.pk})
        assert queries.list_photos(order.instrument, order).count() == 1
        assert client.get(f"{url}?work_order={order.pk}").context["order"] == order
        other = reverse("photos", args=[InstrumentFactory().pk])
        for wrong in (order.pk, "x", "9" * 30):
            assert client.post(other, {"camera": sent(), "work_order": wrong}).status_code == 404

    def test_is_sent_as_a_picture_and_as_nothing_else(self, client_as):
        photo = add(InstrumentFactory(asset_tag="FL-1042"))
        for name, side in (("photo", 640), ("photo_thumb", 320)):
            answer = client_as("specialist").get(reverse(name, args=[photo.pk]))
            assert opened(answer.content).width == side
            assert answer["Content-Type"] == "image/jpeg"
            assert answer["X-Content-Type-Options"] == "nosniff"
            assert answer["Content-Disposition"] == f'inline; filename="FL-1042-{photo.pk}.jpg"'
            assert "no-store" in answer["Cache-Control"]
            assert "private" in answer["Cache-Control"]

    def test_what_was_removed_is_not_sent_and_can_be_put_back(self, client_as):
        photo = add(InstrumentFactory())
        client = client_as("technician")
        page = reverse("photos", args=[photo.instrument_id])
        remove = reverse("photo_remove", args=[photo.pk])
        assert client.post(remove, {"because": "Because"}).status_code == 422
        assert client.post(remove, {"because": "It shows a person or a name"})["Location"] == page
        assert client.get(reverse("photo", args=[photo.pk])).status_code == 404
        assert client.get(reverse("photo_thumb", args=[photo.pk])).status_code == 404
        text = client.get(page).content.decode()
        assert "It shows a person or a name" in text
        assert reverse("photo_erase", args=[photo.pk]) not in text, "erasing is the manager's"
        client.post(reverse("photo_put_back", args=[photo.pk]))
        assert client.get(reverse("photo", args=[photo.pk])).status_code == 200

    def test_the_manager_erases_for_good(self, client_as):
        photo = add(InstrumentFactory())
        client = client_as("manager")
        erase = reverse("photo_erase", args=[photo.pk])
        assert client.get(erase).status_code == 404, "it is still shown"
        client.post(reverse("photo_remove", args=[photo.pk]), {"because": "It shows a person or a name"})
        assert (
            reverse("photo_erase", args=[photo.pk]) in client.get(reverse("photos", args=[photo.instrument_id])).content.decode()
        )
        client.post(erase)
        assert Photo.objects.get(pk=photo.pk).image is None
        assert "cannot be put back" in client.post(reverse("photo_put_back", args=[photo.pk]), follow=True).content.decode()

    def test_the_instruments_page_shows_them_within_its_queries(self, client_as, django_assert_max_num_queries):
        instrument = InstrumentFactory()
        for colour in ("navy", "olive", "teal"):
            add(instrument, files.picture(colour=colour))
        client = client_as("manager")
        with django_assert_max_num_queries(12):
            text = client.get(reverse("instrument", args=[instrument.pk])).content.decode()
        assert text.count("/small/") == 3
