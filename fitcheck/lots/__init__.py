"""Lots of parts measured in parallel, charted and judged; how well the method measures."""
