import sys
from pathlib import Path

# The example run is shared by the tests of results and of reports.
sys.path.insert(0, str(Path(__file__).parents[1] / "results"))
