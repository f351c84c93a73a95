"""Sphinx settings; `make docs` builds the pages."""

import re
from pathlib import Path

CARGO = (Path(__file__).parents[1] / "Cargo.toml").read_text(encoding="utf-8")

project = "deadband"
author = "the deadband developers"
project_copyright = f"2026, {author}"
release = re.search(r'^version = "(.+)"', CARGO, re.MULTILINE)[1]

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.napoleon",
    "sphinx.ext.viewcode",
]
exclude_patterns = ["_build"]

autodoc_default_options = {"members": True, "show-inheritance": True}
autodoc_member_order = "bysource"
autodoc_typehints = "signature"
napoleon_google_docstring = False
napoleon_use_rtype = False

myst_enable_extensions = ["dollarmath"]
myst_heading_anchors = 3
# README and DEVELOPERS link to files of the project; on the pages those stay plain text.
suppress_warnings = ["myst.xref_missing"]

html_theme = "alabaster"
html_title = f"deadband {release}"
html_theme_options = {
    "description": "Setpoints that can be defended",
    "fixed_sidebar": True,
    "page_width": "70rem",
}
