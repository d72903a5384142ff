"""Lives of agreements as text: how a file of them is read, and how its tables are written. No database, no arithmetic.

A life is a title underlined with `=`, what is given, what happens on which days, and three tables of what must come of it:

    begins 2026-01-31
    A: rent 30.00, protection 5.00, price 900.00
    tax: rent 8.25 %, goods 8.25 %
    plan: discount 25 %

    2026-01-31  02-28  bill; pay 37.48
    2026-03-15  payment 2 comes back

    period  begins      until       days   rent  protection   tax  total
    1       2026-01-31  2026-02-28    28  30.00        5.00  2.48  37.48

    charge  due         amount  tax  total
    goods   2026-02-01   24.50  ...

    day         balance  on-account  credit  step-up  payoff
    2026-03-31    37.48        0.00   30.00    30.00  ...

`until` is the first day that no longer belongs to the period. A line that begins with # is a bookkeeper's remark.
"""

import datetime
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
TABLES = {
    "period": ("period", "begins", "until", "days", "rent", "protection", "tax", "total"),
    "charge": ("charge", "due", "amount", "tax", "total"),
    "day": ("day", "balance", "on-account", "credit", "step-up", "payoff"),
}
AMOUNT = r"(?P<amount>\d+\.\d\d)"
DAY = r"\d{4}-\d\d-\d\d"
WHOSE = r"(?: of (?P<whose>[A-Z]))?"
MISSING = r"(?:, missing (?P<amount>\d+\.\d\d) (?P<words>.+))?"
ACTS = {
    "sign": r"sign (?P<letter>[A-Z])(?: for household (?P<household>\d))?",
    "bill": r"bill",
    "bill_period": rf"bill period (?P<number>\d+){WHOSE}(?: until (?P<until>{DAY}))?",
    "pay": rf"pay {AMOUNT}(?: by (?P<method>check|cash|transfer))?(?: from household (?P<household>\d))?",
    "bounce": r"payment (?P<number>\d+) comes back",
    "sell": rf"sell {AMOUNT} (?P<words>.+)",
    "fee": rf"fee {AMOUNT} (?P<words>.+)",
    "void_period": rf"void period (?P<number>\d+){WHOSE}",
    "void_charge": r"void charge (?P<number>\d+)",
    "due_day": rf"due day (?P<number>\d+){WHOSE}",
    "protect": rf"protection{WHOSE}",
    "unprotect": rf"no protection{WHOSE}",
    "hold": rf"hold{WHOSE}",
    "recall": rf"recall{WHOSE}",
    "lift": rf"lift{WHOSE}(?P<forgiven>, forgiven)?",
    "transfer": rf"transfer{WHOSE} to household (?P<household>\d)",
    "void": rf"void agreement{WHOSE}",
    "take_back": rf"return{WHOSE}(?: on (?P<back_on>{DAY}))?{MISSING}",
    "quote": rf"quote{WHOSE} until (?P<until>{DAY})",
    "buy": rf"buy{WHOSE}(?P<quoted> as quoted)?",
    "step_up": rf"step up{WHOSE} to (?P<letter>[A-Z]){MISSING}",
    "lose": rf"(?P<kind>lost|stolen|destroyed){WHOSE}(?P<report> with police report)?(?P<uncovered> not covered)?"
    rf"(?: on (?P<happened_on>{DAY}))?",
    "exchange": rf"exchange{WHOSE} for (?P<letter>[A-Z]){MISSING}",
    "size_up": rf"size up{WHOSE} to (?P<letter>[A-Z]){MISSING}",
    "reinstate": rf"reinstate{WHOSE}",
    "exempt": rf"exempt until (?P<until>{DAY})",
    "close": r"close (?P<month>\d{4}-\d\d)",
}


@dataclass(frozen=True)
class Act:
    """One thing that happens on a day: its verb and what was said with it. A refused one is tried and changes nothing."""

    on: datetime.date
    verb: str
    said: dict[str, str]
    is_refused: bool


@dataclass
class Life:
    """A life as it stands in a file: `given` by the word before the colon, `tables` as rows of cells by the first column."""

    title: str
    file: str
    line: int
    begins_on: datetime.date = datetime.date.min
    given: dict[str, dict[str, str]] = field(default_factory=dict)
    acts: list[Act] = field(default_factory=list)
    tables: dict[str, list[list[str]]] = field(default_factory=lambda: {name: [] for name in TABLES})

    @property
    def days(self) -> list[tuple[datetime.date, str]]:
        """The days at which the account is looked at, and whose credit and payoff is meant."""
        found = []
        for row in self.tables["day"]:
            day, _, whose = row[0].partition("/")
            found.append((datetime.date.fromisoformat(day), whose or "A"))
        return found


class NotReadableError(ValueError):
    """A line of a file of lives says nothing that is known here."""

    def __init__(self, file: str, line: int, text: str) -> None:
        super().__init__(f"{file}, line {line}: {text!r} is none of the things a life is told in")


