"""The tables are read strictly: every fault names the file, the line and what is wrong."""

from __future__ import annotations

import pytest

from obdlog.errors import TableError
from obdlog.tables import lookups, signal_rows, signals, uasid
from obdlog.tables.loader import package_text

GOOD = {
    "pid": "0C",
    "name": "RPM",
    "label": "Engine speed",
    "lengths": "2",
    "at": "A",
    "width": "16",
    "codec": "number",
    "scale": "1/4",
    "offset": "",
    "unit": "min-1",
    "low": "0",
    "high": "16383.75",
    "absent": "",
    "support": "",
    "when": "",
    "needs": "",
    "sensor": "",
    "override": "",
    "lookup": "",
    "source": "SAE-J1979",
    "checked": "from memory",
    "note": "",
}


def table(*rows: dict[str, str], header: str = "") -> str:
    lines = [header or ",".join(signal_rows.COLUMNS)]
    lines += [",".join(row[column] for column in signal_rows.COLUMNS) for row in rows]
    return "\n".join(lines) + "\n"


def test_a_good_row_is_read() -> None:
    (signal,) = signal_rows.parse_signals(table(GOOD))
    assert (signal.pid, signal.name, signal.span, signal.step) == (0x0C, "RPM", 2, 0.25)
    assert (signal.low, signal.high) == (0.0, 16383.75)


BAD_CELLS = [
    ("pid", "C", "two hexadecimal digits"),
    ("pid", "1FF", "two hexadecimal digits"),
    ("pid", "zz", "not a number"),
    ("name", "rpm", "acronym"),
    ("name", "", "acronym"),
    ("label", "", "label is empty"),
    ("source", "", "source is empty"),
    ("checked", "", "checked is empty"),
    ("lengths", "", "lengths"),
    ("lengths", "2|2", "lengths"),
    ("lengths", "2|1", "lengths"),
    ("lengths", "0", "lengths"),
    ("lengths", "65", "lengths"),
    ("lengths", "two", "lengths"),
    ("lengths", "1", "beyond 1 data bytes"),
    ("at", "B", "beyond 2 data bytes"),
    ("at", "1", "byte letter"),
    ("at", "A.8", "byte letter"),
    ("width", "0", "1 to 32"),
    ("codec", "raw", "has no scale"),
    ("width", "33", "1 to 32"),
    ("width", "wide", "not a number"),
    ("width", " 8", "not a number"),
    ("width", "-8", "not a number"),
    ("width", "1_6", "not a number"),
    ("codec", "float", "unknown codec"),
    ("codec", "enum", "do not go together"),
    ("codec", "flag", "has no scale"),
    ("scale", "", "needs scale"),
    ("scale", "0", "scale is zero"),
    ("scale", "1/0", "not a fraction"),
    ("scale", "x", "not a fraction"),
    ("scale", "1e9", "not a fraction"),
    ("scale", " 1", "not a fraction"),
    ("scale", "1_0", "not a fraction"),
    ("offset", "x", "not a fraction"),
    ("unit", "furlong", "unknown unit"),
    ("low", "-1", "beyond the field"),
    ("low", "", "needs scale, low and high"),
    ("high", "16384", "beyond the field"),
    ("high", "0", "beyond the field"),
    ("high", "", "needs scale, low and high"),
    ("absent", "xy", "not hexadecimal"),
    ("absent", "10000", "does not fit"),
    ("support", "A", "does not name a bit"),
    ("support", "C.0", "beyond the data"),
    ("when", "A.0", "=0 or =1"),
    ("when", "A.0=2", "=0 or =1"),
    ("when", "C.0=1", "beyond the data"),
    ("needs", "1D", "not like"),
    ("sensor", "9", "not 1 to 8"),
    ("sensor", "12", "not 1 to 8"),
    ("override", "4F", "not like"),
    ("override", "4F.A 1/0 0", "no fractions"),
    ("override", "4F.E 1/255 0", "not like"),
    ("override", "4F.A 1/99999999999999999 0", "too fine"),
    ("override", "4F.A 999999999999/7 0", "too fine"),
    ("lookup", "fuel-type", "do not go together"),
]


