"""When setpoints leave their tolerance, and what to test next."""

from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy import stats

import deadband as db
from deadband._forecast import _information
from test_growth import fleet

UNTIL = date(2045, 1, 1)


def test_dates_are_where_the_band_crosses() -> None:
    points, switches = fleet(1, u=0.2)
    found = db.growth(points, switches, effects=["model"])
    table = db.forecast(found, switches, until=UNTIL)
    assert table.height == 30
    for row in table.filter(pl.col("outlook") == "crosses").iter_rows(named=True):
        if row["crosses_on"] == found.last:
            continue
        for name, k in [("crosses_from", -1.96), ("crosses_on", 0.0), ("crosses_to", 1.96)]:
            if row[name] is None or row[name] == found.last:
                continue
            there = found.at(row[name]).row(
                by_predicate=pl.col("switch_id") == row["switch_id"], named=True
            )
            edge = there["level_pa"] + k * there["level_u_pa"]
            assert edge == pytest.approx(54.0, abs=0.01)


def test_never_is_an_answer() -> None:
    points, switches = fleet(2, u=0.2)
    rising = points.with_columns(open_pa=120.0 - pl.col("open_pa"))
    table = db.forecast(db.growth(rising), switches)
    assert (table["outlook"] == "never").sum() > 20
    never = table.filter(pl.col("outlook") == "never")
    assert never["crosses_on"].is_null().all()
    assert never["crosses_to"].is_null().all()
    upper = db.forecast(db.growth(rising), switches, side="upper")
    assert (upper["outlook"] == "crosses").sum() > 20


def test_intervals_of_dates_hold_the_truth() -> None:
    """95 % of 40 switches in 25 fleets, less what the estimate of the components costs."""
    held = told = 0
    for seed in range(25):
        points, switches = fleet(seed, switches=40, tests=8, u=0.3, slope_sd=0.25)
        # The true lines, drawn as `fleet` draws them.
        random = np.random.default_rng(seed)
        truth = []
        for i in range(40):
            level, slope = 60 + random.normal(0, 1.5), random.normal(-0.5 - 0.4 * (i % 2), 0.25)
            truth.append((f"s{i:02}", level, slope))
            for _ in range(8):
                random.integers(0, 90)
                random.normal(0, 1.0)
        table = db.forecast(
            db.growth(points, switches, effects=["model"]), switches, now=date(2020, 9, 1)
        )
        rows = {row["switch_id"]: row for row in table.iter_rows(named=True)}
        for name, level, slope in truth:
            row = rows[name]
            years = (54.0 - level) / slope if slope < 0 else np.inf
            days = max(years, 0.0) * 365.2425
            low = row["crosses_from"]
            high = row["crosses_to"]
            after = np.inf if low is None else (low - date(2020, 9, 1)).days
            before = np.inf if high is None else (high - date(2020, 9, 1)).days
            told += 1
            held += after - 1 <= days <= before + 1
    assert told == 1000
    assert 0.925 < held / told < 0.975


def test_lots_and_models_have_dates_of_their_own() -> None:
    points, switches = fleet(3, u=0.2)
    found = db.growth(points, switches, effects=["model"])
    table = db.forecast(found, switches, by="model", until=UNTIL)
    assert table["model"].to_list() == ["A", "B"]
    assert table["crosses_on"][1] < table["crosses_on"][0]
    mixed = switches.with_columns(rated_pa=pl.when(pl.col("model") == "A").then(60.0).otherwise(
        pl.when(pl.col("switch_id") == "s01").then(50.0).otherwise(60.0)))  # fmt: skip
    table = db.forecast(found, mixed, by="model")
    assert table["status"].to_list() == ["ok", "missing_value"]
    with pytest.raises(db.OptionError, match="by"):
        db.forecast(found, switches, by="lot")


def test_switches_without_a_rating_have_a_status() -> None:
    points, switches = fleet(4, u=0.2)
    found = db.growth(points)
    table = db.forecast(found, switches.tail(28))
    assert table.filter(pl.col("status") == "missing_value")["switch_id"].to_list() == [
        "s00",
        "s01",
    ]
    ranked = db.next_tests(found, switches.tail(28), when=UNTIL)
    assert ranked.tail(2)["switch_id"].to_list() == ["s00", "s01"]
    assert ranked.tail(2)["p_out"].is_null().all()


def test_the_riskiest_come_first_and_the_doubtful_tell_most() -> None:
    points, switches = fleet(5, u=0.2)
    found = db.growth(points)
    when = date(2029, 1, 1)
    risk = db.next_tests(found, switches, when=when)
    assert risk["p_out"].is_sorted(descending=True)
    told = db.next_tests(found, switches, when=when, order="information", u_pa=0.3)
    assert told["information_bits"].is_sorted(descending=True)
    assert abs(told["p_out"][0] - 0.5) < 0.2
    better = db.next_tests(found, switches, when=when, order="information", u_pa=0.0)
    worse = db.next_tests(found, switches, when=when, order="information", u_pa=5.0)
    assert better["information_bits"].sum() > 3 * worse["information_bits"].sum()
    assert told["information_bits"].max() <= 1.0


