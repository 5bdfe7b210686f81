"""Pages: the report of a pool and of everything else that is read in a browser."""

from poolbuilder.pages.kit import write_page
from poolbuilder.pages.pool_page import Frame, explore, notebook_html, render

__all__ = ["Frame", "explore", "notebook_html", "render", "write_page"]
