"""The demonstration fleet: invented, seeded, and told in `demo-data/README.md`.

`python -m deadband._demo demo-data` writes it anew.
"""

from ._write import SEED, demo_fleet, write_demo

__all__ = ["SEED", "demo_fleet", "write_demo"]
