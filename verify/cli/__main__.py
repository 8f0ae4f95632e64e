"""Run the command as ``python -m verify.cli``."""

from verify.cli.main import main

main()
