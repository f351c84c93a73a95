"""The check of a frame against the tables: what is cast, what is added, what is named."""

from datetime import datetime

import polars as pl
import pytest

from deadband import _core, schema
from deadband._errors import OptionError, SchemaError
from deadband.schema import TABLES, Column, dtypes, validate

CHECKED = ["tests", "switches", "gauges", "events", "lags", "setpoints"]


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_described(table):
    for name, column in TABLES[table].items():
        assert isinstance(column, Column)
        assert isinstance(column.dtype, pl.DataType), name
        assert column.meaning
        assert column.required or column.nullable
        unit = {"_pa": "Pa", "_s": "s", "_pa_s": "Pa/s"}.get(name[name.find("_") :])
        assert unit is None or unit in column.meaning or "_rel" in name


@pytest.mark.parametrize("table", CHECKED)
def test_an_empty_frame_of_the_right_columns_passes_unchanged(table):
    empty = pl.LazyFrame(schema=dtypes(table))
    checked = getattr(schema, f"validate_{table}")(empty)
    assert checked.collect_schema() == dtypes(table)
    assert checked.collect().height == 0


@pytest.mark.parametrize("table", CHECKED)
def test_each_required_column_is_missed_and_each_optional_one_added(table):
    check = getattr(schema, f"validate_{table}")
    for name, column in TABLES[table].items():
        others = {key: dtype for key, dtype in dtypes(table).items() if key != name}
        frame = pl.DataFrame({key: [None] for key in others}, schema=others).lazy()
        if column.required:
            with pytest.raises(SchemaError) as caught:
                check(frame)
            assert caught.value.column == name
            assert caught.value.table == table
            assert caught.value.present == list(others)
            continue
        row = check(frame).collect().row(0, named=True)
        assert list(row) == list(TABLES[table])
        assert row[name] == column.default
        with pytest.raises(SchemaError, match=name):
            check(frame, need=[name])


@pytest.mark.parametrize("table", CHECKED)
def test_each_column_of_a_wrong_type_is_named(table):
    for name in TABLES[table]:
        wrong = {**dtypes(table), name: pl.Struct({"x": pl.Int8})}
        with pytest.raises(SchemaError) as caught:
            getattr(schema, f"validate_{table}")(pl.LazyFrame(schema=wrong))
        assert (caught.value.kind, caught.value.column) == ("wrong_type", name)


LAGS = {"gauge_id": ["g"], "lag_s": [0.4], "lag_u_s": [0.03]}


@pytest.mark.parametrize(
    ("name", "values", "expected"),
    [
        ("gauge_id", pl.Series([7], dtype=pl.UInt8), "7"),
        ("gauge_id", pl.Series(["g"], dtype=pl.Categorical), "g"),
        ("gauge_id", pl.Series(["g"], dtype=pl.Enum(["g", "h"])), "g"),
        ("gauge_id", pl.Series([None]), None),
        ("lag_s", pl.Series([1], dtype=pl.Int16), 1.0),
        ("lag_s", pl.Series([0.5], dtype=pl.Float32), 0.5),
        ("lag_s", pl.Series(["0.50"]).cast(pl.Decimal(10, 2)), 0.5),
        ("lag_s", pl.Series([float("nan")]), None),
        ("lag_s", pl.Series([None]), None),
        ("n_events", pl.Series([6], dtype=pl.UInt64), 6),
        ("n_events", pl.Series([2**40]), None),
        # As pandas keeps whole numbers beside a missing one, and text files empty columns.
        ("n_events", pl.Series([6.0]), 6),
        ("n_events", pl.Series([float("nan")]), None),
        ("n_events", pl.Series([None], dtype=pl.String), None),
        ("gauge_id", pl.Series([7.0]), "7"),
        ("gauge_id", pl.Series([float("nan")]), None),
        ("lag_s", pl.Series([None], dtype=pl.String), None),
    ],
)
def test_values_survive_their_cast(name, values, expected):
    row = validate(pl.LazyFrame({**LAGS, name: values}), "lags").collect().row(0, named=True)
    assert row[name] == expected


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("gauge_id", pl.Series([1.5])),
        ("gauge_id", pl.Series([b"g"])),
        ("lag_s", pl.Series(["0.4"])),
        ("lag_s", pl.Series([True])),
        ("lag_s", pl.Series(["-"])),
        ("n_events", pl.Series([6.5])),
        ("n_events", pl.Series(["6"])),
        ("n_events", pl.Series([1e300])),
        ("n_events", pl.Series([float("inf")])),
    ],
)
def test_casts_that_would_guess_are_refused(name, values):
    with pytest.raises(SchemaError, match=f"column {name}: its type is"):
        validate(pl.LazyFrame({**LAGS, name: values}), "lags")


