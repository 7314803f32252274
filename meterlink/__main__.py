"""`python -m meterlink` is the command `meterlink`."""

from meterlink.cli.main import main

main()
