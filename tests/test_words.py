"""Symptoms and statements by their words. The notes are shop writing: common practice of the trade, no source."""

import re
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowambient import reference
from lowambient.calls.lexicon import OWN_WORDS, STATEMENTS, SYMPTOMS, WordsRefused, lexicon
from lowambient.calls.words import read_words
from lowambient.profile.own_words import own_words
from lowambient.profile.problems import Problems

NOTES = "\n".join(
    line
    for line in (Path(__file__).parent / "hand_notes.txt").read_text(encoding="utf-8").splitlines()
    if not line.startswith("#")
)
"""Notes by hand, a call a line; those that begin with ! are known to be misread."""

READ = "\n".join(line for line in NOTES.splitlines() if not line.startswith("!"))
NOTES = NOTES.replace("\n!", "\n")

CLASSES = {
    "LP": "low-pressure trip",
    "HP": "high-pressure trip",
    "FAN": "fan",
    "BELT": "belt",
    "ELEC": "electrical",
    "CTRL": "control or thermostat",
    "DRAIN": "drain",
    "LEAK": "leak or low charge",
    "ICE": "icing",
    "NOISE": "noise",
    "COMP": "compressor",
    "AIR": "airflow",
    "PM": "planned",
    "NC": "no cooling",
    "OTHER": "other",
}
SHORT = {
    "found": "bypass found",
    "removed": "bypass removed",
    "denied": "bypass denied",
    "power": "power cycled",
    "reset": "switch reset",
    "added": "refrigerant added",
    "reconnected": "control reconnected",
    "fitted": "control fitted",
    "failed": "control failed",
}


OBJECTS = {"head": "head control", "lp": "low-pressure switch", "hp": "high-pressure switch"}


def table(lines):
    """(note, class, statements) of each line of a block like NOTES."""
    rows = []
    for line in lines.splitlines():
        note, symptom, stated = (part.strip() for part in line.rsplit("->", 2))
        words = {SHORT[word.partition(":")[0]] for word in stated.split()}
        rows.append((tuple(note.split("|")), CLASSES[symptom], words))
    return rows


def abouts(lines):
    """What each statement of a line is about, where the line says so."""
    return [
        {
            SHORT[word.partition(":")[0]]: OBJECTS[word.partition(":")[2]]
            for word in line.rsplit("->", 1)[1].split()
            if ":" in word
        }
        for line in lines.splitlines()
    ]


def frame(notes, **more):
    """Calls of (complaint, finding, action)."""
    complaint, finding, action = zip(*notes, strict=True)
    number = [f"{place:05d}" for place in range(len(notes))]
    return pl.DataFrame({"call_id": number, "complaint": complaint, "finding": finding, "action": action, **more})


def said(statements):
    """Statements of each call."""
    found = {}
    for row in statements.iter_rows(named=True):
        found.setdefault(row["call_id"], set()).add(row["statement"])
    return found


def read_one(note, **columns):
    """The symptom row of one finding, and its statements."""
    symptoms, statements = read_words(frame([(None, note, None)], **columns))
    return symptoms.row(0, named=True), set(statements["statement"])


def test_notes_by_hand():
    rows = table(READ)
    symptoms, statements = read_words(frame([note for note, _, _ in rows]))
    found = said(statements)
    assert len(rows) > 400
    wrong = [
        (note, symptom, row["symptom"], stated ^ found.get(row["call_id"], set()))
        for (note, symptom, stated), row in zip(rows, symptoms.iter_rows(named=True), strict=True)
        if symptom != row["symptom"] or stated != found.get(row["call_id"], set())
    ]
    assert wrong == []


def test_few_notes_by_hand_are_misread():
    assert len(READ.splitlines()) >= 0.98 * len(NOTES.splitlines()) > 1_100


def test_a_bypass_is_about_what_its_clause_names():
    labels = abouts(READ)
    _, statements = read_words(frame([note for note, _, _ in table(READ)]))
    given = {(int(row["call_id"]), row["statement"]): row["about"] for row in statements.iter_rows(named=True)}
    told = {(place, name): about for place, label in enumerate(labels) for name, about in label.items()}
    assert len(told) > 20
    assert {key: given[key] for key in told} == told


