"""One vocabulary of facts: what measuring says, files ask for, people enter and pages print are words of one table."""

from __future__ import annotations

import ast
import itertools
import json
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

import bench
from bench.claims import PILOTS, Claims, claims_set
from bench.combine import OF_OTHER_LOADS, StepRuns, combine_runs
from bench.errors import TableError
from bench.files import grade_rule, limit_sets
from bench.grade import parse_rule, speech
from bench.grade.rule import FactIs, Only
from bench.limits import AllOf, AnyOf, FactLimit, Limit, Requirement, parse_limit_set
from bench.measure import FACTS, QUANTITIES, FactName, Measured, PilotState
from bench.outcome import charges, reasoning
from bench.procedure import Procedure, RunStep
from bench.record import StepRecord
from bench.render import facts as pages
from bench.setup import ENTERED

DATA = Path(bench.__file__).parent / "data"
LIMITS = (DATA / "limits" / "shop-example.toml").read_text(encoding="utf-8")
OUTAGE = (DATA / "limits" / "outage-qct501.toml").read_text(encoding="utf-8")
RULE = (DATA / "grades" / "default.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "old", "new", "says"),
    [
        (LIMITS, '["in step", "antiphase", "absent"]', '["in-step", "absent"]',
         "fact[1].allowed: got 'in-step'; it must be among in step, antiphase, steady, dead, absent"),
        (LIMITS, '["in step", "antiphase", "absent"]', '["unknown"]', "fact[1].allowed: got 'unknown'; it must be among in step"),
        (LIMITS, 'fact = "pilot"', 'fact = "pilots"', "fact[1].fact: got 'pilots'; it must be one of behaviour; rest; pilot;"),
        (OUTAGE, '["steady on", "dark"]', '["steady"]', "fact[1].allowed: got 'steady'; it must be among flashing, steady on"),
        (RULE, '["recovered", "going"]', '["recovering"]', "allowed: got 'recovering'; it must be among none, recovered, going"),
        (RULE, 'fact = "insulation"', 'fact = "isolation"', "fact: got 'isolation'; it must be one of behaviour; rest; pilot;"),
        (RULE, 'mechanism = ["electronic"] ', 'mechanism = ["electronical"] ',
         "only.mechanism: got 'electronical'; it must be among thermal, closed at rest; hot wire; two-coil; electronic"),
        (RULE, 'system = ["24 V"]', 'system = ["24V"]', "only.system: got '24V'; it must be among 6 V, 12 V, 24 V"),
    ],
)  # fmt: skip
def test_a_misspelt_fact_or_word_is_refused_in_one_line(text: str, old: str, new: str, says: str) -> None:
    """It used to condemn every unit, since nothing that is measured is ever such a word."""
    wrong = text.replace(old, new, 1)
    assert wrong != text
    read = parse_rule if text is RULE else parse_limit_set
    with pytest.raises(TableError) as error:
        read(tomllib.loads(wrong), "file mine.toml")
    message = str(error.value)
    assert message.startswith("file mine.toml: ") and says in message and "\n" not in message


def plain(requirements: Iterable[Requirement]) -> Iterator[Limit | FactLimit]:
    for one in requirements:
        match one:
            case AnyOf(alternatives=parts):
                yield from plain(parts)
            case AllOf(limits=parts):
                yield from plain(parts)
            case _:
                yield one


def asked() -> Iterator[tuple[str, Iterable[str]]]:
    """Every fact that shipped files and claims ask for, with its words."""
    choices = itertools.product((*PILOTS, None), ("in step", "dead", None), (True, False, None), ("fixed", "variable", None), (True, None))
    averaging = limit_sets()[0].averaging
    claimed = [claims_set(Claims("x", pilot=p, pilot_lamp_out=o, outage=s, load=k, trailer=t), averaging) for p, o, s, k, t in choices]  # type: ignore[arg-type]
    for limit_set in (*limit_sets(), *(one for one in claimed if one is not None)):
        yield from ((one.fact, one.allowed) for one in plain(limit_set.requirements) if isinstance(one, FactLimit))
    for step in grade_rule().steps:
        for condition in step.conditions:
            if isinstance(condition, Only):
                yield from condition.facts
                condition = condition.condition
            if isinstance(condition, FactIs):
                yield condition.fact, condition.allowed


