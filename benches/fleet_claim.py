"""What the analysis makes of a simulated fleet whose truth is known, beside the display alone.

Ramp tests at 2 to 20 Pa/s, logged at 10 Hz from a display of 0.01 inH2O, moved by an unsteady hand,
read from a gauge whose lag nobody states. Run it to print the table; the tests and the README take
their numbers from the same functions.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl

import deadband as db
from deadband import simulate

#: 0.01 inH2O (conventional) in Pa.
STEP_PA: Final = 2.490889
#: Noise of one reading before the display rounds it. Nearly half a step: the readings flicker
#: between neighbouring values, as they do on a gauge whose last digit does not stand still.
NOISE_PA: Final = 0.4 * STEP_PA
GAUGE: Final = simulate.Gauge(
    dead_time_s=0.1, time_constant_s=0.3, resolution_pa=STEP_PA, noise_pa=NOISE_PA
)
RATES_PA_S: Final = (2.0, 20.0)
CYCLES: Final = 5
SEED: Final = 20250


def ramp_fleet(
    gauges: int, tests_each: int, seed: int = SEED
) -> tuple[simulate.Fleet, pl.DataFrame]:
    """Record a fleet of ramp tests, every test on a switch of its own.

    Parameters
    ----------
    gauges
        number of gauges, all of the same unknown lag.
    tests_each
        tests made with each.
    seed
        seed of the plan and of the recordings.

    Returns
    -------
    Fleet, polars.DataFrame
        the recordings, and the truth: `test_id`, `close_true_pa`, `open_true_pa`.
    """
    rng = np.random.default_rng(seed)
    plan, truth = [], []
    for index in range(gauges * tests_each):
        test_id = f"t{index:05d}"
        open_pa = rng.uniform(55.0, 65.0)
        switch = simulate.Switch(open_pa=open_pa, close_pa=open_pa + 9.0, repeatability_pa=0.3)
        rate = float(np.exp(rng.uniform(*np.log(RATES_PA_S))))
        plan.append(
            simulate.PlannedTest(
                test_id=test_id,
                unit=simulate.Unit(switch_id=f"s{index:05d}", rated_pa=60.0, switch=switch),
                instrument=simulate.Instrument(gauge_id=f"g{index % gauges:03d}", gauge=GAUGE),
                motion=simulate.Ramp(
                    cycles=CYCLES,
                    low_pa=20.0,
                    high_pa=110.0,
                    rate_pa_s=rate,
                    rate_spread=0.3,
                    unsteadiness=0.2,
                ),
            )
        )
        truth.append((test_id, switch.close_pa, switch.open_pa))
    schema = {"test_id": pl.String, "close_true_pa": pl.Float64, "open_true_pa": pl.Float64}
    return simulate.fleet(plan, seed=seed), pl.DataFrame(truth, schema=schema, orient="row")


def errors(tests: pl.DataFrame, truth: pl.DataFrame, *, lag_in_the_path: bool) -> pl.DataFrame:
    """Errors of every setpoint of a fleet, found with nothing told but the recordings.

    Parameters
    ----------
    tests
        the recordings.
    truth
        as `ramp_fleet` gives it.
    lag_in_the_path
        whether the events are fitted a second time with the lag that the first fit told.

    Returns
    -------
    polars.DataFrame
        a row a setpoint: `test_id`, `event`, `true_pa`, `error_pa`, `u_pa`, `expanded_pa` (95 %),
        and `display_error_pa`, that of the mean reading at the changes of contact.
    """
    events = db.fit_events(tests)
    lags = db.estimate_lag(events)
    display = events.group_by("test_id", "event").agg(shown_pa=pl.col("reading_pa").mean())
    points = db.setpoints(db.fit_events(tests, lags) if lag_in_the_path else events, lags)
    sides = [
        points.join(truth, on="test_id").select(
            "test_id",
            event=pl.lit(event),
            true_pa=pl.col(f"{event}_true_pa"),
            error_pa=pl.col(f"{event}_pa") - pl.col(f"{event}_true_pa"),
            u_pa=pl.col(f"{event}_u_pa"),
            dof=pl.col(f"{event}_dof"),
        )
        for event in ("close", "open")
    ]
    factor = [db.Estimate(0.0, 1.0, dof).coverage_factor() for side in sides for dof in side["dof"]]
    return (
        pl.concat(sides)
        .with_columns(expanded_pa=pl.Series(factor) * pl.col("u_pa"))
        .join(display, on=["test_id", "event"], how="left")
        .with_columns(display_error_pa=pl.col("shown_pa") - pl.col("true_pa"))
        .select(
            "test_id", "event", "true_pa", "error_pa", "u_pa", "expanded_pa", "display_error_pa"
        )
    )


def summary(found: pl.DataFrame) -> pl.DataFrame:
    """Bias, scatter, sharpness and coverage of the errors of a fleet, a row an event.

    Parameters
    ----------
    found
        as `errors` gives it.

    Returns
    -------
    polars.DataFrame
        `event`, `n`, `bias_pa`, `bias_percent` (of the setpoint), `rmse_pa`, `median_u_pa`,
        `u_by_rmse`, `coverage` of the 95 % intervals, `display_bias_pa`, `display_rmse_pa`.
    """
    error, shown = pl.col("error_pa"), pl.col("display_error_pa")
    return (
        found.group_by("event")
        .agg(
            n=pl.len(),
            bias_pa=error.mean(),
            bias_percent=100.0 * (error / pl.col("true_pa")).mean(),
            rmse_pa=(error**2).mean().sqrt(),
            median_u_pa=pl.col("u_pa").median(),
            u_by_rmse=pl.col("u_pa").median() / (error**2).mean().sqrt(),
            coverage=(error.abs() <= pl.col("expanded_pa")).mean(),
            display_bias_pa=shown.mean(),
            display_rmse_pa=(shown**2).mean().sqrt(),
        )
        .sort("event")
    )


def lag_errors(gauges: int, tests_each: int, seed: int = SEED) -> pl.DataFrame:
    """Errors of the lags of many gauges, each known only from its own few tests.

    Parameters
    ----------
    gauges, tests_each, seed
        as in `ramp_fleet`.

    Returns
    -------
    polars.DataFrame
        a row a gauge: `gauge_id`, `error_s`, `u_s`, `expanded_s` (95 %), `status`.
    """
    made, _ = ramp_fleet(gauges, tests_each, seed)
    lags = db.estimate_lag(db.fit_events(made.tests))
    factor = [db.Estimate(0.0, 1.0, dof or 1.0).coverage_factor() for dof in lags["dof"]]
    return lags.select(
        "gauge_id",
        error_s=pl.col("lag_s") - GAUGE.lag_s,
        u_s=pl.col("lag_u_s"),
        expanded_s=pl.Series(factor) * pl.col("lag_u_s"),
        status="status",
    )


def main() -> None:
    """Print what the claim rests on."""
    made, truth = ramp_fleet(1, 1000)
    described: dict[str, Any] = {"tbl_rows": -1, "tbl_cols": -1, "tbl_width_chars": 200}
    with pl.Config(**described, tbl_hide_dataframe_shape=True, tbl_hide_column_data_types=True):
        for name, lag_in_the_path in (("lag added afterwards", False), ("lag in the path", True)):
            print(f"{made.tests.height} recordings, {name}")
            print(summary(errors(made.tests, truth, lag_in_the_path=lag_in_the_path)))
        lags = lag_errors(100, 10)
        inside = (lags["error_s"].abs() <= lags["expanded_s"]).mean()
        print(
            f"{lags.height} gauges of 10 tests: mean error of the lag {lags['error_s'].mean():.4f} "
            f"s, median u {lags['u_s'].median():.4f} s, 95 % intervals hold {inside:.3f}"
        )


if __name__ == "__main__":
    main()
