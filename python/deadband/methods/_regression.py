"""The line of a method's results on those of the reference."""

from __future__ import annotations

from typing import Final, Literal

import polars as pl

from .._errors import check_option
from .._frames import FrameLike
from .._history import Setpoint
from ._deming import Beyond, deming
from ._line import Line, no_line
from ._pairs import groups_in, pairs, with_group
from ._passing_bablok import passing_bablok
from ._results import Value, rounds

_KINDS: Final = ("deming", "passing_bablok")


def regression(
    points: FrameLike,
    method: str,
    *,
    kind: Literal["deming", "passing_bablok"] = "deming",
    reference: str = "ramp",
    event: Setpoint = "open",
    value: Value = "fitted",
    reference_value: Value = "fitted",
    tests: FrameLike | None = None,
    within_days: float = 30.0,
    lags: FrameLike | None = None,
    gauges: FrameLike | None = None,
    beyond: Beyond = "excess",
    confidence: float = 0.95,
) -> Line:
    """The line of a method's results on the reference's, with errors in both.

    A round of a switch is a point, repeats averaged, with the standard uncertainties of the means
    from `own_u_pa`. The line says how far the method is from the reference at each level: a slope
    of one and an intercept of zero is no bias.

    Parameters
    ----------
    points, tests, event, lags, gauges
        as in `results`.
    kind
        `deming`: least squares with the known uncertainties of both; `passing_bablok`: by ranks,
        without uncertainties.
    method, reference, value, reference_value, within_days
        as in `rounds`. Where both are one method each test is a point, of which the called value
        alone errs: the fitted one has what errors there are in common with it.
    beyond
        of `deming`; the method scatters by more than its own uncertainty, so `excess` unless asked
        for otherwise.
    confidence
        of the intervals.

    Returns
    -------
    Line
        With statuses as in `deming` and `passing_bablok`, and `missing_value` where `deming` lacks
        uncertainties: of called references, and without `excess` of called results.

    Raises
    ------
    SchemaError
        a column or table is missing.
    OptionError
        an unknown kind, method or event, or an option out of range.
    ImportError
        SciPy is not installed.

    Examples
    --------
    >>> rows = [
    ...     (f"{side}{i}", f"s{i}", side, 60.0 + 5.0 * i + (side == "pinch") * (i % 3 - 3.0), 0.2)
    ...     for i in range(6)
    ...     for side in ("ramp", "pinch")
    ... ]
    >>> columns = ["test_id", "switch_id", "method", "open_pa", "open_u_pa"]
    >>> nothing = pl.lit(None, pl.Float64)
    >>> points = pl.DataFrame(rows, columns, orient="row").with_columns(
    ...     close_pa=nothing, close_u_pa=nothing
    ... )
    >>> found = regression(points, "pinch")
    >>> round(found.slope, 2), round(found.u_slope, 2), found.n
    (1.05, 0.04, 6)
    """
    check_option("kind", kind, _KINDS)
    both = rounds(
        points, method, reference, event=event, value=value, reference_value=reference_value,
        tests=tests, within_days=within_days, lags=lags, gauges=gauges,
    )  # fmt: skip
    same_tests = method == reference
    each = pairs(with_group(both, groups_in(both, ())), same_tests=same_tests)
    x, y = each["reference_pa"], each["method_pa"]
    if kind == "passing_bablok":
        return passing_bablok(x, y, confidence=confidence)
    u_x, u_y = each["reference_u_pa"], each["method_u_pa"]
    if value == "called" and beyond == "excess":
        u_y = pl.repeat(0.0, each.height, eager=True)
    if same_tests:
        u_x = pl.repeat(0.0, each.height, eager=True)
    if each.height and each.height in (u_x.null_count(), u_y.null_count()):
        return no_line("deming", 0, "missing_value")
    return deming(x, y, u_x, u_y, beyond=beyond, confidence=confidence)
