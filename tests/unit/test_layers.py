"""What judges loads no driver: it can be used, and tested, where there is no VISA."""

import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "module", ["sequencer.evaluation", "sequencer.diagnosis.examine", "sequencer.diagnosis.waveform"]
)
def test_what_judges_loads_no_driver_and_no_page(module):
    asked = f"import sys, {module}; print(*sorted({{name.split('.')[0] for name in sys.modules}}))"
    loaded = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True).stdout.split()
    assert "numpy" in loaded
    assert not {"pyvisa", "pyvisa_py", "pyvisa_sim", "serial", "jinja2", "rich", "filelock"} & set(loaded)
