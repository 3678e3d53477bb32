"""Starts the renderer in its fastest variant.

That one needs an LLVM library, 16 or newer (15 cannot compile all of it).
"""

from __future__ import annotations

import os
import re
from glob import glob


def start() -> None:
    """Choose the variant; must run before any other module here is imported."""
    if "DRJIT_LIBLLVM_PATH" not in os.environ:
        found = [
            (int(number.group(1)), path)
            for path in glob("/usr/lib/*/libLLVM[-.]*") + glob("/usr/lib/*/lib/libLLVM[-.]*")
            if (number := re.search(r"libLLVM(?:-|\.so\.)(\d+)", path))
        ]
        new_enough = sorted(f for f in found if f[0] >= 16)
        if new_enough:
            os.environ["DRJIT_LIBLLVM_PATH"] = new_enough[-1][1]
    import mitsuba as mi  # noqa: PLC0415 - it reads the variable above when loaded

    mi.set_variant("llvm_ad_rgb")
