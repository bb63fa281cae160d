import sys
from pathlib import Path

# The example runs are shared by the tests of results and of reports.
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent / "results")]