def test_words_shown_are_in_the_note():
    rows = table(NOTES)
    notes = {f"{place:05d}": "\n".join(note).lower() for place, (note, _, _) in enumerate(rows)}
    symptoms, statements = read_words(frame([note for note, _, _ in rows]))
    shown = [(row["call_id"], row["symptom_words"]) for row in symptoms.iter_rows(named=True) if row["symptom_words"]]
    shown += [(row["call_id"], row["words"]) for row in statements.iter_rows(named=True)]
    assert len(shown) > 600
    for call, words in shown:
        for part in words.split("; "):
            assert part
            assert part in notes[call]


def test_every_telling_symptom_shows_its_words():
    rows = table(NOTES)
    symptoms, _ = read_words(frame([note for note, _, _ in rows]))
    assert symptoms.filter(~pl.col("is_unclear"))["symptom_words"].null_count() == 0


# said | taken back or not yet done -> the statement that only the first makes
PAIRS = """
found jumper on fan control | no jumper found on fan control -> bypass found
LP switch was jumpered | LP switch was not jumpered -> bypass found
fan control bypassed | fan control is not bypassed -> bypass found
found a bypass | did not find a bypass -> bypass found
no jumper on fan control | refused to jumper fan control -> bypass denied
fan control is not bypassed | told staff never to bypass fan control -> bypass denied
previous tech jumpered the LP switch | advised customer not to jumper the LP switch -> bypass found
removed jumper | recommend removing jumper -> bypass removed
took bypass off | will take bypass off next visit -> bypass removed
jumper removed | jumper not removed -> bypass removed
cycled power | did not cycle power -> power cycled
cycled power at disconnect | customer had cycled power before we came -> power cycled
dropped power to clear lockout | told customer to cycle power if it happens again -> power cycled
opened disconnect, closed it again | maintenance cycled power this morning -> power cycled
power cycled | advised tenant to power cycle -> power cycled
reset LP switch | LP switch would not reset -> switch reset
reset lockout | did not reset lockout -> switch reset
reset high pressure control | if it trips again reset high pressure control -> switch reset
reset LPS | reset thermostat -> switch reset
pushed button back in | last visit we reset LP -> switch reset
reset by hand | unit restarted, did not have to reset -> switch reset
added 2 lbs R-22 | no refrigerant added -> refrigerant added
added gas | needs gas added -> refrigerant added
charged unit | will need to be charged -> refrigerant added
topped off charge | did not top off charge -> refrigerant added
added 3 lb 410a | recovered 3 lb 410a -> refrigerant added
added 3 lb | previous tech added 3 lb -> refrigerant added
charged unit | customer declined charging -> refrigerant added
reconnected fan cycling control | recommend reconnecting fan cycling control -> control reconnected
put head pressure control back in circuit | need to put head pressure control back in circuit -> control reconnected
installed low ambient kit | quote to install low ambient kit -> control fitted
fitted head pressure control | no head pressure control fitted -> control fitted
installed fan cycle switch | ordered fan cycle switch to install -> control fitted
equipped with low ambient kit | low ambient kit was installed in spring -> control fitted
replaced fan speed control | suggest replacing fan speed control -> control fitted
""".strip()


@pytest.mark.parametrize("pair", PAIRS.splitlines())
def test_statements_denied_or_not_yet_done(pair):
    notes, statement = pair.rsplit(" -> ", 1)
    done, undone = notes.split(" | ")
    assert statement in read_one(done)[1]
    assert statement not in read_one(undone)[1]


# told | denied or looked at -> the class that only the first belongs to
SYMPTOM_PAIRS = """
tripped on LP | did not trip on LP -> LP
low pressure lockout | no low pressure lockout -> LP
LP switch open | LP switch ok -> LP
off on low pressure | low gas pressure at burner -> LP
locked out on low | locked out on low voltage -> LP
LP fault | converted furnace to LP gas -> LP
head pressure too low | low oil pressure -> LP
tripped on high pressure | never tripped on high pressure -> HP
belt broken | belt not broken -> BELT
belt bad | belts ok -> BELT
leak found at flare | no leak found at flare -> LEAK
low on charge | not low on charge -> LEAK
filters dirty | filters ok -> AIR
compressor grounded | compressor not grounded -> COMP
drain plugged | drain ok, not plugged -> DRAIN
thermostat bad | thermostat good -> CTRL
contactor burnt | checked contactor, ok -> ELEC
""".strip()