def read_file(path: Path) -> list[Life]:
    """Read the lives of a file."""
    lines = path.read_text().splitlines()
    lives: list[Life] = []
    columns: tuple[str, ...] | None = None
    for n, text in enumerate(lines):
        words = text.split()
        if n + 1 < len(lines) and re.fullmatch(r"={3,}", lines[n + 1]):
            lives.append(Life(text.strip(), path.name, n + 1))
            columns = None
        elif not words:
            columns = None
        elif text.startswith("#") or re.fullmatch(r"={3,}", text) or not lives:
            continue
        elif words[0] in TABLES and tuple(words) == TABLES[words[0]]:
            columns = TABLES[words[0]]
        elif columns:
            lives[-1].tables[columns[0]].append(words)
        else:
            _read_line(lives[-1], text.strip(), n + 1)
    return lives


def _read_line(life: Life, text: str, line: int) -> None:
    if found := re.fullmatch(rf"begins ({DAY})", text):
        life.begins_on = datetime.date.fromisoformat(found[1])
    elif found := re.fullmatch(r"([A-Z]|tax|plan): (.+)", text):
        life.given.setdefault(found[1], {}).update(_pairs(found[2]))
    elif text.startswith("look "):
        life.tables["day"] += [[word] for word in _full_days(text.removeprefix("look "))]
    elif re.match(DAY, text):
        life.acts += _acts(life.file, text, line)
    else:
        raise NotReadableError(life.file, line, text)


def _pairs(text: str) -> dict[str, str]:
    """`rent 30.00, credit 60 %` as pairs. A tax from a day on keeps the day in its word: `rent from 2026-07-01 9 %`."""
    pairs = {}
    for part in text.split(","):
        word, value = re.fullmatch(r"(.+?) ([\d.]+(?: %)?|days|school-year)", part.strip()).groups()
        pairs[word] = value
    return pairs


def _full_days(text: str) -> list[str]:
    """`2026-01-31 02-28` as two days: a day without its year lies in that of the day before it."""
    days: list[str] = []
    for word in text.split():
        days.append(word if re.match(DAY, word) else f"{days[-1][:4]}-{word}")
    return days


def _acts(file: str, text: str, line: int) -> Iterator[Act]:
    days, acts = re.fullmatch(rf"({DAY}(?:\s+(?:\d{{4}}-)?\d\d-\d\d)*)\s+(.+)", text).groups()
    told = [_read_act(file, each.strip(), line) for each in acts.split(";")]
    for day in _full_days(days):
        for verb, said, is_refused in told:
            yield Act(datetime.date.fromisoformat(day), verb, said, is_refused)


def _read_act(file: str, text: str, line: int) -> tuple[str, dict[str, str], bool]:
    act = text.removesuffix(", refused")
    for verb, pattern in ACTS.items():
        if found := re.fullmatch(pattern, act):
            return verb, {word: said for word, said in found.groupdict().items() if said is not None}, act != text
    raise NotReadableError(file, line, text)


def replay(life: Life, player: object) -> dict[str, list[list[str]]]:
    """Let a player live through a life: `player.<verb>(on, **said)`, `player.figures(on, whose)`; return its tables.

    A player's `is_refused(does, on, **said)` tries what must be refused; its `periods()` and `charges()` are asked last.
    On a day that is looked at, everything of that day has happened.
    """
    waiting, looks = list(life.acts), []
    for day, whose in life.days:
        while waiting and waiting[0].on <= day:
            _let_happen(waiting.pop(0), player)
        looks.append([str(day) + ("" if whose == "A" else f"/{whose}"), *player.figures(day, whose)])
    for act in waiting:
        _let_happen(act, player)
    return {"period": player.periods(), "charge": player.charges(), "day": looks}


def _let_happen(act: Act, player: object) -> None:
    does = getattr(player, act.verb)
    if act.is_refused:
        player.is_refused(does, act.on, **act.said)
    else:
        does(act.on, **act.said)


def written(tables: dict[str, list[list[str]]]) -> str:
    """Write tables as they stand in a file: figures to the right."""
    blocks = []
    for name, rows in tables.items():
        if rows:
            cells = [list(TABLES[name]), *rows]
            left = {"period", "begins", "until", "charge", "due", "day"}
            widths = [max(len(row[i]) for row in cells) for i in range(len(TABLES[name]))]
            lines = []
            for row in cells:
                parts = [
                    cell.ljust(width) if column in left else cell.rjust(width)
                    for cell, width, column in zip(row, widths, TABLES[name], strict=True)
                ]
                lines.append("  ".join(parts).rstrip())
            blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def all_lives() -> list[Life]:
    """Read every file of lives, in order of their names."""
    return [life for path in sorted(HERE.glob("*.txt")) for life in read_file(path)]
