"""The picture of operating characteristics."""

from __future__ import annotations

import pytest

from deadband import lots, plots
from deadband._errors import DeadbandError, OptionError

POINTS = {"producer_fraction": 0.02, "consumer_fraction": 0.15}


def test_curves_are_those_of_the_plans() -> None:
    single, known, sequential = (
        lots.attributes_plan(**POINTS),
        lots.variables_plan(**POINTS, sigma_known=True),
        lots.sequential_plan(**POINTS),
    )
    ax = plots.operating_characteristic(
        single, known, sequential, producer=(0.02, 0.05), consumer=(0.15, 0.10)
    )
    lines = {line.get_label(): line for line in ax.get_lines()}
    assert set(lines) == {
        f"n = {single.n}, c = {single.c}", f"n = {known.n}, k = {known.k:.3g}, σ known",
        f"sequential, up to {sequential.n_most}", "producer's point", "consumer's point",
    }  # fmt: skip
    x, y = lines[f"n = {single.n}, c = {single.c}"].get_data()
    assert y == pytest.approx(100.0 * single.p_accept(x / 100.0))
    assert y[-1] < 2.0
    assert lines["producer's point"].get_xydata().tolist() == [[2.0, 95.0]]
    assert lines["consumer's point"].get_xydata().tolist() == [[15.0, 10.0]]


def test_a_test_that_errs_has_a_line_of_its_own() -> None:
    plan = lots.AttributesPlan(n=20, c=1, lot_size=60)
    test = lots.Measurement(sd=1.5, u=1.0)
    ax = plots.operating_characteristic(plan, test=test, most=0.3, labels=["incoming"])
    exact, erring = ax.get_lines()
    assert [exact.get_label(), erring.get_label()] == ["incoming", "incoming, test errs"]
    assert exact.get_linestyle() != erring.get_linestyle()
    assert exact.get_markerfacecolor() != erring.get_markerfacecolor()
    x, y = erring.get_data()
    assert x[-1] == pytest.approx(30.0)
    assert y == pytest.approx(100.0 * plan.p_accept(x / 100.0, test=test))


def test_no_two_plans_are_told_apart_by_colour_alone() -> None:
    ax = plots.operating_characteristic(*(lots.AttributesPlan(n=20, c=c) for c in range(6)))
    assert len({line.get_marker() for line in ax.get_lines()}) == 6


def test_what_cannot_be_drawn() -> None:
    plan = lots.VariablesPlan(n=20, k=1.5)
    for options in ({"most": 2.0}, {"labels": []}, {"consumer": (0.1,)}, {"producer": (5, 0.1)}):
        with pytest.raises(OptionError, match=f"option {next(iter(options))}"):
            plots.operating_characteristic(plan, **options)
    for options in ({"most": "a"}, {"most": True}, {"labels": 3}, {"labels": [3]}):
        with pytest.raises(OptionError, match=f"option {next(iter(options))}"):
            plots.operating_characteristic(plan, **options)
    with pytest.raises(OptionError, match="option plans"):
        plots.operating_characteristic()
    with pytest.raises(DeadbandError, match="measures"):
        plots.operating_characteristic(plan, test=lots.Classification(p_passed_of_bad=0.1))