@pytest.mark.parametrize("pair", SYMPTOM_PAIRS.splitlines())
def test_symptoms_denied(pair):
    notes, short = pair.rsplit(" -> ", 1)
    told, denied = notes.split(" | ")
    assert read_one(told)[0]["symptom"] == CLASSES[short]
    assert read_one(denied)[0]["symptom"] != CLASSES[short]


# What a technician writes besides: parts that are good, earlier visits, advice.
REMARKS = """
belts ok.
filters look good.
was here last month for a bad contactor.
last visit replaced the condenser fan motor.
drain clear.
compressor amps good.
no leaks.
recommend coil cleaning at next PM.
stat working properly.
contactor good, not pitted.
evap coil not frozen.
both condenser fans running.
told customer to keep doors closed.
blower wheel clean.
next PM in March.
""".strip()


def test_a_remark_seldom_changes_the_class():
    telling = [row for row in table(NOTES) if row[0][1] and row[1] not in ("no cooling", "other", "planned")]
    remarks = REMARKS.splitlines()
    notes = [((c, f"{f}. {remark}", a), symptom) for (c, f, a), symptom, _ in telling for remark in remarks]
    read = read_words(frame([note for note, _ in notes]))[0]["symptom"].to_list()
    changed = sum(symptom != given for (_, symptom), given in zip(notes, read, strict=True))
    assert changed < 0.03 * len(notes)


def test_a_finding_that_says_nothing_leaves_the_class_of_the_complaint():
    complaints = {"squealing": "noise", "water leak": "drain", "LP alarm": "low-pressure trip", "unit iced up": "icing"}
    notes = [(said, "no problem found", "left running") for said in complaints]
    assert read_words(frame(notes))[0]["symptom"].to_list() == list(complaints.values())


def test_finding_counts_more_than_action_and_action_more_than_complaint():
    notes = [
        ("no cooling", "lp switch open", "reset"),
        ("leaking water", "belt broken", "replaced belt"),
        ("no cooling", None, "replaced contactor"),
        ("tstat blank", "blown fuse", "replaced fuse"),
        ("no cooling", "tripped on LP", "replaced contactor"),
    ]
    expected = ["LP", "BELT", "ELEC", "ELEC", "LP"]
    assert read_words(frame(notes))[0]["symptom"].to_list() == [CLASSES[short] for short in expected]


def test_probability_of_a_low_pressure_trip():
    named = read_one("unit locked out on low pressure")[0]["low_pressure_probability"]
    hinted = read_one("head pressure control bypassed")[0]["low_pressure_probability"]
    silent = read_one("no cooling, reset, running on departure")[0]["low_pressure_probability"]
    other = read_one("belt broken, replaced belt")[0]["low_pressure_probability"]
    denied = read_one("no low pressure trip")[0]["low_pressure_probability"]
    assert named > 0.9 > hinted > silent > other
    assert named > 0.9 > silent > denied


def test_probabilities_are_probabilities():
    symptoms, statements = read_words(frame([note for note, _, _ in table(NOTES)]))
    for column in (symptoms["symptom_probability"], symptoms["low_pressure_probability"], statements["probability"]):
        assert column.is_between(0, 1).all()
    right = symptoms.filter(~pl.col("is_unclear"))["symptom_probability"].mean()
    unclear = symptoms.filter(pl.col("is_unclear"))["symptom_probability"].mean()
    assert right > 0.75
    assert unclear < 0.5


@pytest.mark.parametrize(
    "note", ["reset unit, running on departure", "checked ok", "done", "ok at this time", "unit running on arrival"]
)
def test_notes_that_say_almost_nothing(note):
    symptoms, _ = read_words(frame([("no cooling", note, None), (None, None, note)]))
    assert symptoms["is_unclear"].to_list() == [True, True]
    assert symptoms["symptom"].to_list() == ["no cooling", "other"]


def test_planned_work_is_planned():
    calls = frame([(None, "replaced belt", None), (None, "replaced belt", None)], work_type=["planned", "service"])
    assert read_words(calls)[0]["symptom"].to_list() == ["planned", "belt"]


# One letter swapped with its neighbour in a long word of the trade must not change the class.
LONG_WORDS = {
    "thermostat bad": "thermostat",
    "compressor grounded": "compressor",
    "contactor burnt": "contactor",
    "capacitor bad": "capacitor",
    "transformer burnt": "transformer",
    "refrigerant leak found": "refrigerant",
    "low pressure lockout": "pressure",
    "economizer stuck": "economizer",
    "squealing noise": "squealing",
    "quarterly maintenance": "maintenance",
    "bearings dry, vibration": "vibration",
    "condensate drain plugged": "condensate",
    "breaker tripped": "breaker",
    "evaporator iced": "evaporator",
}


