"""The benchmark's scripts import each other by plain names, as they do when run as scripts."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
