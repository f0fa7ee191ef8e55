"""`python -m bandscan`."""

from bandscan.cli import main

main(prog_name="bandscan")
