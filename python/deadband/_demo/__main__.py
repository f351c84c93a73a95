"""`python -m deadband._demo OUT` writes the demonstration fleet into the folder OUT."""

import argparse
from pathlib import Path

from ._write import SEED, write_demo

parser = argparse.ArgumentParser(prog="python -m deadband._demo", description=__doc__)
parser.add_argument("out", type=Path, metavar="OUT", help="folder, made if there is none")
parser.add_argument("--seed", type=int, default=SEED, help="another fleet of the same kind")
arguments = parser.parse_args()
write_demo(arguments.out, seed=arguments.seed)
