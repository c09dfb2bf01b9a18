"""The command line: the composition root, the only place that picks a camera, a clock and a journal."""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run the command line; every error ends as one clear line and an exit code."""
    from controller.cli.app import app
    from controller.errors import HoldfireError

    try:
        app()
    except HoldfireError as error:
        _tell(str(error) if "\n" in str(error) or error.exit_code == 3 else f"holdfire: {error}")
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        _tell("holdfire: stopped by the keyboard.")
        sys.exit(130)
    except BrokenPipeError:  # the reader of our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(141)
    except Exception as error:  # the last net: a fault of the program, told as such
        if os.environ.get("HOLDFIRE_DEBUG"):
            raise
        _tell(
            f"holdfire: a fault of the program, not yours ({type(error).__name__}: {error}). "
            "Run again with HOLDFIRE_DEBUG=1 to see where, and report it."
        )
        sys.exit(70)


def _tell(text: str) -> None:
    sys.stderr.write(text + "\n")
