"""Networks as ONNX files: loaded once, on the processor, by as many threads as are allowed.

This is the one place that imports onnxruntime.
"""

import errno
import importlib.util
import os
from contextlib import closing, suppress
from functools import lru_cache
from mmap import ACCESS_READ, mmap
from pathlib import Path
from threading import Lock
from typing import TypeAlias

import cv2

# From 1.32 on, onnxruntime keeps a number for this machine in the user's cache and reports to its maker over
# the network (its Privacy.md). It looks for this as it is imported; =0 lets it.
os.environ.setdefault("ORT_DISABLE_TELEMETRY", "1")

import onnxruntime
from plugface.vision.kept_networks import MODEL, WEIGHTS, load_kept, place_of, save_kept
from plugface.vision.network_files import find_sum, measure_sum
from plugface.vision.subnormals import flush_subnormals

#: Threads of one network run, at most: the machines this is meant for have few cores. Where OpenCV was told
#: to use fewer, as in one of several processes that share the cores, so does the network.
THREADS = 2

Session: TypeAlias = onnxruntime.InferenceSession


class BrokenNetwork(FileNotFoundError):
    """A network of plugface's own that is not there or cannot be loaded; file and reason as the system's."""


_LOADING: dict[str, Lock] = {}


def usable_threads() -> int:
    """How many threads a network may work with."""
    return min(THREADS, cv2.getNumThreads())


def load_network(path: str, *, threads: int | None = None) -> Session:
    """An ONNX network, loaded once, whichever thread asks first.

    Parameters
    ----------
    path : str
    threads : int, optional
        That share one run of it; all that are usable by default.

    Returns
    -------
    session : onnxruntime.InferenceSession
        Shared by all who ask.

    Raises
    ------
    BrokenNetwork
        If there is no such file, or it is damaged, or changed since it was shipped.
    """
    if not Path(path).is_file():
        raise BrokenNetwork(errno.ENOENT, "there is no such file", path)
    with _LOADING.setdefault(path, Lock()):
        return _open_network(path, threads or usable_threads())


@lru_cache(maxsize=6)
def _open_network(path: str, threads: int) -> Session:
    expected = find_sum(Path(path))
    if expected is not None and measure_sum(Path(path)) != expected:
        raise BrokenNetwork(errno.ENOENT, "its bytes are not those that were shipped", path)
    place = place_of(Path(path), expected, f"{onnxruntime.__version__}\0{cv2.getCPUFeaturesLine()}")
    kept = load_kept(place) if place is not None else None
    if kept is not None:
        with suppress(Exception):  # prepared in some way that this library cannot load after all
            return _start(str(kept), threads, prepared=True)
    source = _source(path)
    if place is not None:
        session = save_kept(place, lambda folder: _start(source, threads, write=folder))
        if session is not None:
            return session
    try:
        return _start(source, threads)
    except Exception as error:  # the library has a class for each way, and all of them mean a bad file
        words = " ".join(str(error).split())[:120]
        raise BrokenNetwork(errno.ENOENT, f"it is not a network that can be loaded ({words})", path) from None


def _start(
    source: str | bytes, threads: int, *, prepared: bool = False, write: Path | None = None
) -> Session:
    """A network by its file or its bytes; as it is where it was prepared before. `write`: what it becomes."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    # What a run took is given back when it is done: kept, it would be there once for each network.
    options.enable_cpu_mem_arena = False
    # Threads that wait for work in a busy loop take the other core from whatever else runs there.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    if prepared:
        options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
    if write is not None:
        options.optimized_model_filepath = str(write / MODEL)
        options.add_session_config_entry("session.optimized_model_external_initializers_file_name", WEIGHTS)
        # Small ones are looked into as the graph is loaded; large ones are only mapped.
        options.add_session_config_entry(
            "session.optimized_model_external_initializers_min_size_in_bytes", "1024"
        )
    session = onnxruntime.InferenceSession(source, options, providers=["CPUExecutionProvider"])
    session._model_bytes = None  # the library keeps them for a change of providers, of which there is none
    return session


def _source(path: str) -> str | bytes:
    """What to load a network from: its file, or its bytes where they are not to be loaded as they are."""
    with Path(path).open("rb") as file, closing(mmap(file.fileno(), 0, access=ACCESS_READ)) as stored:
        model = flush_subnormals(stored)
        return model if isinstance(model, bytes) else path


def packaged_network(file: str) -> str:
    """Path of a network inside the installed rapidocr package, which is not imported for it.

    Raises
    ------
    BrokenNetwork
        If the package is not installed.
    """
    spec = importlib.util.find_spec("rapidocr")
    if spec is None or spec.origin is None:
        raise BrokenNetwork(errno.ENOENT, "the package rapidocr is not installed", file)
    return str(Path(spec.origin).parent / "models" / file)
