"""What README.md says can be typed into Python can be."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

README = (Path(__file__).parents[1] / "README.md").read_text()


def test_the_python_block_imports_functions_by_itself_in_a_fresh_interpreter():
    block = re.search(r"## From Python\n\n```python\n(.+?)```", README, re.DOTALL)
    assert block
    names = re.findall(r"\b(?:import|,) (\w+)", block[1])
    assert {"Mesh", "tooth_plan", "find_steps", "trend", "forecast"} <= set(names)
    check = f"\nassert all(callable(thing) for thing in ({', '.join(names)}))"
    done = subprocess.run([sys.executable, "-c", block[1] + check], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
