"""The same pattern gives the same bytes, in another process as well."""

import hashlib
import subprocess
import sys

PROGRAM = """
import hashlib
from digitize.files import dxf, svg
from digitize.files.paper import writer as paper
from digitize.files.pictures import topdown_proof
from digitize.pattern.contour import Circle, Slot
from digitize.pattern.model import Pattern
p = Pattern("lid", Circle((0, 0), 60, "restored"), (Slot((0, 0), (9, 4), 2), Circle((20, 20), 3)))
for data in (dxf.render(p), dxf.render(p, dxf.DxfOptions("in", "R12")), svg.render(p),
             paper.render(p), topdown_proof.render(p)):
    print(hashlib.sha256(data).hexdigest())
"""


def test_files_do_not_depend_on_the_process_or_the_hour() -> None:
    outputs = [
        subprocess.run(
            [sys.executable, "-c", PROGRAM],
            capture_output=True,
            text=True,
            check=True,
            env={"PYTHONHASHSEED": seed, "TZ": zone},
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Pacific/Auckland"))
    ]
    assert outputs[0] == outputs[1]
    digests = outputs[0].split()
    assert len(digests) == len(set(digests)) == 5
    assert all(len(d) == hashlib.sha256().digest_size * 2 for d in digests)