def test_information_is_what_simulation_gives() -> None:
    """The expected entropy after a test, against draws of line and test."""
    points, switches = fleet(6, u=0.2)
    found = db.growth(points)
    when = date(2028, 1, 1)
    told = db.next_tests(found, switches, when=when, order="information", u_pa=0.4).row(
        0, named=True
    )
    random = np.random.default_rng(1)
    excess = found.components["variance"][3]
    sd, test = told["level_u_pa"], np.sqrt(0.4**2 + excess)
    level = random.normal(told["level_pa"], sd, 200_000)
    seen = level + random.normal(0, test, level.size)
    share = sd**2 / (sd**2 + test**2)
    mean = told["level_pa"] + share * (seen - told["level_pa"])
    bins = np.digitize(mean, np.quantile(mean, np.linspace(0, 1, 101)[1:-1]))
    out = level < 54.0
    entropy = 0.0
    for cell in range(100):
        p = out[bins == cell].mean()
        if 0 < p < 1:
            entropy -= (p * np.log2(p) + (1 - p) * np.log2(1 - p)) / 100
    p = out.mean()
    before = -(p * np.log2(p) + (1 - p) * np.log2(1 - p))
    assert told["information_bits"] == pytest.approx(before - entropy, abs=0.01)


def test_bad_calls_are_told() -> None:
    points, switches = fleet(7, u=0.2)
    found = db.growth(points)
    with pytest.raises(db.OptionError, match="side"):
        db.forecast(found, switches, side="left")  # type: ignore[arg-type]
    with pytest.raises(db.OptionError, match="until"):
        db.forecast(found, switches, until=date(2000, 1, 1))
    for odd in (float("nan"), -0.1, "1", [1.0], True):
        with pytest.raises(db.OptionError, match=r"option u_pa: .*pascal"):
            db.next_tests(found, switches, when=UNTIL, u_pa=odd)  # type: ignore[arg-type]
    for odd in (None, switches):
        with pytest.raises(db.OptionError, match="option fleet"):
            db.forecast(odd, switches)  # type: ignore[arg-type]
        with pytest.raises(db.OptionError, match="option fleet"):
            db.next_tests(odd, switches, when=UNTIL)  # type: ignore[arg-type]


def test_dates_of_a_group_need_its_column() -> None:
    points, switches = fleet(9, u=0.2)
    found = db.growth(points, switches, effects=["lot"])
    with pytest.raises(db.SchemaError, match="table switches, column lot"):
        db.forecast(found, switches.drop("lot"), by="lot")
    empty = switches.with_columns(lot=pl.lit(None, pl.String))
    assert set(db.forecast(found, empty, by="lot")["status"]) == {"missing_value"}


@pytest.mark.parametrize(
    ("rated", "tolerance"),
    [
        (60.0, 10.0),
        (60.0, -0.1),
        (60.0, 0.0),
        (60.0, np.nan),
        (-60.0, 0.1),
        (0.0, 0.1),
        (np.nan, 0.1),
        (np.inf, 0.1),
    ],
)
def test_a_rating_that_cannot_be_has_no_limit(rated: float, tolerance: float) -> None:
    points, switches = fleet(8, u=0.2)
    first = pl.col("switch_id") == "s00"
    wrong = switches.with_columns(
        rated_pa=pl.when(first).then(rated).otherwise("rated_pa"),
        tolerance=pl.when(first).then(tolerance).otherwise(0.1),
    )
    found = db.growth(points)
    tables = (
        db.forecast(found, wrong),
        db.next_tests(found, wrong, when=UNTIL).sort("switch_id"),
        db.drift(points, switches=wrong),
    )
    right = (
        db.forecast(found, switches),
        db.next_tests(found, switches, when=UNTIL).sort("switch_id"),
        db.drift(points, switches=switches),
    )
    for table, sound in zip(tables, right, strict=True):
        assert table["status"].to_list() == ["bad_value", *["ok"] * 29]
        row = table.row(0, named=True)
        told = {"limit_pa", "p_out", "p_below", "p_towards", "outlook", "crosses_on",
                "crosses_from", "crosses_to", "information_bits"}  # fmt: skip
        assert all(row[name] is None for name in told & row.keys())
        kept = [name for name in row if name not in {*told, "status", "rank"}]
        assert table.select(kept).equals(sound.select(kept))
        others = pl.exclude("rank")
        assert table[1:].select(others).equals(sound[1:].select(others))


def test_a_rating_that_is_missing_is_no_bad_one() -> None:
    points, switches = fleet(8, u=0.2)
    unrated = switches.with_columns(rated_pa=pl.lit(None, pl.Float64))
    found = db.growth(points)
    assert set(db.forecast(found, unrated)["status"]) == {"missing_value"}
    assert set(db.next_tests(found, unrated, when=UNTIL)["status"]) == {"missing_value"}
    assert set(db.drift(points, switches=unrated)["status"]) == {"ok"}


def test_a_sure_test_of_a_vague_line_tells_nearly_all() -> None:
    margin, variance, test = np.array([0.3]), np.array([1.0]), 1e-6
    told = _information(margin, variance, test)[0]
    p = stats.norm.cdf(-0.3)
    assert told == pytest.approx(-(p * np.log2(p) + (1 - p) * np.log2(1 - p)), abs=0.01)
