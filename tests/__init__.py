"""Tests of gradeest."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does (gradeest/cli)
