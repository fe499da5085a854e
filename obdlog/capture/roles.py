"""Which identifiers of a capture carry requests and which carry answers.

The legislated ones are known. Any other, 11 bit in 700–7FF or 29 bit of another tester, counts
only when two of them prove each other: one sends requests only, the other little else than
answers to them, and these answers repeat what was asked.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from enum import StrEnum

from obdlog.capture.frames import Sender, Store, is_legislated
from obdlog.capture.infer import echo_of, is_answer, is_pending, is_request
from obdlog.capture.messages import Assembler
from obdlog.model import FUNCTIONAL

ANSWER_WITHIN_S = 5.0
_USUAL_OFFSET = 8
_MOST_MISFITS = 0.1
_MISFITS_OF_FEW = 2
_SHARE_OF_FEW = 0.25
"""What of an identifier may not fit: a share of its messages, or the few that a short capture
cuts off at its ends or loses on the way."""

_LEAST_ECHO_USUAL = 2
_LEAST_ECHO_ODD = 4
_PHYSICAL_29 = 0x18DA


class Part(StrEnum):
    """What an identifier is for."""

    REQUEST = "request"
    ANSWER = "answer"


@dataclass(frozen=True, slots=True)
class Role:
    """What one identifier is for.

    `partner` is the address of the other direction, ``functional`` for a request to all, empty
    where none is known.
    """

    part: Part
    partner: str


@dataclass
class _Habit:
    """What a candidate sent."""

    requests: int = 0
    answers: int = 0
    others: int = 0
    to_functional: int = 0

    @property
    def total(self) -> int:
        return self.requests + self.answers + self.others


@dataclass
class _Asked:
    """The last request of one sender; who gave it a final answer."""

    at_s: float
    payload: bytes
    answered_by: set[Sender] = field(default_factory=set)


@dataclass
class _Pair:
    """How well a candidate's answers fit another's requests."""

    answers: int = 0
    echoes: dict[bytes, int] = field(default_factory=dict)

    @property
    def echo(self) -> int:
        """Bytes repeated, each different request counted once: periodic traffic gains nothing."""
        return sum(self.echoes.values())


def roles_of(store: Store) -> dict[Sender, Role]:
    """Return the senders of diagnostic messages and what each is for."""
    roles: dict[Sender, Role] = {}
    candidates: set[Sender] = set()
    for sender in store.senders:
        role = legislated_role(sender) if is_legislated(sender) else None
        if role is not None:
            roles[sender] = role
        else:
            candidates.add(sender)
    if candidates:
        roles |= _proven(store, roles, candidates)
        roles |= _functional_of(candidates - roles.keys(), roles)
    return roles


def legislated_role(sender: Sender) -> Role | None:
    """Return the role that the standard gives `sender`.

    References
    ----------
    ISO 15765-4: 7DF, 7E0–7E7 / 7E8–7EF, 18DBxxF1, 18DAxxF1 / 18DAF1xx.
    """
    identifier = sender.identifier
    if not sender.extended:
        if identifier == 0x7DF:
            return Role(Part.REQUEST, FUNCTIONAL)
        if 0x7E0 <= identifier <= 0x7E7:
            return Role(Part.REQUEST, f"{identifier + 8:03X}")
        return Role(Part.ANSWER, f"{identifier - 8:03X}")
    target, source = identifier >> 8 & 0xFF, identifier & 0xFF
    if target == source:
        return None
    if identifier >> 16 != _PHYSICAL_29:
        return Role(Part.REQUEST, FUNCTIONAL)
    return Role(Part.REQUEST if source == 0xF1 else Part.ANSWER, _swapped(sender).address)


def _swapped(sender: Sender) -> Sender:
    """Return the 29-bit identifier of the other direction: target and source change places."""
    target, source = sender.identifier >> 8 & 0xFF, sender.identifier & 0xFF
    return sender._replace(
        identifier=sender.identifier & 0xFFFF_0000 | source << 8 | target,
    )


def _proven(store: Store, roles: dict[Sender, Role], candidates: set[Sender]) -> dict[Sender, Role]:
    habits: dict[Sender, _Habit] = defaultdict(_Habit)
    pairs: dict[tuple[Sender, Sender], _Pair] = defaultdict(_Pair)
    asked: dict[tuple[str, int], dict[Sender, _Asked]] = defaultdict(dict)
    assembler = Assembler()
    for frame in store.frames():
        sender = frame.sender
        role = roles.get(sender)
        if sender not in candidates and (role is None or role.partner != FUNCTIONAL):
            continue
        message, fault = assembler.add(frame)
        habit = habits[sender]
        habit.others += fault is not None
        if message is None:
            continue
        payload = message.payload
        if is_request(payload):
            habit.requests += 1
            asked[sender.channel, payload[0]][sender] = _Asked(message.began_s, payload)
        elif is_pending(payload):
            continue  # proves nothing that the answer itself does not prove
        elif is_answer(payload):
            habit.answers += 1
            service = payload[1] if payload[0] == 0x7F else payload[0] - 0x40
            _match(payload, message.at_s, sender, asked[sender.channel, service], pairs, habit)
        else:
            habit.others += 1
    return _best(habits, pairs, candidates)


def _match(
    answer: bytes,
    at_s: float,
    sender: Sender,
    asked: dict[Sender, _Asked],
    pairs: dict[tuple[Sender, Sender], _Pair],
    habit: _Habit,
) -> None:
    """Count `answer` for every sender whose last request it fits."""
    functional = False
    for other, question in list(asked.items()):
        if at_s - question.at_s > ANSWER_WITHIN_S:
            del asked[other]
            continue
        echo = echo_of(question.payload, answer)
        if not echo or other == sender or sender in question.answered_by:
            continue
        question.answered_by.add(sender)
        if (other.extended and other.identifier >> 16 != _PHYSICAL_29) or is_legislated(other):
            functional = True
            continue
        pair = pairs[other, sender]
        pair.answers += 1
        if len(pair.echoes) < 100:
            pair.echoes[question.payload] = max(echo, pair.echoes.get(question.payload, 0))
    habit.to_functional += functional


def _best(
    habits: dict[Sender, _Habit],
    pairs: dict[tuple[Sender, Sender], _Pair],
    candidates: set[Sender],
) -> dict[Sender, Role]:
    roles: dict[Sender, Role] = {}

    def rank(entry: tuple[tuple[Sender, Sender], _Pair]) -> tuple[bool, int, int]:
        (request, answer), pair = entry
        return (_is_usual(request, answer), pair.answers, pair.echo)

    for (request, answer), pair in sorted(pairs.items(), key=rank, reverse=True):
        asking, answering = habits[request], habits[answer]
        if request not in candidates or request in roles or answer in roles:
            continue
        if request.extended and answer != _swapped(request):
            continue
        usual = _is_usual(request, answer)
        own = answering.total - answering.to_functional
        if (
            _nearly_all(asking.requests, asking.total, usual=usual)
            and _nearly_all(answering.answers, answering.total, usual=usual)
            and _nearly_all(pair.answers, own, usual=usual)
            and pair.echo >= (_LEAST_ECHO_USUAL if usual else _LEAST_ECHO_ODD)
        ):
            roles[request] = Role(Part.REQUEST, answer.address)
            roles[answer] = Role(Part.ANSWER, request.address)
    return roles


def _nearly_all(fitting: int, total: int, *, usual: bool) -> bool:
    """Return whether so few of `total` messages do not fit that a lost frame explains them."""
    few = min(int(total * _SHARE_OF_FEW), _MISFITS_OF_FEW)
    return total - fitting <= max(total * _MOST_MISFITS, few, usual)


def _is_usual(request: Sender, answer: Sender) -> bool:
    """Return whether the two are related as diagnostic identifiers usually are."""
    if request.extended:
        return answer == _swapped(request)
    return answer == request._replace(identifier=request.identifier + _USUAL_OFFSET)


def _functional_of(candidates: set[Sender], roles: dict[Sender, Role]) -> dict[Sender, Role]:
    """Return the functional identifiers of testers that proved themselves in physical pairs."""
    testers = {
        (s.channel, s.identifier & 0xFF)
        for s, role in roles.items()
        if s.extended and role.part is Part.REQUEST
    }
    return {
        s: Role(Part.REQUEST, FUNCTIONAL)
        for s in candidates
        if s.extended
        and s.identifier >> 16 != _PHYSICAL_29
        and (s.channel, s.identifier & 0xFF) in testers
    }


def unproven(store: Store, roles: dict[Sender, Role]) -> Counter[str]:
    """Return the frames of identifiers that may be diagnostic and did not prove to be."""
    return Counter(f.sender.address for f in store.frames() if f.sender not in roles)
