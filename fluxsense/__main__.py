"""``python -m fluxsense``: the same as the command."""

import sys

from fluxsense.cli import main

sys.exit(main())
