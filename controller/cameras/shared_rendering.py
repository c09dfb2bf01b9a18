"""What children share that render pictures: `shared`, the numerics and the imaging libraries."""

import gc
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # memory for threads that pictures have no use for

import piexif  # noqa: F401
import PIL.JpegImagePlugin  # noqa: F401

import controller.cameras.shared
import controller.light.rendering  # noqa: F401

gc.collect()
gc.freeze()
