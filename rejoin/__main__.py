"""``python -m rejoin`` does what the command ``rejoin`` does."""

from __future__ import annotations

from rejoin.cli import program

if __name__ == "__main__":
    program()
