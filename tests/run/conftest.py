import sys
from pathlib import Path

# The fakes of this folder's ports are shared by its tests.
sys.path.insert(0, str(Path(__file__).parent))
