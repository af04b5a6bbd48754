"""A disk that is full ends a run with one exit code, however the system says it."""

import errno
import os
import subprocess
import sys

import pytest


@pytest.mark.skipif(os.name == "nt", reason="no limit on files there")
@pytest.mark.parametrize("limit_blocks", [16, 24])
def test_a_limit_on_files_that_strikes_in_mid_run_is_a_full_disk(tmp_path, quick, limit_blocks):
    # Blocks of 1024 bytes: more than the first lines of a journal, less than the whole.
    command = (
        f"ulimit -f {limit_blocks}; exec '{sys.executable}' -m sequencer run {quick.name} --bench quick.bench.yaml"
    )
    done = subprocess.run(
        ["bash", "-c", f"{command} --serial G1 --results r"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert os.strerror(errno.EFBIG) in done.stderr
    assert "make room on the disk" in done.stderr
    assert done.returncode == 3
