"""`python -m holdstill`: the command line where there is no script for it."""

from holdstill.cli.main import main

if __name__ == "__main__":
    main()
