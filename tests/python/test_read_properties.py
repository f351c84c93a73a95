"""Any table in any dialect reads back as it was, or is refused; rubbish is refused."""

import random
import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from deadband.read import InputError, SchemaError, read_gauges, read_switches, read_tests
from deadband.read._sign import looks_negative
from logger_folder import read_one, write_manifest

NUMBERS = st.floats(-1e12, 1e12).map(lambda x: x + 0.0)
CONTACTS = {
    "volt": st.sampled_from([0.02, 4.97]),
    "ohm": st.sampled_from([0.4, 1e9]),
    "on_off": st.sampled_from([0.0, 1.0]),
}
WORDS = {"on_off": {0.0: "Open", 1.0: "CLOSED"}, "ohm": {1e9: "OL"}}


@st.composite
def recordings(draw):
    kind = draw(st.sampled_from(sorted(CONTACTS)))
    row = st.tuples(NUMBERS, NUMBERS, CONTACTS[kind])
    rows = draw(st.lists(row, max_size=8))
    pressure = [row[1] for row in rows]
    assume(not looks_negative(pl.Series(pressure, dtype=pl.Float64)))
    return kind, [row[0] for row in rows], pressure, [row[2] for row in rows]


@st.composite
def dialects(draw):
    separator = draw(st.sampled_from([",", ";", "\t", "|"]))
    return {
        "separator": separator,
        "decimal": draw(st.sampled_from([".", ","])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "before": draw(st.sampled_from(["", "# remark\n", "Logger 3\nStarted at noon\n\n"])),
        "units": draw(st.booleans()),
        "trailing": draw(st.booleans()),
        "quoted": draw(st.booleans()),
        "form": draw(st.sampled_from([repr, "{:.3f}".format, "{:.2f}".format, "{:.17e}".format])),
    }


def as_text(recording, dialect):
    kind, time, pressure, contact = recording
    separator, quote = dialect["separator"], '"' if dialect["quoted"] else ""

    def number(x):
        return quote + dialect["form"](x).replace(".", dialect["decimal"]) + quote

    def state(x):
        return WORDS.get(kind, {}).get(x) or number(x)

    lines = [separator.join(["time", "pressure", "contact"])]
    if dialect["units"]:
        lines.append(separator.join(["s", "Pa", ""]))
    end = separator if dialect["trailing"] else ""
    lines += [
        separator.join([number(t), number(p), state(c)]) + end
        for t, p, c in zip(time, pressure, contact, strict=True)
    ]
    text = dialect["before"] + "".join(line + "\n" for line in lines)
    return text.replace("\n", dialect["end"]).encode(dialect["encoding"])


def read(data, **options):
    with tempfile.TemporaryDirectory() as folder:
        return read_one(Path(folder), data, **options)


def written(recording, dialect):
    """The numbers that the text holds, rounded as it was written."""
    return [[float(dialect["form"](x)) + 0.0 for x in column] for column in recording[1:3]]


def unquoted_commas(dialect):
    return dialect["separator"] == dialect["decimal"] and not dialect["quoted"]


@given(recordings(), dialects())
def test_a_stated_dialect_reads_back(recording, dialect):
    assume(not unquoted_commas(dialect))
    row = read(
        as_text(recording, dialect),
        separator={"\t": "tab"}.get(dialect["separator"], dialect["separator"]),
        decimal=dialect["decimal"],
        contact_kind=recording[0],
    )
    assert row["read_error"] is None
    assert [row["time_s"], row["pressure_pa"]] == written(recording, dialect)
    assert row["contact"] == pytest.approx(recording[3], rel=0.1)


@given(recordings(), dialects())
@example(
    ("on_off", [0.5, 1.5], [12.5, 13.25], [0.0, 1.0]),
    {"separator": ",", "decimal": ",", "encoding": "utf-8", "end": "\n", "before": "",
     "units": False, "trailing": False, "quoted": False, "form": repr},
)  # fmt: skip
def test_a_dialect_that_is_found_reads_back_or_is_refused(recording, dialect):
    row = read(as_text(recording, dialect))
    if row["read_error"] is None:
        assert [row["time_s"], row["pressure_pa"]] == written(recording, dialect)
        assert row["contact"] == pytest.approx(recording[3], rel=0.1)
    else:
        assert row["time_s"] is None
        commas = dialect["decimal"] == ","
        assert commas or "thousands" in row["read_error"]


@given(st.binary(max_size=300))
def test_random_bytes_are_refused_or_empty(data):
    row = read(data)
    assert row["read_error"] is not None
    assert row["time_s"] is None


STATES = {True: "on", False: "off"}
GOOD = (
    "# logger\ntime;draft;switch\ns;Pa;\n"
    + "".join(
        f"14:03:{i:02},{i % 4}0;{i * 1.7:.2f};{'on' if i % 9 else 'off'}\n" for i in range(30)
    )
).replace(".", ",")
TABLES = {
    "tests.csv": "test_id,switch_id,method,tested_at,file,unit,decimal,called_close\n"
    "a,s1,ramp,2024-03-15,a.csv,Pa,,0.65\nb,s1,pinch,2024-03-15T14:03,a.csv,inH2O,point,\n",
    "switches.csv": "switch_id;rated;unit;action;tolerance;installed_on;failed\n"
    "s1;0,65;inH2O;fall;10 %;2020-01-01;no\ns2;0,80;inH2O;rise;0,1;;yes\n",
    "gauges.csv": "gauge_id,resolution,unit,accuracy_rel,accuracy_abs_pa,lag_s\n"
    "g1,0.01,inH2O,0.5 %,2.5,0.4\ng2,1,Pa,0,0,\n",
}


def attempted(read_it):
    """What was read and None, or None and the error; no other error may come."""
    try:
        return read_it(), None
    except (InputError, SchemaError) as error:
        return None, error


def spoilt(data: bytes, seed: int) -> bytes:
    """A file after a few bytes were lost, doubled, changed or put in."""
    rng = random.Random(seed)
    raw = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        place, length = rng.randrange(len(raw) + 1), rng.randint(0, 12)
        twice, noise = raw[place : place + length] * 2, rng.randbytes(length)
        words = [b"", b'"', b"\n", b"\x00", b",;", b"1e999", b"\xff\xfe", b"#", b"\t|"]
        filler = rng.choice([*words, twice, noise])
        raw[place : place + length] = filler
    return bytes(raw)


@given(st.integers(0, 2**32))
def test_spoilt_recordings_are_refused_or_read(seed):
    row = read(spoilt(GOOD.encode(), seed))
    if row["read_error"] is not None:
        assert row["time_s"] is None
    else:
        assert len(row["time_s"]) == len(row["pressure_pa"])
        assert len(row["contact_time_s"] or row["time_s"]) >= len(row["contact"])
        assert all(abs(x) < 1e37 for x in row["pressure_pa"])


@given(st.integers(0, 2**32), st.sampled_from(sorted(TABLES)))
def test_spoilt_tables_raise_what_they_should_or_are_read(seed, name):
    reader = {"switches.csv": read_switches, "gauges.csv": read_gauges}.get(name, read_tests)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(spoilt(TABLES[name].encode(), seed))
        (Path(folder) / "a.csv").write_text(GOOD)
        frame, error = attempted(lambda: reader(path).lazy().collect())
    if frame is None:
        assert name in str(error)
    else:
        assert frame.columns[-1] in {"reason", "read_note"}


@given(st.binary(max_size=200))
def test_random_bytes_in_place_of_a_table(data):
    with tempfile.TemporaryDirectory() as folder:
        for name, reader in {
            "switches.csv": read_switches,
            "tests.csv": read_tests,
            "gauges.parquet": read_gauges,
            "t.parquet": read_tests,
        }.items():
            path = Path(folder) / name
            path.write_bytes(data)
            with pytest.raises((InputError, SchemaError)):
                reader(path)


@given(st.lists(st.text(max_size=9), min_size=1, max_size=5, unique=True), st.text(max_size=9))
@example(["#12", "//"], "")
def test_any_words_in_a_manifest(ids, word):
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.csv").write_text("time,draft,switch\n0,1,1\n")
        rows = [{"test_id": name, "operator_id": word, "time_column": word} for name in ids]
        frame, error = attempted(lambda: read_tests(write_manifest(Path(folder), *rows)).collect())
    if frame is None:
        assert isinstance(error, InputError)
        assert error.line is not None
    else:
        assert frame.height == len(ids)
