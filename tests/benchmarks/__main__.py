"""Start the benchmarks: `python -m tests.benchmarks` from the checkout."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from run import main

main()
