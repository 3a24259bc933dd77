"""Runs the command line as ``python -m fitcheck``."""

import sys

from fitcheck.cli import main

sys.exit(main())
