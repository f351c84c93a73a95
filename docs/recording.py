"""Draw docs/recording.png, the picture of the README: python docs/recording.py."""

from pathlib import Path

import polars as pl

import deadband as db

here = Path(__file__).resolve().parent
tests = db.read_tests(here.parent / "demo-data" / "logger-csv")
one = tests.filter(pl.col("test_id") == "csv-2").collect().row(0, named=True)
fit = db.fit_trace(
    one["time_s"],
    one["pressure_pa"],
    one["contact"],
    contact_time_s=one["contact_time_s"],
    unit="Pa",
    lag=db.Lag(0.40, u=0.03),
    accuracy_rel=0.005,
    accuracy_abs=1.0,
)
fit.plot().savefig(here / "recording.png", bbox_inches="tight", dpi=110)
