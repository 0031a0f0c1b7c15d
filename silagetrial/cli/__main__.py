"""``python -m silagetrial.cli``."""

import sys

from silagetrial.cli import main

if __name__ == "__main__":
    sys.exit(main())
