"""What the user is told when a command cannot go on: one sentence and an exit status."""

from __future__ import annotations

import tempfile
import traceback
from pathlib import Path

from bandscan import __version__
from calib.errors import MeasureError

# What the wheel of opencv-python leaves to the system; tried on a bare Debian 12.
SYSTEM_PACKAGES = "libgl1 libglib2.0-0 libxcb1"
_OURS = ("bandscan", "calib")


def explain(error: Exception, *, verbose: bool) -> tuple[str, int]:
    """A sentence for the user, and the exit status.

    Parameters
    ----------
    verbose : bool
        Adds the traceback of a fault in the program.
    """
    if isinstance(error, MeasureError):
        return str(error), error.exit_status
    if isinstance(error, ImportError) and "shared object" in str(error):
        library = str(error).split(":", maxsplit=1)[0]
        return (
            f"OpenCV cannot start because the system library {library} is missing; on Debian or "
            f"Ubuntu install it with: apt-get install {SYSTEM_PACKAGES}"
        ), 1
    if isinstance(error, ModuleNotFoundError) and error.name and not error.name.startswith(_OURS):
        return f"The Python package {error.name} is missing; run: pip install bandscan", 1
    details = "".join(traceback.format_exception(error))
    told = f"A fault in the program ({type(error).__name__}); this is not your doing. "
    if verbose:
        return f"{told}Please report this:\n{details}", 1
    return f"{told}Please report it with the details in {keep_details(details)}", 1


def keep_details(details: str) -> str:
    """Write the details of a fault to a file and name it."""
    text = f"bandscan {__version__}\n{details}"
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="bandscan-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(text)
        return str(Path(file.name))
    except OSError:
        return "a run with -v (no file could be written)"
