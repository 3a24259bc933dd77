"""Measures how a takedown bow's limbs fit their pockets, from phone photographs."""

__version__ = "0.1.0"