def test_files_claims_and_people_ask_for_nothing_else() -> None:
    found = [*asked(), *ENTERED.items()]
    assert {fact for fact, _ in found} >= {*OF_OTHER_LOADS, "pilot", "rating", "insulation", "film", "system", "mechanism"}
    for fact, some in found:
        assert set(some) <= set(FACTS[fact]), fact


def literals(node: ast.AST | None) -> Iterator[str]:
    """The texts that stand in an expression, whether it is one or a group of them."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.Tuple | ast.Set | ast.List):
        for item in node.elts:
            yield from literals(item)


def bare_words(tree: ast.AST) -> Iterator[str]:
    """Words of the vocabulary that stand as bare text where a fault, a proof or a fact is made, looked up or compared."""
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id="BenchFault" | "BenchProof" | "FactLimit"), args=[first, *_]):
                yield from literals(first)
            case ast.Call(func=ast.Attribute(value=ast.Attribute(attr="facts"), attr="get"), args=[*looked_up]):
                yield from (text for one in looked_up for text in literals(one))
            case ast.Subscript(value=ast.Name(id="FACTS") | ast.Attribute(attr="facts"), slice=key):
                yield from literals(key)
            case ast.Compare(left=left, comparators=rights):
                sides = [left, *rights]
                if any(isinstance(side, ast.Attribute) and side.attr in ("code", "item", "behaviour") for side in sides):
                    yield from (text for side in sides for text in literals(side))
                if any("facts.get(" in ast.unparse(side) for side in sides):
                    yield from (text for side in sides for text in literals(side))


def test_the_code_speaks_of_facts_faults_and_proofs_by_the_members_of_the_vocabulary() -> None:
    """A misspelt word in a comparison would never be true, and nothing would say so."""
    found = {f"{path.name}: {word}" for path in DATA.parent.rglob("*.py") for word in bare_words(ast.parse(path.read_text()))}
    assert not found
    planted = 'BenchFault("lamp"); x.facts.get("pilot") == "deed"; fault.code in ("zero", A); FACTS["rest"]; BenchProof(A.LAMPS, "lamps")'
    assert set(bare_words(ast.parse(planted))) == {"lamp", "pilot", "deed", "zero", "rest"}


def test_a_word_is_a_text_wherever_it_is_shown() -> None:
    pilot = PilotState.IN_STEP
    assert (f"{pilot}", repr(pilot), f"{[pilot]}", json.dumps({FactName.PILOT: pilot})) == (
        "in step", "'in step'", "['in step']", '{"pilot": "in step"}',
    )  # fmt: skip


def test_combining_says_nothing_else() -> None:
    steps = RunStep("rated", "", judge=("rate_per_min",)), *(RunStep(r, "", loads=r, judge=(q,)) for r, q in OF_LOADS)
    found: dict[str, set[str]] = {}
    for doing, pilot in itertools.product((*FACTS["behaviour"], "unknown"), ("in step", "antiphase", "steady", "dead", "unknown")):
        measured = Measured({}, {"behaviour": doing, "pilot": pilot, "rest": "closed", "mechanism": "unknown", "film": "none"})
        runs = [StepRuns(step, (StepRecord(step.name, "", (1,), "", 0.0, 9.0, measured, 8, 0),)) for step in steps]
        for fact, word in combine_runs(Procedure("p", "", "", steps), runs, 12.0).facts.items():
            found.setdefault(fact, set()).add(word)
    assert set(found) == {"behaviour", "rest", "pilot", "mechanism", "film", *OF_OTHER_LOADS}
    for fact, some in found.items():
        assert some - {"unknown"} <= set(FACTS[fact]), fact
    for fact in ("outage", "trailer", "pilot, lamp out"):
        assert found[fact] - {"unknown"} == set(FACTS[fact]), fact


OF_LOADS = (("one-out", "outage_rate_per_min"), ("trailer", "trailer_rate_per_min"))


def test_outcome_and_pages_know_no_other_facts() -> None:
    assert set(FACTS) >= charges._FACTS_OF_LOAD
    assert {name for name in reasoning._OF_OTHER_LAMPS if name not in QUANTITIES} <= set(FACTS)
    assert set(OF_OTHER_LOADS) <= set(FACTS)
    for fact, word in speech._FACTS:
        assert word in (*FACTS[fact], "unknown"), fact
    for fact, texts in pages._FACTS.items():
        assert set(texts) - {"unknown"} == set(FACTS[fact]), fact
    assert set(pages._BEHAVIOUR) < set(FACTS["behaviour"])