@settings(deadline=None, max_examples=80)
@given(st.sampled_from(sorted(LONG_WORDS)), st.integers(0, 20))
def test_a_swapped_letter_does_not_change_the_class(note, place):
    word = LONG_WORDS[note]
    place %= len(word) - 1
    swapped = word[:place] + word[place + 1] + word[place] + word[place + 2 :]
    right, slipped = read_one(note)[0], read_one(note.replace(word, swapped))[0]
    assert right["symptom"] == slipped["symptom"] != "other"


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("low pressuer trip", "low-pressure trip"),
        ("thermastat bad", "control or thermostat"),
        ("compresor grounded", "compressor"),
        ("condensor coil plugged", "high-pressure trip"),
        ("capaciter blown", "electrical"),
        ("drian plugged", "drain"),
        ("beltt broken", "belt"),
        ("evaperator coil frozen", "icing"),
        ("cndnsr fnmtr szd, rplcd cndnsr fan mtr", "fan"),
        ("fanmotor seized", "fan"),
        ("draintrap plugged", "drain"),
    ],
)
def test_misspellings(written, meant):
    assert read_one(written)[0]["symptom"] == meant


def test_writing_does_not_matter():
    plain = "unit off on low pressure. removed jumper, reset switch"
    ways = [
        plain.upper(),
        plain.replace(" ", "   "),
        plain.replace(" ", "\t"),
        f"<p>{plain.replace('. ', '.<br>')}</p>",
        plain.replace("low pressure", "L.P."),
        plain.replace("low pressure", "ＬＰ"),
        plain.replace("low pressure", "l/p"),
        plain.replace(". ", "\r\n"),
        plain.replace("removed", "\x00removed\x07"),
    ]
    for way in ways:
        symptom, statements = read_one(way)
        assert symptom["symptom"] == "low-pressure trip", way
        assert statements == {"bypass removed", "switch reset"}, way


@pytest.mark.slow
def test_bad_text_breaks_nothing():
    notes = [
        None,
        "",
        "   ",
        "\x00\x01\x02",
        "???!!!;;;...",
        "Kühlt nicht, Niederdruckschalter hat ausgelöst",
        "le compresseur est en panne, manque de gaz",
        "エアコンが冷えない",
        "🥶🥶 no cooling 🥶",
        "<script>alert('lp')</script>",
        "a" * 100_000,
        "reset " * 20_000,
        "no " * 30_000,
        ("checked filter, ok. " * 5_000) + "unit locked out on LP",
        "1" * 5_000,
        "no\u0301 jumper",
        "{bad} ~ _ , + .",
        "'s n't ' ’ ''",
    ]
    symptoms, statements = read_words(frame([(note, note, note) for note in notes]))
    assert len(symptoms) == len(notes)
    assert symptoms["symptom"].is_in(list(SYMPTOMS)).all()
    assert statements["statement"].is_in(list(STATEMENTS)).all()
    assert symptoms["symptom"].to_list()[:5] == ["other"] * 5
    assert symptoms["is_unclear"].to_list()[:5] == [True] * 5
    assert symptoms["symptom"][13] == "low-pressure trip"


def test_no_calls():
    symptoms, statements = read_words(frame([("", "", "")]).clear())
    assert len(symptoms) == len(statements) == 0
    assert symptoms.columns == [
        "call_id",
        "symptom",
        "symptom_probability",
        "symptom_words",
        "low_pressure_probability",
        "is_unclear",
    ]
    assert statements.columns == ["call_id", "statement", "probability", "words", "about"]


def test_order_and_company_of_calls_do_not_matter():
    calls = frame([note for note, _, _ in table(NOTES)])
    symptoms, statements = read_words(calls)
    shuffled = read_words(calls.sample(fraction=1, shuffle=True, seed=1))
    assert shuffled[0].equals(symptoms)
    assert shuffled[1].equals(statements)
    alone = read_words(calls.slice(7, 1))
    assert alone[0].equals(symptoms.slice(7, 1))


