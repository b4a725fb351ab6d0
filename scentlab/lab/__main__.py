"""The server of the lab, a second sooner: without the grammar of international web addresses.

``jsonschema`` builds it whenever it finds ``rfc3987_syntax``, and does without where that is not
installed; no schema of the server has such an address.
"""

import sys

# An import of it fails, as where it is not installed.
sys.modules["rfc3987_syntax"] = None  # pyright: ignore[reportArgumentType]

from jupyterlab.labapp import main  # noqa: E402 - after the line above

if __name__ == "__main__":
    main()
