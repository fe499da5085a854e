from __future__ import annotations

import json

import numpy as np
import pytest

from analysis.findings import Evidence, Expected, Finding, Severity, Verdict, findings_json


def test_json_has_the_contracts_keys_and_plain_values():
    finding = Finding(
        check="x",
        title="X",
        verdict=Verdict.OUTSIDE,
        severity=Severity.WATCH,
        signal="RPM",
        measured={"value": np.float64(1234.56789), "unit": "min-1", "odd": float("nan")},
        expected=Expected(600.0, None, "min-1", "nobody"),
        evidence=Evidence(12.3456789, 40, 1.0, None, ((1.0, 13.3456789),)),
        suggests=("a", "b"),
        because="so",
    )
    document = json.loads(json.dumps(findings_json([finding])))
    assert document["format"] == "obdlog.check/1"
    (item,) = document["findings"]
    assert {
        "check", "title", "verdict", "severity", "signal", "measured", "expected", "evidence",
        "suggests", "because",
    } <= item.keys()  # fmt: skip
    assert item["verdict"] == "outside"
    assert item["severity"] == "watch"
    assert item["measured"] == {"value": 1234.57, "unit": "min-1", "odd": None}
    assert item["expected"] == {"low": 600.0, "high": None, "unit": "min-1", "source": "nobody"}
    assert item["evidence"] == {
        "seconds": 12.3457, "samples": 40, "first_s": 1.0, "worst_s": None,
        "windows": [[1.0, 13.3457]],
    }  # fmt: skip
    assert item["suggests"] == ["a", "b"]


@pytest.mark.parametrize(
    ("expected", "text"),
    [
        (Expected(), ""),
        (Expected(600.0, 900.0, "min-1"), "600 to 900 rpm"),
        (Expected(None, 0.0, "count"), "none"),
        (Expected(None, 2.0, "count"), "2 or less"),
        (Expected(0.1, None, "g/s"), "0.1 g/s or more"),
        (Expected(None, 0.0, "V"), "0 V or less"),
    ],
)
def test_an_expected_range_in_words(expected, text):
    assert expected.text() == text
