"""The command: what it writes, what it says, what it refuses, and how it exits."""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

import deadband
from deadband import cli
from deadband._output import MARKER, TABLES
from deadband.report._words import CAUTION_LINE
from html_page import Page

FILES = {f"{table}.{suffix}" for table in TABLES for suffix in ("parquet", "csv")}


@pytest.fixture(scope="module")
def small(tmp_path_factory, demo_data) -> Path:
    """Some sixty recordings of the demonstration fleet, whole ones and broken ones."""
    folder = tmp_path_factory.mktemp("small")
    tests = deadband.read_tests(demo_data)
    broken = pl.col("test_id").str.starts_with("broken")
    some = pl.col("switch_id").is_in(["A60-2010-01", "B110-2106-02", "B110-2106-10", "C45-1911-01"])
    tests.filter(broken | some).collect().write_parquet(folder / "tests.parquet")
    for name in ("switches.csv", "gauges.csv"):
        shutil.copy(demo_data / name, folder / name)
    return folder


@pytest.fixture
def out(tmp_path) -> Path:
    return tmp_path / "results"


def run(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "deadband", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        **options,
    )


def listing(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


# --- what it writes and says --------------------------------------------------------------------


def test_a_run_in_a_pipe_writes_everything_and_is_silent_but_for_the_summary(small, out):
    done = run("analyse", small, "--out", out)
    assert (done.returncode, done.stderr) == (0, "")
    assert listing(out) == FILES | {"report.html", MARKER}
    verdicts = pl.read_parquet(out / "verdicts.parquet")
    first = done.stdout.splitlines()[0]
    assert first.startswith(f"{verdicts.height} recordings of {verdicts['switch_id'].n_unique()}")
    flat = " ".join(done.stdout.split())
    assert flat.endswith(CAUTION_LINE)
    assert str(out / "report.html") in flat
    unsafe = verdicts.filter(
        pl.col("verdict") == "does_not_conform", pl.col("p_unsafe") > pl.col("p_nuisance")
    )
    assert unsafe.height
    assert all(switch in done.stdout for switch in unsafe["switch_id"])
    for status, count in (
        verdicts.filter(pl.col("verdict").is_null())["status"].value_counts().rows()
    ):
        assert f"{status.replace('_', ' ')} ({count}):" in done.stdout
    assert "\x1b" not in done.stdout
    page = Page((out / "report.html").read_text(encoding="utf-8"))
    assert f"Switch tests: {small.name}" in page.text


def test_counts_by_method_add_up(small, out, capsys):
    assert cli.main(["analyse", str(small), "--out", str(out), "--no-report"]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    verdicts = pl.read_parquet(out / "verdicts.parquet")
    ramp = next(line for line in lines if line[:2] == ["slow", "ramp"])
    own = verdicts.filter(pl.col("method") == "ramp")
    counts = [
        own.filter(pl.col("verdict").eq_missing(pl.lit(verdict))).height
        for verdict in ("does_not_conform", "undecided", "conforms", None)
    ]
    assert [int(number) for number in ramp[2:]] == [*counts, own.height]
    assert next(line for line in lines if line[:1] == ["all"])[-1] == str(verdicts.height)


def test_tables_are_those_of_analyse_whatever_the_batch(small, out, capsys):
    whole = deadband.analyse(
        deadband.read_tests(small), deadband.read_switches(small), deadband.read_gauges(small)
    )
    for batch in ("7", "1000"):
        arguments = ["analyse", str(small), "--out", str(out), "--batch", batch, "--no-report"]
        assert cli.main([*arguments, "--quiet"]) == 0
        for name in TABLES:
            assert_frame_equal(pl.read_parquet(out / f"{name}.parquet"), getattr(whole, name))
        assert pl.read_csv(out / "verdicts.csv").height == whole.verdicts.height
    assert capsys.readouterr().out == ""


def test_recordings_of_one_id_are_told_apart_from_others_in_any_batch(small, out):
    folder = out.parent / "doubled"
    shutil.copytree(small, folder)
    tests = pl.read_parquet(folder / "tests.parquet")
    pl.concat([tests, tests.head(1)]).write_parquet(folder / "tests.parquet")
    assert cli.main(["analyse", str(folder), "--out", str(out), "--batch", "5", "--quiet"]) == 0
    doubled = pl.read_parquet(out / "verdicts.parquet").filter(
        pl.col("test_id") == tests["test_id"][0]
    )
    assert doubled["status"].unique().to_list() == ["duplicate_id"]


def test_unit_and_risk_reach_the_page(small, out, capsys):
    arguments = ["analyse", str(small), "--out", str(out), "--unit", "inH2O", "--risk", "0.2"]
    assert cli.main(arguments) == 0
    assert "/ inH₂O" in capsys.readouterr().out
    page = Page((out / "report.html").read_text(encoding="utf-8"))
    assert "p_conform >= 0.8" in page.text
    assert pl.read_parquet(out / "verdicts.parquet")["rule"].drop_nulls()[0].count("0.8") == 2


def test_logger_files_with_one_that_cannot_be_read(demo_data, out, capsys):
    folder = out.parent / "logger"
    shutil.copytree(demo_data / "logger-csv", folder)
    shutil.copy(demo_data / "switches.csv", folder / "switches.csv")
    manifest = (folder / "tests.csv").read_text(encoding="utf-8")
    named = next(path for path in sorted(folder.glob("logger-*.csv")) if path.name in manifest)
    named.unlink()
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert "1 of 6 recordings could not be read" in said.err
    assert f"{named.name}: there is no such file" in said.err
    page = Page((out / "report.html").read_text(encoding="utf-8"))
    assert f"{named.name}: there is no such file" in page.text


def test_without_ratings_there_are_setpoints_but_no_verdicts(small, out, capsys):
    folder = out.parent / "unrated"
    folder.mkdir()
    shutil.copy(small / "tests.parquet", folder)
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 0
    assert "without ratings there are setpoints but no verdicts" in capsys.readouterr().err
    verdicts = pl.read_parquet(out / "verdicts.parquet")
    assert verdicts["verdict"].null_count() == verdicts.height
    assert verdicts["open_pa"].drop_nulls().len()


def test_depression_of_the_wrong_sign_is_named(small, out, capsys):
    folder = out.parent / "negative"
    shutil.copytree(small, folder)
    flipped = pl.read_parquet(folder / "tests.parquet").with_columns(
        pl.col("pressure_pa").list.eval(-pl.element())
    )
    flipped.write_parquet(folder / "tests.parquet")
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 2
    assert "run again with --depression negative" in capsys.readouterr().err
    assert not listing(out)
    arguments = ["analyse", str(folder), "--out", str(out), "--depression", "negative", "--quiet"]
    assert cli.main(arguments) == 0
    right = out.parent / "right"
    assert cli.main(["analyse", str(small), "--out", str(right), "--quiet"]) == 0
    assert_frame_equal(
        pl.read_parquet(out / "setpoints.parquet"), pl.read_parquet(right / "setpoints.parquet")
    )


# --- exit status --------------------------------------------------------------------------------


def test_strict_exits_with_one_when_a_recording_gave_no_verdict(small, out):
    arguments = ["analyse", str(small), "--out", str(out), "--no-report", "--quiet"]
    assert cli.main(arguments) == 0
    assert cli.main([*arguments, "--strict"]) == 1
    assert listing(out) == FILES | {MARKER}
    sound = out.parent / "sound"
    shutil.copytree(small, sound)
    judged = pl.read_parquet(out / "verdicts.parquet").filter(pl.col("verdict").is_not_null())
    tests = pl.read_parquet(sound / "tests.parquet")
    tests.join(judged, on="test_id", how="semi").write_parquet(sound / "tests.parquet")
    assert cli.main(["analyse", str(sound), *arguments[2:], "--strict"]) == 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["analyse", "nowhere", "--out", "x"], "nowhere: there is no such folder"),
        (["analyse", "DIR", "--out", "x", "--unit", "inch"], "inH2O_60F"),
        (["analyse", "DIR", "--out", "x", "--risk", "0.7"], "no number above 0 and below 0.5"),
        (["analyse", "DIR", "--out", "x", "--risk", "low"], "no number above 0 and below 0.5"),
        (["analyse", "DIR", "--out", "x", "--batch", "0"], "no whole number of 1 or more"),
        (["analyse", "DIR", "--out", "x", "--depression", "up"], "invalid choice"),
        (["analyse", "DIR"], "--out"),
        (["analyse", "DIR", "--out", "DIR"], "among the recordings"),
        (["analyse", "DIR", "--out", "DIR/tests.parquet"], "there is a file of this name"),
        (["analyse", "EMPTY", "--out", "x"], "neither recordings in Parquet nor a manifest"),
        (["nonsense"], "invalid choice"),
        ([], "COMMAND"),
    ],
)
def test_bad_input_exits_with_two_and_a_sentence(arguments, said, small, tmp_path):
    (tmp_path / "empty").mkdir()
    places = {"DIR": str(small), "EMPTY": str(tmp_path / "empty")}
    before = listing(small)
    for name, place in places.items():
        arguments = [argument.replace(name, place) for argument in arguments]
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert listing(small) == before
    assert not (tmp_path / "x").exists()


