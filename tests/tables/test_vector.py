"""The vectorised decoder says exactly what the scalar one says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdlog.errors import DecodeError
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.decode import decode_pid
from obdlog.tables.signals import by_pid, lengths
from obdlog.tables.vector import decode_columns

CONTEXTS = [
    EMPTY,
    Context(pid_4f=b"\x04\x05\x80\x33", pid_50=b"\x50\x00\x00\x00"),
    Context(pid_1d=b"\x0f"),
    Context(pid_1d=b"\xff", pid_4f=bytes(4)),
    Context(pid_13=b"\x33"),
]


@pytest.mark.parametrize("context", CONTEXTS)
@pytest.mark.parametrize("pid", [pid for pid in range(0x100) if lengths(pid)])
@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_it_equals_the_scalar_decoder_on_random_bytes(
    pid: int, context: Context, data: st.DataObject
) -> None:
    length = data.draw(st.sampled_from(lengths(pid)))
    replies = data.draw(st.lists(st.binary(min_size=length, max_size=length), max_size=5))
    rows = np.frombuffer(b"".join(replies), dtype=np.uint8).reshape(len(replies), length)
    columns = decode_columns(pid, rows, context)
    assert set(columns) == {s.name for s in by_pid(pid) if length in s.lengths}
    for at, reply in enumerate(replies):
        readings = {r.signal: r.value for r in decode_pid(pid, reply, context)}
        for name, column in columns.items():
            value = readings.get(name)
            if value is None:
                assert np.isnan(column[at])
            elif not isinstance(value, str):
                assert column[at] == value


@pytest.mark.parametrize("pid", [0x0B, 0x10, 0x24, 0x34, 0x44, 0x32, 0x02])
def test_columns_are_float64_one_value_a_reply(pid: int) -> None:
    rows = np.zeros((7, lengths(pid)[0]), dtype=np.uint8)
    for column in decode_columns(pid, rows).values():
        assert column.dtype == np.float64
        assert column.shape == (7,)


def test_enumerations_and_codes_give_their_raw_number() -> None:
    rows = np.array([[2, 0], [4, 0x22]], dtype=np.uint8)
    columns = decode_columns(0x03, rows)
    assert columns["FUELSYS1"].tolist() == [2, 4]
    assert columns["FUELSYS2"].tolist() == [0, 0x22]
    assert decode_columns(0x02, np.array([[1, 2]], dtype=np.uint8))["DTCFRZF"].tolist() == [0x0102]


def test_each_reply_follows_its_own_conditions() -> None:
    rows = np.array([[0, 0x00, 0x01, 0x01], [0, 0x08, 0x01, 0x00]], dtype=np.uint8)
    columns = decode_columns(0x01, rows)
    np.testing.assert_array_equal(columns["CAT_RDY"], [0, np.nan])
    np.testing.assert_array_equal(columns["NMHC_RDY"], [np.nan, 1])
    np.testing.assert_array_equal(columns["EGR_SUP"], [0, 0])


@pytest.mark.parametrize("length", [0, 1, 3])
def test_a_wrong_length_is_refused(length: int) -> None:
    with pytest.raises(DecodeError):
        decode_columns(0x0C, np.zeros((2, length), dtype=np.uint8))


@pytest.mark.parametrize(
    "rows", [np.zeros(2, dtype=np.uint8), np.zeros((2, 2)), np.zeros((1, 2), dtype=np.int64)]
)
def test_anything_but_a_matrix_of_bytes_is_misuse(rows: np.ndarray) -> None:
    with pytest.raises(ValueError, match="uint8"):
        decode_columns(0x0C, rows)
