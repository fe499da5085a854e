"""TOML files that people write, and what may be wrong with one."""

from __future__ import annotations

import pytest

from obdlog.errors import InputFileError
from obdlog.toml_file import LARGEST_BYTES, load_toml


@pytest.mark.parametrize(
    "raw",
    [
        b'name = "one"\nmore = 2\n',
        b'name = "one"\r\nmore = 2\r\n',
        b'\xef\xbb\xbfname = "one"\nmore = 2\n',
    ],
    ids=["plain", "line ends of Windows", "byte order mark"],
)
def test_what_editors_write_is_read(tmp_path, raw):
    path = tmp_path / "facts.toml"
    path.write_bytes(raw)
    assert load_toml(path, "case file") == {"name": "one", "more": 2}


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"[work\n", "not valid TOML"),
        (b"x = " + b"[" * 100_000, "not valid TOML"),
        (b"x = " + b"9" * 5_000, "not valid TOML"),
        (b"x = \x1b[31m", "not valid TOML"),
        (b"\xff\xfe", "not UTF-8"),
        (b"#" * (LARGEST_BYTES + 1), "larger than any case file"),
    ],
    ids=["not closed", "nested", "digits", "control character", "not UTF-8", "large"],
)
def test_what_is_wrong_is_one_sentence(tmp_path, raw, said):
    path = tmp_path / "facts.toml"
    path.write_bytes(raw)
    with pytest.raises(InputFileError, match=said) as caught:
        load_toml(path, "case file")
    assert caught.value.path == path
    assert str(caught.value).isprintable()


def test_only_a_file_that_may_be_missing_may_be_missing(tmp_path):
    assert load_toml(tmp_path / "none.toml", "case file", may_be_missing=True) == {}
    with pytest.raises(InputFileError, match="cannot be read"):
        load_toml(tmp_path / "none.toml", "case file")
    with pytest.raises(InputFileError, match="cannot be read"):
        load_toml(tmp_path, "case file", may_be_missing=True)
