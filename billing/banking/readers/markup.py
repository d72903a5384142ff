"""XML, and the SGML without end tags of OFX 1.x, read into one tree that knows its lines.

Nothing here knows what an element means. Definitions of entities, and whatever could reach outside the file, are refused.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from xml.sax import SAXException, SAXParseException
from xml.sax.handler import ContentHandler
from xml.sax.xmlreader import AttributesImpl, InputSource

from defusedxml.common import DefusedXmlException
from defusedxml.expatreader import DefusedExpatParser

from billing.banking.readers.found import NOT_FROM_A_BANK, SHORTER, BankFileError, shown

DEEPEST = 24
MOST_ELEMENTS = 300_000
"""More than a file of the largest size holds whose elements say something."""


@dataclass
class Node:
    """One element: a leaf with a value, or an aggregate with children."""

    name: str
    line: int
    value: str = ""
    children: list["Node"] = field(default_factory=list)
    attributes: dict[str, str] = field(default_factory=dict)

    def first(self, name: str) -> "Node | None":
        """Return the first child of that name."""
        return next((child for child in self.children if child.name == name), None)

    def all(self, name: str) -> list["Node"]:
        """Return the children of that name."""
        return [child for child in self.children if child.name == name]

    def text(self, name: str) -> str:
        """Return the value of a leaf, "" when it is missing."""
        child = self.first(name)
        return child.value if child else ""

    def at(self, path: str) -> "Node | None":
        """Return the first element on a path of names, like "Dt/DtTm"."""
        here: Node | None = self
        for name in path.split("/"):
            here = here.first(name) if here else None
        return here

    def said(self, path: str) -> str:
        """Return the value at the end of a path, "" when it is missing."""
        leaf = self.at(path)
        return leaf.value if leaf else ""

    def walk(self) -> Iterator["Node"]:
        """Go through this element and all below it."""
        yield self
        for child in self.children:
            yield from child.walk()


_TAG = re.compile(r"<(?P<close>/?)(?P<name>[A-Za-z][A-Za-z0-9._-]*)\s*(?P<empty>/?)>(?P<text>[^<]*)")
_CLOSED = re.compile(r"</([A-Za-z][A-Za-z0-9._-]*)\s*>")
_ENTITY = re.compile(r"&(?:(amp|lt|gt|nbsp|quot|apos)|#([0-9]{1,5}));")
_NAMED = {"amp": "&", "lt": "<", "gt": ">", "nbsp": " ", "quot": '"', "apos": "'"}
# Aggregates that matter here: left open, a part of the file is missing. Other names that a file never closes are leaves.
_AGGREGATES = frozenset(
    [
        "OFX",
        "SIGNONMSGSRSV1",
        "SONRS",
        "STATUS",
        "BANKMSGSRSV1",
        "CREDITCARDMSGSRSV1",
        "STMTTRNRS",
        "STMTRS",
        "CCSTMTTRNRS",
        "CCSTMTRS",
        "BANKACCTFROM",
        "CCACCTFROM",
        "BANKTRANLIST",
        "STMTTRN",
        "PAYEE",
        "CURRENCY",
        "LEDGERBAL",
        "AVAILBAL",
    ]
)
# Leaves that some banks write empty: without an end tag only their names tell them from aggregates.
_LEAVES = frozenset(
    [
        "ACCTID",
        "ACCTKEY",
        "ACCTTYPE",
        "BALAMT",
        "BANKID",
        "BRANCHID",
        "CHECKNUM",
        "CODE",
        "CORRECTACTION",
        "CORRECTFITID",
        "CURDEF",
        "CURRATE",
        "CURSYM",
        "DTASOF",
        "DTAVAIL",
        "DTCLIENT",
        "DTEND",
        "DTPOSTED",
        "DTSERVER",
        "DTSTART",
        "DTUSER",
        "EXTDNAME",
        "FID",
        "FITID",
        "LANGUAGE",
        "MEMO",
        "MESSAGE",
        "MKTGINFO",
        "NAME",
        "ORG",
        "PAYEEID",
        "REFNUM",
        "SESSCOOKIE",
        "SEVERITY",
        "SIC",
        "SRVRTID",
        "TRNAMT",
        "TRNTYPE",
        "TRNUID",
        "USERKEY",
        "ADDR1",
        "ADDR2",
        "ADDR3",
        "CITY",
        "STATE",
        "POSTALCODE",
        "COUNTRY",
        "PHONE",
    ]
)


def read_sgml(text: str, first_line: int) -> Node:
    """Read OFX 1.x: leaves need no end tag, aggregates do. `first_line` is the line that `text` begins on."""
    root: Node | None = None
    stack: list[Node] = []
    aggregates = _AGGREGATES | {name.upper() for name in _CLOSED.findall(text)}
    line = first_line
    place = count = 0
    for tag in _TAG.finditer(text):
        between = text[place : tag.start()]
        if between.strip():
            raise BankFileError(line, f"“{shown(between)}” stands where an element was expected.")
        line += between.count("\n")
        name, value = tag["name"].upper(), tag["text"]
        if tag["close"]:
            _close(stack, name, line)
        elif root is not None and not stack:
            raise BankFileError(line, f"<{name}> stands after the end of the file’s contents.")
        else:
            count += 1
            _check_count(count, line)
            node = Node(name, line, _plain(value))
            root = _attach(root, stack, node)
            # A name with a dot is some bank's own: those that matter to nobody here are written as leaves.
            if not node.value and not tag["empty"] and name in aggregates and name not in _LEAVES and "." not in name:
                stack.append(node)
        if tag["close"] and value.strip():
            raise BankFileError(line, f"“{shown(value)}” stands where an element was expected.")
        line += tag[0].count("\n")
        place = tag.end()
    return _whole(root, "OFX", stack, text[place:], line)


def _close(stack: list[Node], name: str, line: int) -> None:
    """Close an aggregate, or a leaf that was closed although it need not be."""
    if stack and stack[-1].name == name:
        stack.pop()
        return
    last = stack[-1].children[-1] if stack and stack[-1].children else None
    if last is not None and last.name == name and not last.children:
        return
    opened = f"<{stack[-1].name}> of line {stack[-1].line} is still open" if stack else "nothing is open"
    raise BankFileError(line, f"</{name}> does not fit here: {opened}.")


def _check_count(count: int, line: int) -> None:
    if count > MOST_ELEMENTS:
        raise BankFileError(line, f"The file has more than {MOST_ELEMENTS:,} elements; a bank’s file has fewer.", SHORTER)


def _attach(root: Node | None, stack: list[Node], node: Node) -> Node:
    if len(stack) >= DEEPEST:
        raise BankFileError(node.line, f"Elements are nested more than {DEEPEST} deep; a bank’s file never is.")
    if stack:
        stack[-1].children.append(node)
    return root if root is not None else node


def _whole(root: Node | None, wanted: str, stack: list[Node], rest: str, line: int) -> Node:
    if stack:
        reason = f"The file ends before <{stack[-1].name}> of line {stack[-1].line} is closed: a part of it is missing."
        raise BankFileError(line, reason, "Download the file from the bank once more and wait until it is complete.")
    if root is None or (wanted and root.name != wanted):
        raise BankFileError(line, f"The file holds no <{wanted or 'Document'}> element.")
    if rest.strip():
        raise BankFileError(line, f"“{shown(rest)}” stands where an element was expected.")
    return root


def _plain(value: str) -> str:
    """Put in the characters that stand for markup; what is no such entity ("AT&T") stays as it is."""

    def character(found: re.Match[str]) -> str:
        if found[1]:
            return _NAMED[found[1]]
        code = int(found[2])
        return chr(code) if code >= 32 and not 0xD800 <= code <= 0xDFFF else " "

    return _ENTITY.sub(character, value).strip()


class _Builder(ContentHandler):
    """Builds the tree while the XML parser tells what it finds."""

    def __init__(self, parser: DefusedExpatParser, *, in_capitals: bool) -> None:
        super().__init__()
        self.parser = parser
        self.in_capitals = in_capitals
        self.root: Node | None = None
        self.stack: list[Node] = []
        self.count = 0

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802 - the name the parser calls
        """Begin an element."""
        plain = name.upper() if self.in_capitals else name.rpartition(":")[2]
        node = Node(plain, self.parser.getLineNumber(), attributes=dict(attrs.items()))
        self.count += 1
        _check_count(self.count, node.line)
        self.root = _attach(self.root, self.stack, node)
        self.stack.append(node)

    def characters(self, content: str) -> None:
        """Take a piece of a value."""
        self.stack[-1].value += content

    def endElement(self, name: str) -> None:  # noqa: N802 - the name the parser calls
        """End it: an aggregate has no value of its own."""
        node = self.stack.pop()
        node.value = node.value.strip()
        if node.children and node.value:
            raise BankFileError(node.line, f"“{shown(node.value)}” stands where an element was expected.")


def read_xml(content: bytes, *, root: str = "") -> Node:
    """Read XML. A document type, an entity definition or an outside reference refuses the file.

    `root`: the name its first element must have; then all names are read in capitals, as OFX has them. Without it names are
    read as they stand, less the prefix of their namespace.
    """
    parser = DefusedExpatParser(forbid_dtd=True, forbid_entities=True, forbid_external=True)
    builder = _Builder(parser, in_capitals=bool(root))
    parser.setContentHandler(builder)
    source = InputSource()
    source.setByteStream(BytesIO(content))
    try:
        parser.parse(source)
    except DefusedXmlException as error:
        reason = "The file defines entities or a document type, which no bank’s file needs."
        raise BankFileError(parser.getLineNumber(), reason, NOT_FROM_A_BANK) from error
    except SAXParseException as error:
        raise BankFileError(error.getLineNumber(), _reason(error, builder)) from error
    except (SAXException, LookupError, ValueError) as error:  # also a spelling that the parser does not know
        raise BankFileError(None, "The file is not readable XML.") from error
    return _whole(builder.root, root, builder.stack, "", parser.getLineNumber() or 1)


def _reason(error: SAXParseException, builder: _Builder) -> str:
    said = str(error.getMessage())
    if "no element found" in said or "unclosed" in said:
        opened = f"<{builder.stack[-1].name}> of line {builder.stack[-1].line}" if builder.stack else "its first element"
        return f"The file ends before {opened} is closed: a part of it is missing."
    if "mismatched tag" in said and builder.stack:
        return f"<{builder.stack[-1].name}> of line {builder.stack[-1].line} is not closed before another element ends."
    if "invalid token" in said:
        return "Here stands a character that XML does not allow."
    return f"The file is not well-formed XML ({said})."
