"""LibreOffice as a second opinion on workbooks: it recalculates every formula when it loads a file."""

import shutil
import subprocess
from pathlib import Path

SOFFICE = shutil.which("soffice")
# OOXMLRecalcMode 0: always recalculate on load. LibreOffice would otherwise show the cached values.
_SETTINGS = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load">
<prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item>
</oor:items>
"""


def recalculated(path: Path, folder: Path, kind: str = "xlsx") -> Path:
    """Load a workbook in LibreOffice, recalculate it, and save it into a folder as another file."""
    profile = folder / "profile"
    (profile / "user").mkdir(parents=True, exist_ok=True)
    (profile / "user" / "registrymodifications.xcu").write_text(_SETTINGS)
    target = folder / "recalculated"
    subprocess.run(
        [
            str(SOFFICE),
            f"-env:UserInstallation={profile.as_uri()}",
            "--headless",
            "--convert-to",
            kind,
            "--outdir",
            str(target),
            str(path),
        ],
        check=True,
        capture_output=True,
        timeout=180,
    )
    return target / f"{path.stem}.{kind}"
