"""``python -m rejoin`` does what the command ``rejoin`` does."""

from __future__ import annotations

import sys

from rejoin.cli import main

if __name__ == "__main__":
    sys.exit(main())
