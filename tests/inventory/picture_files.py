"""Files people send as pictures: good ones, wrong ones and bad ones, made on the spot so that nothing harmful lies about."""

import io
import struct
import zlib

from PIL import Image


def picture(width: int = 640, height: int = 480, colour="sienna", kind: str = "JPEG", **options) -> bytes:
    """A picture with a bright corner at the upper left, so that turning it shows."""
    mode = options.pop("mode", "RGB")
    made = Image.new(mode, (width, height), colour)
    made.paste(Image.new(mode, (width // 4, height // 4), "white"), (0, 0))
    out = io.BytesIO()
    made.save(out, kind, **options)
    return out.getvalue()


def with_place_and_turn() -> bytes:
    """A picture as a telephone saves it: lying on its side (orientation 6), with where, when and with what it was taken."""
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F], exif[0x0110] = "Maker of telephones", "Model"
    exif.get_ifd(0x8825).update({1: "N", 2: (41.0, 52.0, 55.0), 3: "W", 4: (87.0, 37.0, 40.0)})
    return picture(640, 480, exif=exif, comment=b"Quillfeather family", dpi=(300, 300))


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def bomb(width: int = 60_000, height: int = 60_000) -> bytes:
    """A PNG of few bytes that claims (and would unpack to) billions of pixels."""
    packed = zlib.compressobj(9)
    rows = packed.compress(bytes(1 + width * 3) * 20) + packed.flush()
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def text_bomb() -> bytes:
    """A small PNG whose packed remark unpacks to 60 MB."""
    good = picture(64, 64, kind="PNG")
    return good[:33] + chunk(b"zTXt", b"Comment\0\0" + zlib.compress(b"a" * 60_000_000, 9)) + good[33:]


SCRIPT = b"<script>alert(document.cookie)</script>"
SVG = b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)">' + SCRIPT + b"</svg>"
EICAR = rb"X5O!P%@AP[4\PZX54(P^)7CC)7}$" + b"EICAR-STANDARD-ANTI-" + b"VIRUS-TEST-FILE!$H+H*"
HEIC = b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(64)


def polyglot() -> bytes:
    """A good JPEG with a script in a remark, and a page and an archive behind its end."""
    made = picture(comment=SCRIPT)
    return made + b"<html>" + SCRIPT + b"</html>PK\x03\x04"
