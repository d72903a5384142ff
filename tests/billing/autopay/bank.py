"""Files as the bank would send them: returns and corrections of debits of a run, put together by plain joining."""

from billing.autopay import filing, rules

FILLER = "9" * 94


def returns(run, *told, corrections=()):
    """A file with returns `(trace, code)` and corrections `(trace, code, data)` of debits of a run, by the receiving bank."""
    sent = {line[79:94]: line for line in b"".join(filing.read_parts(run.file)).decode().splitlines() if line.startswith("6")}
    head = "101 056005075 0560050752603120915A094101EXAMPLE RENTAL OFFICE  EXAMPLE BANK ONE               "
    lines, number = [head], 0
    total = {"count": 0, "hash": 0, "debit": 0}
    for entry_class, rows in (("PPD", [(*each, "") for each in told]), ("COR", list(corrections))):
        if not rows:
            continue
        number += 1
        batch = _batch(entry_class, rows, sent, number)
        lines += batch["lines"]
        for key in total:
            total[key] += batch[key]
    blocks = -(-(len(lines) + 1) // 10)
    lines.append(f"9{number:06}{blocks:06}{total['count']:08}{total['hash'] % 10**10:010}{total['debit']:012}{0:012}{'':39}")
    return "\n".join(lines + [FILLER] * (blocks * 10 - len(lines))).encode()


def _batch(entry_class, rows, sent, number):
    odfi = "07640125"
    lines = [f"5225{'EXAMPLE RENTAL':<16}{'':20}1990000001{entry_class}RENTAL    {'':6}260312   1{odfi}{number:07}"]
    debit = hashed = 0
    for place, (trace, code, data) in enumerate(rows, start=1):
        line = sent.get(trace, f"627076401251{'1':<17}{100:010}{'X':<15}{'X':<22}  0{trace}")
        cents = int(line[29:39]) if entry_class == "PPD" else 0
        debit += cents
        hashed += 5600507
        own = f"{odfi}{place:07}"
        kind = line[1] + "6"
        lines.append(f"6{kind}05600507{rules.check_digit('05600507')}{line[12:29]}{cents:010}{line[39:54]}{line[54:76]}  1{own}")
        if entry_class == "PPD":
            lines.append(f"799{code}{trace}{'':6}{line[3:11]}{'':44}{own}")
        else:
            lines.append(f"798{code}{trace}{'':6}{line[3:11]}{data:<29}{'':15}{own}")
    count = 2 * len(rows)
    lines.append(f"8225{count:06}{hashed % 10**10:010}{debit:012}{0:012}1990000001{'':25}{odfi}{number:07}")
    return {"lines": lines, "count": count, "hash": hashed, "debit": debit}
