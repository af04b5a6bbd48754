"""A disk that is full ends a run with one exit code, however the system says it."""

import errno
import os
import subprocess
import sys

import pytest


@pytest.mark.skipif(os.name == "nt", reason="no limit on files there")
@pytest.mark.parametrize(
    ("limit_blocks", "code"),
    [
        pytest.param(1, 3, id="at the folder of the record"),
        pytest.param(16, 3, id="in mid-run"),
        pytest.param(64, 0, id="at the report: the verdict stands"),
    ],
)
def test_a_limit_on_files_is_a_full_disk_and_costs_no_verdict(tmp_path, quick, limit_blocks, code):
    # Blocks of 1024 bytes: more than the first lines of a journal, less than the whole; a page is larger than either.
    command = (
        f"ulimit -f {limit_blocks}; exec '{sys.executable}' -m sequencer run {quick.name} --bench quick.bench.yaml"
    )
    done = subprocess.run(
        ["bash", "-c", f"{command} --serial G1 --results r"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert os.strerror(errno.EFBIG) in done.stderr
    assert "do: " in done.stderr
    assert done.returncode == code
    assert ("PASS" in done.stdout) == (code == 0)
