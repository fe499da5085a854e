"""The document of the dialect names everything that the tables hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.adapter.protocols import FUNCTIONAL_HEADERS, PROTOCOLS
from obdlog.adapter.routes import FLOW_DATA, LOSSES, legislated_forms, search_forms
from obdlog.adapter.setup import AFTER_CONNECT, SETUP
from obdlog.adapter.status import STATUS_FACTS

TEXT = (Path(__file__).parents[2] / "docs" / "adapter-dialect.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("status", STATUS_FACTS)
def test_statuses(status) -> None:
    facts = STATUS_FACTS[status]
    assert f"| `{status}` | {facts.meaning} | `{facts.recovery}` |" in TEXT


@pytest.mark.parametrize("step", [*SETUP, *AFTER_CONNECT], ids=lambda s: s.command)
def test_setup_steps(step) -> None:
    assert f"| `{step.command}` | {'yes' if step.needed else 'no'} |" in TEXT
    assert step.meaning_of_failure in TEXT


@pytest.mark.parametrize("protocol", PROTOCOLS.values(), ids=lambda p: p.number)
def test_protocols(protocol) -> None:
    header = FUNCTIONAL_HEADERS[protocol.number]
    assert f"| {protocol.number} | {protocol.name} | `{header}` |" in TEXT


@pytest.mark.parametrize(("ability", "loss"), LOSSES.items())
def test_abilities_of_reach(ability, loss) -> None:
    assert f"| {ability} | {loss} |" in TEXT


def test_commands_of_reach() -> None:
    forms = [*search_forms(), *legislated_forms(PROTOCOLS["6"])[:3]]
    forms.append(legislated_forms(PROTOCOLS["7"])[2])
    for command in (*(c for form in forms for c in form), f"ATFCSD{FLOW_DATA}"):
        assert f"`{command}`" in TEXT, command
