"""TOML files of people: whatever a key holds that it should not, one clear error with file and line."""

from __future__ import annotations

from dataclasses import fields
from typing import get_type_hints

import pytest

from camlog.convert.mapping import SCHEMA, _MappingFile, read_mapping
from camlog.errors import InputError
from camlog.toml_file import _tables

WRONG = (
    "1",
    "-3.5",
    "true",
    "[]",
    "[[1]]",
    "{}",
    "{a = 1}",
    '["x", 2]',
    "1979-05-27",
    "99999999999999999999999",
    "nan",
)
HOLDERS = {"table": "[table]", "time": "[time]", "angles": "[angles]", "column": "[[column]]"}


def keys():
    for name, head in HOLDERS.items():
        schema = _tables(get_type_hints(_MappingFile)[name])[0]
        for key in fields(schema):
            yield head, key.name


@pytest.mark.parametrize(("head", "key"), list(keys()))
def test_a_key_with_any_wrong_value_is_refused_with_its_line(tmp_path, head, key):
    refused = 0
    for wrong in WRONG:
        path = tmp_path / "m.toml"
        path.write_text(f'schema = "{SCHEMA}"\n{head}\n{key} = {wrong}\n')
        try:
            read_mapping(path)
        except InputError as error:
            refused += 1
            assert error.line in (2, 3) and error.file == str(path) and error.remedy
    assert refused >= len(WRONG) - 4


@pytest.mark.parametrize("name", [*HOLDERS, "schema"])
@pytest.mark.parametrize("wrong", WRONG)
def test_a_table_that_is_none_is_refused(tmp_path, name, wrong):
    path = tmp_path / "m.toml"
    lines = [] if name == "schema" else [f'schema = "{SCHEMA}"']
    path.write_text("\n".join([*lines, f"{name} = {wrong}"]))
    if (name, wrong) in [("column", "[]"), *((t, "{}") for t in ("table", "time", "angles"))]:
        assert read_mapping(path).column == ()
    else:
        with pytest.raises(InputError) as refused:
            read_mapping(path)
        assert refused.value.line and refused.value.remedy
