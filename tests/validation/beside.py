"""Makes `tests/reference` importable for a study that is run as a script: pytest has the folder on its path."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))
