"""`python -m photoaz`."""

from photoaz.cli import main

main(prog_name="photoaz")
