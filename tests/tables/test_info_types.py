"""Tables of service 09 and 05 are read strictly, and every row can be used."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from obdlog.errors import TableError
from obdlog.tables import info_types, oxygen_scales
from obdlog.tables.lookups import lookup

TYPES = ",".join(info_types.TYPE_COLUMNS)
COUNTERS = ",".join(info_types.COUNTER_COLUMNS)
NAMES = ",".join(info_types.NAME_COLUMNS)
SCALES = ",".join(oxygen_scales.COLUMNS)


@pytest.mark.parametrize(
    ("parse", "header", "row"),
    [
        (info_types.parse_info_types, TYPES, "20,x,text,1,k,,,,s,c"),
        (info_types.parse_info_types, TYPES, "0Z,x,text,1,k,,,,s,c"),
        (info_types.parse_info_types, TYPES, "0D,x,words,1,k,,,,s,c"),
        (info_types.parse_info_types, TYPES, "0D,x,text,0,k,,,,s,c"),
        (info_types.parse_info_types, TYPES, "0D,x,text,99,k,,,,s,c"),
        (info_types.parse_info_types, TYPES, "0D,x,text,1,k,furlong,,,s,c"),
        (info_types.parse_info_types, TYPES, "0D,x,text,1,k,,,,,c"),
        (info_types.parse_info_types, TYPES, "0D,x,text,1,,,,,s,c"),
        (info_types.parse_info_types, TYPES, "0D,x,text,1,k,,,,s,c\n0D,y,text,1,k,,,,s,c"),
        (info_types.parse_counters, COUNTERS, "spark,01,A,,cycles,s,c"),
        (info_types.parse_counters, COUNTERS, "spark,00,A,,sheep,s,c"),
        (info_types.parse_counters, COUNTERS, "spark,00,A,,cycles,s,"),
        (info_types.parse_counters, COUNTERS, "spark,00,A,,cycles,s,c\nspark,01,A,,cycles,s,c"),
        (info_types.parse_module_names, NAMES, "ECM,ECM,EngineControl,,s,c"),
        (info_types.parse_module_names, NAMES, "A,A,n,m,s,c\nB,A,n,m,s,c"),
        (oxygen_scales.parse_oxygen_scales, SCALES, "00,no,V,1,s,c"),
        (oxygen_scales.parse_oxygen_scales, SCALES, "01,so,V,1,s,c"),
        (oxygen_scales.parse_oxygen_scales, SCALES, "01,no,V,0,s,c"),
        (oxygen_scales.parse_oxygen_scales, SCALES, "01,no,furlong,1,s,c"),
        (oxygen_scales.parse_oxygen_scales, SCALES, "01,no,V,1,s,"),
        (oxygen_scales.parse_oxygen_scales, SCALES, "01,no,V,1,s,c\n01,no,V,1,s,c"),
    ],
)
def test_a_bad_row_is_refused(parse: Callable[[str], object], header: str, row: str) -> None:
    with pytest.raises(TableError):
        parse(f"{header}\n{row}\n")


def test_every_list_that_a_row_names_exists() -> None:
    for kind in info_types.info_types().values():
        if kind.layout == info_types.COUNTERS:
            assert info_types.counters(kind.list)
        elif kind.layout == info_types.CHOICE:
            assert lookup(kind.list)
        else:
            assert not kind.list
    with pytest.raises(TableError):
        info_types.counters("steam")


@pytest.mark.parametrize("kind", ["spark", "compression"])
def test_each_monitor_has_completions_and_then_conditions(kind: str) -> None:
    conditions, cycles, *monitors = info_types.counters(kind)
    assert (conditions.monitor, cycles.monitor) == ("", "")
    assert (conditions.counts, cycles.counts) == (info_types.CONDITIONS, info_types.CYCLES)
    for completed, met in zip(monitors[::2], monitors[1::2], strict=True):
        assert (completed.counts, met.counts) == (info_types.COMPLETED, info_types.CONDITIONS)
        assert completed.monitor == met.monitor
        assert completed.name.replace("COMP", "COND") == met.name


@pytest.mark.parametrize(
    ("name", "meaning"),
    [
        ("ECM-EngineControl", "engine control"), ("ECM1-EngineControl1", "engine control"),
        ("EAM2-ExhaustAftCtrl2", "exhaust aftertreatment"), ("GPCM", "glow plugs"),
        ("XYZ-Sample", None), ("", None),
    ],
)  # fmt: skip
def test_a_module_s_own_name_has_a_meaning(name: str, meaning: str | None) -> None:
    # Acronyms: test source of SAE J1699-3.
    assert info_types.module_meaning(name) == meaning
