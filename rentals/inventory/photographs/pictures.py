"""Pictures as they come from a telephone, re-made by the office. Pure: no database, no clock.

What is kept is never the file that was sent: its pixels are decoded, turned upright, made smaller and written anew as JPEG, so
that nothing else that lay in the file (where it was taken, a script, another file behind it) is kept with them.
"""

import hashlib
import io
import struct
import zlib
from dataclasses import dataclass
from typing import Any

MOST_BYTES = 10 * 1024 * 1024
LONGEST_SIDE = 1600
THUMB_SIDE = 320
SMALLEST_SIDE = 32
MOST_PIXELS = {"JPEG": 50_000_000, "PNG": 24_000_000, "WEBP": 24_000_000}
"""By how much of it a decoder must hold in memory at once: JPEG can be made smaller while it is read."""

BROKEN = (OSError, ValueError, SyntaxError, EOFError, KeyError, IndexError, TypeError, OverflowError, struct.error, zlib.error)
"""What the decoders raise for files that are cut off or damaged on purpose."""

HEIC_BRANDS = {b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis"}
"""Brands of ISO/IEC 23008-12 files (HEIC, AVIF) in the first twelve bytes."""


class PictureRefusedError(ValueError):
    """A file is no picture the office can keep; the sentence says what to do."""


@dataclass(frozen=True)
class Picture:
    """A picture re-made: JPEG bytes without metadata, its size in pixels, a small one beside it."""

    image: bytes
    thumb: bytes
    sha256: str
    width: int
    height: int


def remake(content: bytes) -> Picture:
    """Return the picture in a file, upright, at most 1600 pixels on its longer side, as JPEG without any metadata.

    The file is known by its contents, never by its name: JPEG, PNG or WebP. Takes up to half a second of processor time; never
    call it inside a transaction that holds locks. The same file gives the same bytes.
    Raises PictureRefusedError.
    """
    _refuse_early(content)
    from PIL import Image, ImageFile, ImageOps

    # The renderer of PDFs lets cut-off pictures pass for the whole process when it is loaded; it shows the office's own only.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    try:
        with Image.open(io.BytesIO(content), formats=["JPEG", "PNG", "WEBP"]) as opened:
            _refuse_size(opened)
            opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            plain = _on_white(upright)
    except PictureRefusedError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise PictureRefusedError(_too_large("far too many")) from error
    except BROKEN as error:
        message = "This picture cannot be read: it is cut off, or no picture at all. Take it again, or choose another."
        raise PictureRefusedError(message) from error
    small = plain.copy()
    small.thumbnail((THUMB_SIDE, THUMB_SIDE))
    image = _as_jpeg(plain, 85)
    return Picture(image, _as_jpeg(small, 75), hashlib.sha256(image).hexdigest(), plain.width, plain.height)


def _refuse_early(content: bytes) -> None:
    """Refuse what can be known without a decoder."""
    if not content:
        raise PictureRefusedError("This file is empty: take the picture again.")
    if len(content) > MOST_BYTES:
        raise PictureRefusedError("This picture is larger than 10 MB: take it with a lower resolution, or choose another.")
    if content[4:8] == b"ftyp" and content[8:12] in HEIC_BRANDS:
        message = "This is a HEIC or AVIF picture. Let the telephone save pictures as JPEG, and send it again."
        raise PictureRefusedError(message)
    known = content[:3] == b"\xff\xd8\xff" or content[:8] == b"\x89PNG\r\n\x1a\n" or content[:4] + content[8:12] == b"RIFFWEBP"
    if not known:
        raise PictureRefusedError("This is not a JPEG, PNG or WebP picture, whatever its name says: choose a photograph.")


def _refuse_size(opened: Any) -> None:
    """Refuse by the size a file claims, before its pixels are decoded."""
    width, height = opened.size
    kind = "JPEG" if opened.format == "MPO" else str(opened.format)
    if width * height > MOST_PIXELS[kind]:
        raise PictureRefusedError(_too_large(f"{width * height / 1_000_000:.0f} million"))
    if min(width, height) < SMALLEST_SIDE:
        message = f"This picture is only {width} by {height} pixels: nothing can be seen on it. Take it again."
        raise PictureRefusedError(message)


def _too_large(pixels: str) -> str:
    return f"This picture has {pixels} pixels: take it with a lower resolution, or choose another."


def _on_white(picture: Any) -> Any:
    """Return the pixels alone, in a picture that carries nothing else; what was see-through is white."""
    from PIL import Image

    white = Image.new("RGB", picture.size, "white")
    if picture.mode in {"RGBA", "LA", "PA"} or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        white.paste(seen, mask=seen.getchannel("A"))
    else:
        white.paste(picture.convert("RGB"))
    return white


def _as_jpeg(picture: Any, quality: int) -> bytes:
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=quality, optimize=True)
    return made.getvalue()
