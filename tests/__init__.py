"""The tests. Engines that they start record their takes into a folder that goes with them."""

import atexit
import os
import shutil
import tempfile

if "COMPANION_DATA_DIR" not in os.environ:
    os.environ["COMPANION_DATA_DIR"] = tempfile.mkdtemp(prefix="companion-takes-")
    atexit.register(shutil.rmtree, os.environ["COMPANION_DATA_DIR"], ignore_errors=True)
