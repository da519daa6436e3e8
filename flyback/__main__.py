"""``python -m flyback``: the same as the command ``flyback``."""

from flyback.cli import run

run()