@pytest.mark.parametrize(("column", "text", "told"), BAD_CELLS)
def test_a_bad_cell_is_refused_with_its_line(column: str, text: str, told: str) -> None:
    other = GOOD | {"pid": "0D", "name": "OTHER"}
    with pytest.raises(TableError, match=told) as caught:
        signal_rows.parse_signals(table(other, GOOD | {column: text}), "mine.csv")
    assert (caught.value.file, caught.value.line) == ("mine.csv", 3)
    assert str(caught.value).startswith("mine.csv:3: ")


def test_an_unknown_list_is_refused() -> None:
    row = GOOD | {"codec": "enum", "scale": "", "unit": "", "low": "", "high": ""}
    with pytest.raises(TableError, match="unknown lookup"):
        signal_rows.parse_signals(table(row | {"lookup": "colours"}))


RAW = GOOD | {"codec": "raw", "scale": "", "unit": "", "low": "", "high": "", "lengths": "9"}


@pytest.mark.parametrize("width", ["8", "32", "72"])
def test_undescribed_bytes_may_be_wider_than_a_number(width: str) -> None:
    (signal,) = signal_rows.parse_signals(table(RAW | {"width": width}))
    assert signal.span == int(width) // 8


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"width": "12"}, "not whole bytes"),
        ({"width": "0"}, "not whole bytes"),
        ({"width": "4", "at": "A.4"}, "not whole bytes"),
        ({"width": "8", "at": "A.4"}, "not whole bytes"),
        ({"width": "80"}, "beyond 9 data bytes"),
        ({"width": "8", "lookup": "fuel-type"}, "do not go together"),
        ({"width": "8", "override": "4F.A 1/255 0"}, "plain number"),
    ],
)
def test_undescribed_bytes_are_whole_and_within_the_data(cells: dict[str, str], told: str) -> None:
    with pytest.raises(TableError, match=told):
        signal_rows.parse_signals(table(RAW | cells))


class TestReadingOnePidOnly:
    """Of the shipped table only the rows that are asked for are read."""

    def test_names_the_line_of_the_whole_file(self) -> None:
        with pytest.raises(TableError) as caught:
            signal_rows.parse_signals(table(GOOD, GOOD | {"unit": "furlong"}), skipped=40)
        assert caught.value.line == 43

    @pytest.mark.parametrize(
        ("rows", "told"),
        [
            ([GOOD, GOOD | {"pid": "0B", "name": "MAP"}], "do not rise"),
            ([GOOD, GOOD | {"pid": "0D"}], "stands twice"),
            ([GOOD, GOOD | {"pid": "zz", "name": "ZZ"}], "no PID"),
        ],
    )
    def test_needs_a_table_in_order(self, rows: list[dict[str, str]], told: str) -> None:
        with pytest.raises(TableError, match=told) as caught:
            signals._index(table(*rows))
        assert caught.value.line == 3


def test_a_field_that_starts_inside_a_byte_must_end_in_it() -> None:
    with pytest.raises(TableError, match="must end in it"):
        signal_rows.parse_signals(table(GOOD | {"lengths": "4", "at": "A.4"}))


@pytest.mark.parametrize("scale", ["1/99999999999999999", "999999999999/7"])
def test_a_scale_beyond_the_precision_of_doubles_is_refused(scale: str) -> None:
    row = GOOD | {"scale": scale, "low": "0", "high": "1/9999999999999"}
    with pytest.raises(TableError, match="too fine"):
        signal_rows.parse_signals(table(row))


def test_a_signed_number_takes_no_override() -> None:
    row = GOOD | {"codec": "signed", "low": "0", "high": "8191.75", "override": "4F.A 1/255 0"}
    with pytest.raises(TableError, match="plain number"):
        signal_rows.parse_signals(table(row))