@pytest.mark.slow
def test_several_processes_and_batches_read_alike(monkeypatch):
    calls = frame([note for note, _, _ in table(NOTES)])
    whole = read_words(calls)
    monkeypatch.setattr("lowambient.calls.words.BATCH_CALLS", 400)
    for processes in (1, 2):
        parts = read_words(calls, processes=processes)
        assert parts[0].equals(whole[0])
        assert parts[1].equals(whole[1])


@pytest.mark.parametrize(
    ("note", "statements"),
    [
        ("shut power off. waited. turned power on", {"power cycled"}),
        ("other company said LP was jumpered, it is not", {"bypass denied"}),
        ("customer wanted lps jumped, we reset it", {"switch reset"}),
        ("told manager to keep coil clean, removed jumper", {"bypass removed"}),
        ("was jumpered last winter by another company", {"bypass found"}),
        ("removed jumper last visit", set()),
        ("fan cycling control never shuts fan off", {"control failed"}),
        ("fan cycling control does not work and was bypassed", {"control failed", "bypass found"}),
        ("coil bridged with frost", set()),
        ("filters wrong size and bypassing", set()),
    ],
)
def test_who_said_did_or_will_do_it(note, statements):
    assert read_one(note)[1] == statements


def test_what_the_customer_did_is_no_deed_of_the_visit():
    calls = frame([("had to reset twice this week", "low pressure trip", "ok"), ("reset LP switch", None, None)])
    statements = read_words(calls)[1]
    assert statements.select("call_id", "statement").rows() == [("00001", "switch reset")]


def test_words_of_a_company():
    extra = pl.DataFrame(
        {
            "words": ["gizmo {bad}", "zlp", "waved wand"],
            "meant": ["fan", "low pressure", "switch reset"],
            "weight": [4.0, None, None],
        }
    )
    calls = frame([(None, "gizmo broken", None), (None, "off on zlp", None), (None, None, "waved wand")])
    symptoms, statements = read_words(calls, extra)
    assert symptoms["symptom"].to_list() == ["fan", "low-pressure trip", "other"]
    assert statements["statement"].to_list() == ["switch reset"]
    assert read_words(calls)[0]["symptom"].to_list() == ["other"] * 3


def test_words_that_a_profile_names_reach_the_reading(tmp_path):
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    table = re.search(r"```\n(words\tmeant\tweight\n.*?)```", readme, re.DOTALL)[1]
    (tmp_path / "our_words.tsv").write_text(table, encoding="utf-8")
    problems = Problems()
    words = own_words(tmp_path / "our_words.tsv", "fleet.words", problems)
    assert problems.lines == []
    extra = pl.DataFrame([(one.words, one.meant, one.weight) for one in words], OWN_WORDS, orient="row")
    calls = frame([(None, "off on zlp", None), (None, "chirper bad", None), (None, None, "did the dance")])
    symptoms, statements = read_words(calls, extra)
    assert symptoms["symptom"].to_list()[:2] == ["low-pressure trip", "fan"]
    assert statements.rows() == [("00002", "power cycled", 0.9, "did the dance", None)]


@pytest.mark.parametrize("words", ["the", "was it", "low pressure {nosuch}"])
def test_words_of_a_company_that_cannot_be_read(words):
    extra = pl.DataFrame([(words, "fan", None)], OWN_WORDS, orient="row")
    with pytest.raises(WordsRefused):
        read_words(frame([(None, "ok", None)]), extra)


def test_word_lists():
    assert len(SYMPTOMS) == 15
    assert set(SYMPTOMS) == set(CLASSES.values())
    assert set(STATEMENTS) == set(SHORT.values())
    for name, vocabulary in (("symptom", SYMPTOMS), ("statement", STATEMENTS)):
        assert set(reference.vocabulary(name)) == set(vocabulary)
    for row in reference.rows("symptom_terms"):
        assert row["kind"] in ("told", "named")
        assert 0 < float(row["weight"]) < 10
        assert row["source"]
    words = lexicon()
    assert all(0 < row.probability <= 1 for row in words.statement_rows)
    for row in reference.rows("related_symptoms"):
        assert {row["symptom"], row["related"]} <= set(SYMPTOMS)
        assert row["symptom"] != row["related"]
        assert row["source"]
    pairs = [frozenset((row["symptom"], row["related"])) for row in reference.rows("related_symptoms")]
    assert len(pairs) == len(set(pairs))
