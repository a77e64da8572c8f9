"""Words of customers, dispatchers and technicians, from `phrases.tsv`: one wording a line.

`{place}`, `{air}` (°F), `{setting}` (°F), `{pounds}` and `{who}` are filled in when a ticket is written.
"""

from collections import defaultdict
from pathlib import Path

Bank = dict[str, tuple[str, ...]]


def _read() -> dict[str, Bank]:
    banks: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    lines = Path(__file__).with_name("phrases.tsv").read_text(encoding="utf-8").splitlines()[1:]
    for line in lines:
        bank, key, wording = line.split("\t")
        banks[bank][key].append(wording)
    return {bank: {key: tuple(wordings) for key, wordings in keys.items()} for bank, keys in banks.items()}


_BANKS = _read()
COMPLAINTS = _BANKS["complaint"]
FINDINGS = _BANKS["finding"]
ACTIONS = _BANKS["action"]
ABBREVIATIONS = _BANKS["abbreviation"]
CLOSINGS = _BANKS["closing"][""]
NOTHING = _BANKS["nothing"][""]
NEGATIONS = _BANKS["negation"][""]
FILLERS = _BANKS["filler"][""]
WHO = _BANKS["who"][""]
OTHER_CAUSES = tuple((found, did) for found, dids in _BANKS["other cause"].items() for did in dids)
