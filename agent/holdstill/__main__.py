"""The `holdstill` command, and `python -m holdstill`.

A session of a board is handed over before anything else is imported: see keeper.session_front.
"""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line, here or by a session host; the process ends with its exit code."""
    if sys.argv[1:3] == ["keeper", "serve"]:
        from holdstill.keeper import session_front  # noqa: PLC0415

        session_front.hand_over(sys.argv[1:])
    from holdstill.cli.main import main as run  # noqa: PLC0415  it imports a lot

    run()


if __name__ == "__main__":
    main()
