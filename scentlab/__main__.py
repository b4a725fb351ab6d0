"""``python -m scentlab`` is the command line of :mod:`scentlab.cli`."""

import sys

from scentlab.cli import main

if __name__ == "__main__":
    sys.exit(main())
