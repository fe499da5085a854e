"""What a person says was unplugged or replaced, matched to the components that codes name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from obdlog.codes.data import components
from obdlog.model import Work

_NUMBERED = re.compile(
    r"\b(cylinder|injector|coil|plug|bank|sensor) ?(\d{1,2}(?:(?: and)? \d{1,2})*)\b"
)
_SAME_AS_CYLINDER = {"injector": "cylinder", "coil": "cylinder", "plug": "cylinder"}
_SHORT_BANK = re.compile(r"\bb([12]) ?s([1-3])\b")
_SENSOR_AT = re.compile(r"\b(?:oxygen|o2|lambda|ho2s|air fuel|nox) ")
_BEFORE = re.compile(r"\b(?:upstream|front|pre|before)\b")
_BEHIND = re.compile(r"\b(?:downstream|rear|post|behind|after)\b")
_SPELLINGS = {
    "tire": "tyre", "hood": "bonnet", "windshield": "windscreen", "gearbox": "transmission",
    "ground": "earth", "temp": "temperature", "diff": "differential",
}  # fmt: skip
_ONE_NAME = tuple(
    (re.compile(rf"\b(?:{several})\b"), one)
    for several, one in (
        ("exhaust gas recirculation", "egr"),
        ("(?:diesel |gasoline |petrol )?particulate filter|soot filter|gpf", "dpf"),
        ("diesel exhaust fluid|def|urea", "reductant"),
        ("(?:hybrid|high voltage|hv|ev|drive|traction) battery", "traction battery"),
        ("mass air ?flow|air flow|air mass", "airflow"),
    )
)
"""Things that people and the tables call by several names, in the words of `_normal`."""
_SAY_NOTHING = frozenset({"the", "a", "an", "of", "its", "my", "and", "on", "in", "at", "for"})
_SIDES = (
    ("side", frozenset({"left", "right"})),
    ("end", frozenset({"front", "rear"})),
    ("seat", frozenset({"driver", "passenger"})),
)
"""Words of which a thing has one of a kind; who left out the other end said which one it was."""
_LEAST_WORDS = 2
MAX_TEXT = 500


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One thing that was worked on; `done` is ``unplugged`` or ``replaced``.

    `components` are ids that the words match, none where they match nothing. `places` are
    numbers and sides said with it, by kind: ``("cylinder", "3")``, ``("side", "left")``.
    """

    text: str
    done: str
    components: frozenset[str]
    places: tuple[tuple[str, str], ...]

    def fits(self, component: str, place: str) -> bool:
        """Return whether this work touched `component` at `place` (a code's bank or cylinder)."""
        if component not in self.components:
            return False
        kinds = {kind for kind, _ in self.places}
        there = _numbers(_normal(place))
        return all(found in self.places for found in there if found[0] in kinds)


def match_work(work: Work) -> tuple[WorkItem, ...]:
    """Return the items of work with the components that each one's words name."""
    return tuple(
        item
        for texts, done in ((work.unplugged, "unplugged"), (work.replaced, "replaced"))
        for item in (_match(text, done) for text in texts)
    )


def match_components(text: str) -> frozenset[str]:
    """Return the ids of the components whose names occur in `text`, the longest names winning.

    Where some words are left over, those are meant of which one name holds all words, if there are
    any: ``fan of the traction battery``.
    """
    words = _normal(text).split()
    hits: list[tuple[int, int, str]] = []
    for alias, ids in _aliases().items():
        for start in range(len(words) - len(alias) + 1):
            if tuple(words[start : start + len(alias)]) == alias:
                hits += [(start, start + len(alias), component) for component in ids]
    wanted = frozenset(words) - _SAY_NOTHING
    named = any(wanted <= frozenset(words[start:end]) for start, end, _ in hits)
    if not named and (holding := _holding(wanted)):
        return holding
    return frozenset(
        component
        for start, end, component in hits
        if not any(s <= start and end <= e and e - s > end - start for s, e, _ in hits)
    )


def _holding(words: frozenset[str]) -> frozenset[str]:
    """Return the components of which one name holds all of `words`, at least two of them."""
    if len(words) < _LEAST_WORDS:
        return frozenset()
    return frozenset(
        component for alias, ids in _aliases().items() if words <= set(alias) for component in ids
    )


def components_named(text: str) -> tuple[str, ...]:
    """Return the ids of the components that `text` as a whole names, in table order.

    Else those of which one name holds all its words: ``airbag lamp`` for an airbag warning lamp.
    """
    words = tuple(_normal(text[:MAX_TEXT]).split())
    holding = _holding(frozenset(words) - _SAY_NOTHING)
    return _aliases().get(words) or tuple(i for i in components() if i in holding)


def _match(text: str, done: str) -> WorkItem:
    short = text[:MAX_TEXT]
    return WorkItem(short, done, match_components(short), _numbers(_normal(short)))


@cache
def _aliases() -> dict[tuple[str, ...], tuple[str, ...]]:
    found: dict[tuple[str, ...], tuple[str, ...]] = {}
    for component in components().values():
        label = re.sub(r"\(.*?\)", "", component.label)
        for name in (*component.aliases, label, component.id.replace("-", " ")):
            key = tuple(_normal(name).split())
            if component.id not in found.get(key, ()):
                found[key] = (*found.get(key, ()), component.id)
    return found


def _normal(text: str) -> str:
    """Return lower-case words, singular, without punctuation."""
    words = re.sub(r"[^a-z0-9/]+", " ", text.lower()).split()
    singular = (
        w[:-1] if len(w) > 3 and w.endswith("s") and w[-2] not in "su" else w for w in words
    )
    text = " ".join(_SPELLINGS.get(word, word) for word in singular)
    for several, one in _ONE_NAME:
        text = several.sub(one, text)
    return text


def _numbers(text: str) -> tuple[tuple[str, str], ...]:
    spread = _SHORT_BANK.sub(r"bank \1 sensor \2", text)
    if _SENSOR_AT.search(spread):
        spread += " sensor 1" * bool(_BEFORE.search(spread))
        spread += " sensor 2" * bool(_BEHIND.search(spread))
    return tuple(
        (_SAME_AS_CYLINDER.get(kind, kind), number.lstrip("0"))
        for kind, numbers in _NUMBERED.findall(spread)
        for number in numbers.replace("and", "").split()
    ) + _sides(text)


def _sides(text: str) -> tuple[tuple[str, str], ...]:
    """Return the sides that `text` names, of each kind one: "left and right" names neither."""
    words = frozenset(text.split())
    named = ((kind, words & both) for kind, both in _SIDES)
    return tuple((kind, next(iter(found))) for kind, found in named if len(found) == 1)


def said(items: Sequence[WorkItem]) -> str:
    """Return the items as words for a reason: ``airflow meter (unplugged)``."""
    return ", ".join(f"{item.text} ({item.done})" for item in items)
