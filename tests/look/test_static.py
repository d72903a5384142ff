"""Static files: fingerprints that reach every part, fonts with figures of one width and their licence beside them."""

from pathlib import Path

import pytest
from django.contrib.staticfiles.storage import staticfiles_storage
from django.core.management import call_command
from django.test import override_settings
from fontTools.ttLib import TTFont

STATIC = Path(__file__).parents[2] / "static"
FONTS = sorted((STATIC / "fonts").glob("*.ttf"))


class TestFingerprints:
    def test_scripts_import_each_other_by_fingerprint(self, tmp_path):
        storages = {"staticfiles": {"BACKEND": "rentals.runtime.storage.FingerprintedStorage"}}
        unpacked = {"WHITENOISE_SKIP_COMPRESS_EXTENSIONS": ["js", "css", "svg", "ttf", "txt", "json", "map"]}  # only to be quick
        with override_settings(STATIC_ROOT=tmp_path, STORAGES=storages, DEBUG=False, **unpacked):
            call_command("collectstatic", interactive=False, verbosity=0)
            office = tmp_path / staticfiles_storage.stored_name("js/office.js")
            parts = [staticfiles_storage.stored_name(f"js/{name}.js") for name in ("wedge", "signature", "theme", "errors")]
        text = office.read_text()
        for part in parts:
            assert part.count(".") == 2
            assert f'"./{Path(part).name}"' in text


class TestFonts:
    @pytest.mark.parametrize("path", FONTS, ids=lambda path: path.stem)
    def test_figures_have_one_width(self, path):
        font = TTFont(path)
        names = font.getBestCmap()
        assert len({font["hmtx"][names[ord(figure)]][0] for figure in "0123456789"}) == 1

    @pytest.mark.parametrize("path", FONTS, ids=lambda path: path.stem)
    def test_letters_of_the_families_we_serve_are_there(self, path):
        """Spanish, Vietnamese, Polish, and the marks we set ourselves."""
        names = TTFont(path).getBestCmap()
        assert [letter for letter in "ñÑáéíóúü¿¡ễệươđłżźć−–—“”…←→·" if ord(letter) not in names] == []

    def test_licence_is_beside_them(self):
        assert "SIL Open Font License, Version 1.1" in (STATIC / "fonts" / "HankenGrotesk-OFL.txt").read_text()
        assert len(FONTS) == 3
        assert all(path.with_suffix(".woff2").exists() for path in FONTS)


class TestSheets:
    @pytest.mark.parametrize("path", sorted((STATIC / "css").glob("*.css")), ids=lambda path: path.stem)
    def test_every_rule_stands_in_a_layer(self, path):
        depth, outside = 0, ""
        for character in path.read_text():
            depth += (character == "{") - (character == "}")
            if depth == 0:
                outside += character
        heads = [part.split("*/")[-1].strip() for part in outside.split("}") if part.split("*/")[-1].strip()]
        assert all(head.startswith(("@layer", "@font-face")) for head in heads), heads