@pytest.mark.parametrize(
    ("header", "told"),
    [
        (",".join((*signal_rows.COLUMNS, "colour")), "unknown column 'colour'"),
        (",".join(signal_rows.COLUMNS[1:]), "missing column 'pid'"),
        (",".join((*signal_rows.COLUMNS, "pid")), "stands twice"),
        ("", "missing column"),
        ("\ufeff" + ",".join(signal_rows.COLUMNS), "unknown column"),
    ],
)
def test_another_header_is_refused(header: str, told: str) -> None:
    with pytest.raises(TableError, match=told) as caught:
        signal_rows.parse_signals(header + "\n")
    assert caught.value.line == 1


@pytest.mark.parametrize("line", ["0C,RPM", ",".join("x" * 40), '"0C'])
def test_a_row_of_another_shape_is_refused(line: str) -> None:
    with pytest.raises(TableError):
        signal_rows.parse_signals(table() + line + "\n")


class TestTheSameNameTwice:
    def test_is_refused_in_another_pid(self) -> None:
        with pytest.raises(TableError, match="stands twice"):
            signal_rows.parse_signals(table(GOOD, GOOD | {"pid": "0D"}))

    def test_is_refused_where_both_rows_can_apply(self) -> None:
        with pytest.raises(TableError, match="stands twice"):
            signal_rows.parse_signals(table(GOOD, GOOD | {"when": "A.0=1"}))

    def test_is_allowed_under_opposite_conditions(self) -> None:
        rows = [GOOD | {"when": "A.0=0"}, GOOD | {"when": "A.0=1", "scale": "1/2"}]
        assert len(signal_rows.parse_signals(table(*rows))) == 2

    def test_is_allowed_in_different_lengths(self) -> None:
        rows = [GOOD, GOOD | {"lengths": "4", "at": "C"}]
        assert len(signal_rows.parse_signals(table(*rows))) == 2


LOOKUP_HEAD = "lookup,raw,text,source,checked\n"


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("fuel,01,gasoline,S,C\nfuel,01,diesel,S,C\n", "twice"),
        ("fuel,01,gasoline,S,C\nfuel,02,gasoline,S,C\n", "twice"),
        ("fuel,1x,gasoline,S,C\n", "not a number"),
        ("fuel,01,,S,C\n", "needed"),
        (",01,gasoline,S,C\n", "needed"),
        ("fuel,01,gasoline,,C\n", "source"),
        ("fuel,01,gasoline,S,\n", "source"),
    ],
)
def test_a_bad_list_is_refused(lines: str, told: str) -> None:
    with pytest.raises(TableError, match=told):
        lookups.parse_lookups(LOOKUP_HEAD + lines)


def test_asking_for_an_unknown_list_or_signal_is_a_table_error() -> None:
    with pytest.raises(TableError, match="colours"):
        lookups.lookup("colours")
    with pytest.raises(TableError, match="NO_SUCH"):
        signals.by_name("NO_SUCH")
    assert lookups.lookup("fuel-type")[4] == "diesel"


UASID_HEAD = "id,signed,scale,offset,unit,source,checked\n"


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("", "empty"),
        ("00,no,1,0,,S,C\n", "01 to FF"),
        ("100,no,1,0,,S,C\n", "01 to FF"),
        ("01,no,1,0,,S,C\n01,no,1,0,,S,C\n", "twice"),
        ("01,maybe,1,0,,S,C\n", "neither yes nor no"),
        ("01,yes,1,0,,S,C\n", "signed"),
        ("81,no,1,0,,S,C\n", "signed"),
        ("01,no,0,0,,S,C\n", "above zero"),
        ("01,no,-1,0,,S,C\n", "above zero"),
        ("01,no,1,0,furlong,S,C\n", "unknown unit"),
        ("01,no,1,0,,,C\n", "source"),
    ],
)
def test_a_bad_scaling_is_refused(lines: str, told: str) -> None:
    with pytest.raises(TableError, match=told):
        uasid.parse_scalings(UASID_HEAD + lines)


@pytest.mark.parametrize("file", [signal_rows.FILE, lookups.FILE, uasid.FILE])
def test_shipped_tables_are_plain_utf_8_with_unix_line_ends(file: str) -> None:
    text = package_text(file)
    assert "\r" not in text
    assert text.endswith("\n")
    assert text == text.strip() + "\n"
