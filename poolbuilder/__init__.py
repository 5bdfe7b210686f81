"""Which species could be the parents in this water?

A place and a pile of open records go in; a weighted, explained list of the species that
could live there comes out, and other steps can compute with it.
"""

__version__ = "0.1.0"