NOTHING = {name: [None, None] for name in dtypes("setpoints")}
MOMENT = datetime(2024, 3, 15, 13, 3, 7, 250_000)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2024-03-15T13:03:07.250000", MOMENT),
        ("2024-03-15 13:03:07.25", MOMENT),
        ("2024-03-15T13:03:07.250Z", MOMENT),
        ("2024-03-15 14:03:07.25+01:00", MOMENT),
        ("2024-03-15 13:03", MOMENT.replace(second=0, microsecond=0)),
        ("2024-03-15", datetime(2024, 3, 15)),
        (None, None),
    ],
)
def test_instants_come_back_from_text(text, expected):
    tests = {**NOTHING, "tested_at": [text, "2020-01-01"]}
    found = validate(pl.LazyFrame(tests), "setpoints").collect()["tested_at"]
    assert found.to_list() == [expected, datetime(2020, 1, 1)]
    days = {"switch_id": ["s"], "rated_pa": [60], "action": ["fall"], "removed_on": [text]}
    day = validate(pl.LazyFrame(days), "switches").collect()["removed_on"].item()
    assert day == (expected and expected.date())


@pytest.mark.parametrize("text", ["15.03.2024", "2024-03-15 25:00", "soon", "2024-02-30", "1e9"])
def test_text_that_is_no_instant_is_quoted(text):
    tests = {**NOTHING, "tested_at": ["2020-01-01", text]}
    with pytest.raises(
        SchemaError, match=r"column tested_at: its type is String.*Datetime"
    ) as told:
        validate(pl.LazyFrame(tests), "setpoints")
    assert repr(text) in str(told.value)


def test_other_columns_are_left_out_unless_kept():
    frame = pl.LazyFrame({**LAGS, "status": ["ok"], "note": ["n"], "x": [1]})
    assert validate(frame, "lags").collect_schema() == dtypes("lags")
    kept = validate(frame, "lags", keep=["note", "absent", "status"]).collect()
    assert kept.columns == [*TABLES["lags"], "note"]
    assert kept["note"].to_list() == ["n"]


def test_all_missing_columns_are_said_at_once():
    with pytest.raises(SchemaError, match=r"missing too: lag_u_s"):
        validate(pl.LazyFrame({"gauge_id": ["g"]}), "lags")


def test_nothing_is_collected():
    def fail(_: pl.DataFrame) -> pl.DataFrame:
        raise AssertionError

    frame = pl.LazyFrame(LAGS).map_batches(fail, schema=pl.LazyFrame(LAGS).collect_schema())
    assert validate(frame, "lags").collect_schema() == dtypes("lags")


def test_an_unknown_table_is_named():
    for call in (lambda: dtypes("test"), lambda: validate(pl.LazyFrame(), "test")):
        with pytest.raises(OptionError, match="test"):
            call()


KINDS = {"str": pl.String(), "f64": pl.Float64(), "i32": pl.Int32(), "bool": pl.Boolean()}
# What the kernels hand to the next step and no table keeps.
INTERNAL = {"excess_pa2", "excess_dof", "known_pa2", "bracket_pa2", "verdict_status"}


# What one table takes over from another.
JOINED = {"verdicts": ["n_findings_unsafe", "n_findings_nuisance", "findings", "reason"]}


@pytest.mark.parametrize("table", ["events", "lags", "setpoints", "verdicts", "condition"])
def test_the_columns_are_those_that_the_kernels_make(table):
    made = {name: KINDS[kind] for name, kind in _core.tables()[table] if name not in INTERNAL}
    before = {
        "lags": ["gauge_id"],
        "verdicts": list(dtypes("setpoints")),
        "condition": ["test_id", "switch_id"],
    }
    given = before.get(table, ["test_id", "switch_id", "gauge_id", "operator_id", "method",
                               "tested_at"])  # fmt: skip
    columns = dtypes(table)
    assert list(columns) == [*given, *made, *JOINED.get(table, [])]
    assert {name: columns[name] for name in made} == made
