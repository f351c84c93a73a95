"""Draw docs/fan.png, a lot of the demonstration fleet over the years: python docs/drift.py."""

from datetime import date
from pathlib import Path

import polars as pl

import deadband as db

here = Path(__file__).resolve().parent
demo = here.parent / "demo-data"
whole = db.analyse(db.read_tests(demo), db.read_switches(demo), db.read_gauges(demo))
falling = whole.switches.filter((pl.col("action") == "fall") & pl.col("installed_on").is_not_null())
points = whole.setpoints.join(falling, on="switch_id", how="semi")
fleet = db.growth(points, falling, effects=["lot"], gauges=whole.gauges, lags=whole.lags)
ramps = points.filter(pl.col("method") == "ramp")
axes = db.plots.fan(fleet, "A60-2010", falling, ramps, by="lot", until=date(2031, 1, 1))
axes.figure.savefig(here / "fan.png", bbox_inches="tight", dpi=110)
