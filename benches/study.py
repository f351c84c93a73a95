"""The calibration study: bias, sharpness and coverage on recordings whose truth is known.

Seeded fleets over a grid of rate, sampling, display step, noise, lag, unsteadiness and pinch speed;
prints Markdown and writes the same to ``docs/study.md``, with a picture beside it. ``--quick``
shortens it for a test of the script itself.
"""

from __future__ import annotations

import argparse
from datetime import datetime, timezone
from pathlib import Path

from calibration import coarse, histories, lags, pinches, ramps, walks
from calibration.page import page
from calibration.picture import draw
from calibration.scores import Row

ROOT = Path(__file__).resolve().parents[1]
RECORDINGS = 250
#: Of the cheap families more, of the dearest fewer.
RAMPS_EACH, WALKS_EACH, PAIRS_EACH = 2, 8, 0.5


def run(count: int, seed: int, *, quick: bool = False) -> list[Row]:
    """All families, `count` recordings or gauges a cell of most of them."""
    return [
        *ramps.rows(RAMPS_EACH * count, seed, quick=quick),
        *coarse.rows(count, seed, quick=quick),
        *walks.rows(WALKS_EACH * count, seed),
        *lags.rows(count, round(PAIRS_EACH * count), seed, quick=quick),
        *pinches.rows(count, seed, quick=quick),
        *histories.rows(count, seed),
    ]


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    today = datetime.now(timezone.utc).date().isoformat()
    parser.add_argument("--date", default=today, help="as the page gives it")
    parser.add_argument("--out", type=Path, default=ROOT / "docs/study.md", help="the page")
    parser.add_argument("--recordings", type=int, default=RECORDINGS, help="a cell")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="only see that it runs")
    given = parser.parse_args()
    count = 10 if given.quick else given.recordings
    usual = (count, given.seed) == (RECORDINGS, parser.get_default("seed"))
    rows = run(count, given.seed, quick=given.quick)
    picture = given.out.with_suffix(".png")
    draw(rows, picture)
    command = f"`python benches/study.py --recordings {count} --seed {given.seed}`"
    if usual:
        command = f"`make study`, that is\n{command}"
    text = page(rows, command=command, on=given.date, picture=picture.name)
    given.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