def test_tables_that_cannot_be_used_are_named(small, out, capsys):
    folder = out.parent / "bad"
    shutil.copytree(small, folder)
    (folder / "switches.csv").write_text("switch_id,action\ns1,fall\n", encoding="utf-8")
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 2
    assert "rated" in capsys.readouterr().err
    shutil.copy(small / "switches.csv", folder / "switches.csv")
    whole = (folder / "tests.parquet").read_bytes()
    (folder / "tests.parquet").write_bytes(whole[: len(whole) // 2])
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 2
    assert "tests.parquet" in capsys.readouterr().err
    pl.read_parquet(small / "tests.parquet").clear().write_parquet(folder / "tests.parquet")
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 2
    assert "there is no recording in it" in capsys.readouterr().err
    assert not out.exists()


def test_version_and_help(capsys):
    for arguments, said in ((["--version"], f"deadband {deadband.__version__}"),
                            (["--help"], "permission to operate"),
                            (["analyse", "--help"], "never bypass or jumper")):  # fmt: skip
        with pytest.raises(SystemExit) as stop:
            cli.main(arguments)
        assert stop.value.code == 0
        assert said in " ".join(capsys.readouterr().out.split())


# --- the folder of results ----------------------------------------------------------------------


def test_only_own_files_are_replaced(small, out, capsys):
    arguments = ["analyse", str(small), "--out", str(out), "--quiet"]
    out.mkdir()
    (out / "events.csv").write_text("somebody's own\n", encoding="utf-8")
    assert cli.main(arguments) == 2
    assert "events.csv would be overwritten" in capsys.readouterr().err
    assert listing(out) == {"events.csv"}
    (out / "events.csv").rename(out / "notes.csv")
    assert cli.main(arguments) == 0
    assert cli.main([*arguments, "--no-report"]) == 0
    assert listing(out) == FILES | {MARKER, "notes.csv"}
    assert (out / "notes.csv").read_text(encoding="utf-8") == "somebody's own\n"
    facts = json.loads((out / MARKER).read_text(encoding="utf-8"))
    assert set(facts["files"]) == FILES
    assert facts["version"] == deadband.__version__


def test_a_marker_that_was_tampered_with_gives_no_leave(small, out):
    out.mkdir()
    victim = out.parent / "verdicts.csv"
    victim.write_text("precious\n", encoding="utf-8")
    forged = {"made_by": "deadband", "files": ["../verdicts.csv", "notes.txt"]}
    (out / MARKER).write_text(json.dumps(forged), encoding="utf-8")
    (out / "notes.txt").write_text("precious\n", encoding="utf-8")
    assert cli.main(["analyse", str(small), "--out", str(out), "--quiet", "--no-report"]) == 0
    assert victim.read_text(encoding="utf-8") == "precious\n"
    assert (out / "notes.txt").exists()
    (out / MARKER).write_text("no JSON", encoding="utf-8")
    assert cli.main(["analyse", str(small), "--out", str(out), "--quiet"]) == 2


def test_results_inside_the_folder_of_recordings_are_not_read_as_such(small, out):
    folder = out.parent / "both"
    shutil.copytree(small, folder)
    arguments = ["analyse", str(folder), "--out", str(folder / "results"), "--no-report", "--quiet"]
    assert cli.main(arguments) == 0
    first = pl.read_parquet(folder / "results/verdicts.parquet")
    assert cli.main(arguments) == 0
    assert_frame_equal(pl.read_parquet(folder / "results/verdicts.parquet"), first)


def test_a_run_that_fails_leaves_the_earlier_results(small, out, monkeypatch, capsys):
    arguments = ["analyse", str(small), "--out", str(out), "--quiet"]
    assert cli.main(arguments) == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def fail(*_, **__):
        raise OSError("the disk is full")

    monkeypatch.setattr(cli, "write", fail)
    assert cli.main(arguments) == 2
    assert "the disk is full" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before

    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "write", interrupt)
    assert cli.main(arguments) == cli.STOPPED
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


@pytest.mark.parametrize("missing", ["jinja2", "matplotlib"])
def test_without_the_extras_the_tables_are_written(small, out, monkeypatch, capsys, missing):
    monkeypatch.setitem(sys.modules, missing, None)
    assert cli.main(["analyse", str(small), "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert 'pip install "deadband[report]"' in said.err
    assert "Page:" not in said.out
    assert listing(out) == FILES | {MARKER}


# --- terminals ----------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal of POSIX")
def test_a_terminal_gets_a_bar_and_quiet_takes_it_away(small, out):
    import fcntl
    import termios

    def on_terminal(*options: str) -> str:
        ours, theirs = os.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        arguments = ["analyse", str(small), "--out", str(out), "--no-report", "--batch", "5"]
        done = subprocess.run(
            [sys.executable, "-m", "deadband", *arguments, *options],
            stdout=subprocess.PIPE,
            stderr=theirs,
            check=True,
        )
        os.close(theirs)
        with os.fdopen(ours, "rb", buffering=0) as terminal:
            try:
                drawn = terminal.read(100_000) or b""
            except OSError:  # Linux says so when nothing was written
                drawn = b""
        assert b"fit" not in done.stdout
        return drawn.decode()

    assert "fit" in on_terminal()
    assert on_terminal("--quiet") == ""


def test_a_console_without_the_letters_gets_question_marks(small, out):
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = run("analyse", small, "--out", out, "--no-report", env=environment)
    assert done.returncode == 0
    assert "open" in done.stdout
    assert "±" not in done.stdout


def test_what_a_terminal_would_obey_is_not_printed(small, out, capsys):
    folder = out.parent / "odd"
    shutil.copytree(small, folder)
    switches = deadband.read_switches(small)
    tests = pl.read_parquet(folder / "tests.parquet")
    rename = pl.col("switch_id").replace({"B110-2106-02": "B\x1b[2J02"})
    tests.with_columns(rename).write_parquet(folder / "tests.parquet")
    (folder / "switches.csv").unlink()
    switches.with_columns(rename).write_parquet(folder / "switches.parquet")
    assert cli.main(["analyse", str(folder), "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "B?[2J02" in printed
    assert "\x1b" not in printed
