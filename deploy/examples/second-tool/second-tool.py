#!/usr/bin/env python3
"""The second example tool: see README.md beside it. Standard library only."""
import sys

sys.dont_write_bytecode = True
from secondtool.main import main  # noqa: E402

sys.exit(main(sys.argv[1:]))
