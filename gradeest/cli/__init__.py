import os

# Matrices here are small, and particles are dealt out to the cores already: the linear algebra library's own threads
# wait for each other, on a busy machine twenty times as long as the work takes. Read once, when numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
