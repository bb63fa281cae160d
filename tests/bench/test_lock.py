import subprocess
import sys

import pytest

from cornerrun.bench.lock import hold_bench
from cornerrun.errors import BenchBusy, BenchError


def test_refuses_a_second_holder_and_names_the_first(tmp_path):
    with hold_bench("desk", purpose="run 7", directory=tmp_path):
        other = (
            "from pathlib import Path; from cornerrun.bench.lock import hold_bench\n"
            f"with hold_bench('desk', purpose='x', directory=Path({str(tmp_path)!r})): pass"
        )
        result = subprocess.run([sys.executable, "-c", other], capture_output=True, text=True, check=False)
    assert "BenchBusy" in result.stderr
    assert "run 7" in result.stderr


def test_two_benches_do_not_disturb_each_other(tmp_path):
    with hold_bench("desk", purpose="a", directory=tmp_path), hold_bench("lab", purpose="b", directory=tmp_path):
        pass


def test_the_lock_of_a_killed_holder_is_free(tmp_path):
    script = (
        "import os, signal; from pathlib import Path; from cornerrun.bench.lock import hold_bench\n"
        f"with hold_bench('desk', purpose='x', directory=Path({str(tmp_path)!r})): os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", script], check=False)
    assert list(tmp_path.glob("*.holder")), "the holder died without tidying up"
    with hold_bench("desk", purpose="next", directory=tmp_path):
        pass


def test_holding_twice_in_one_process_is_refused_too(tmp_path):
    with (
        hold_bench("desk", purpose="a", directory=tmp_path),
        pytest.raises(BenchBusy, match="held by process"),
        hold_bench("desk", purpose="b", directory=tmp_path),
    ):
        pass


def test_a_folder_that_cannot_hold_the_lock_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(BenchError, match="cannot be made"),
        hold_bench("desk", purpose="a", directory=tmp_path / "file" / "below"),
    ):
        pass
