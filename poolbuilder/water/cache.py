"""Networks that were loaded before, kept as plain arrays that are mapped, not read.

A network of a million flow lines takes a minute to make and hundreds of megabytes to hold; from
the cache a water touches only the pages around it.  The key is the SHA-256 of the layer's file;
size and time of change stand for it while they stay the same.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from poolbuilder.errors import PoolFileError
from poolbuilder.files import write_whole
from poolbuilder.places.layers import read_layer, split_spec
from poolbuilder.water.network import ARRAYS, Network, build_network

__all__ = ["CACHE_VARIABLE", "cache_folder", "load_network"]

log = logging.getLogger(__name__)

CACHE_VARIABLE = "POOLBUILDER_CACHE"
VERSION = 1
"""Raised when what is kept, or how it is made, changes."""


def cache_folder() -> Path:
    """Where networks are kept: ``$POOLBUILDER_CACHE``, else the user's cache folder."""
    from platformdirs import user_cache_path

    named = os.environ.get(CACHE_VARIABLE)
    return (Path(named) if named else user_cache_path("poolbuilder")) / "networks"


def load_network(spec: str, *, join_m: float) -> Network:
    """The network of a layer of flow lines, made at the first load and mapped from the cache after.

    Parameters
    ----------
    spec : str
        ``FILE[:layer]``.
    join_m : float
        Tolerance for ends that meet, in metres.

    Raises
    ------
    LayerError
        When the layer cannot be used.
    """
    path, _ = split_spec(spec)
    folder = cache_folder()
    stamp = folder / f"{_stamp(path, spec, join_m)}.json"
    known = _read_json(stamp)
    if known is not None:
        network = _read(folder / str(known.get("network")))
        if network is not None:
            return network
    layer = read_layer(spec, purpose="flow lines")
    key = _digest(layer.source.get("sha256"), layer.source.get("layer"), join_m)
    network = _read(folder / key)
    if network is None or network.source.get("path") != layer.source.get("path"):
        network = build_network(layer, join_m=join_m)
        _write(folder, key, network)
    try:
        write_whole(stamp, json.dumps({"network": key, "path": str(path)}))
    except PoolFileError as error:
        log.info("the network is not kept: %s", error)
    return _read(folder / key) or network


def _digest(*parts: Any) -> str:
    return hashlib.sha256(json.dumps([VERSION, *parts]).encode()).hexdigest()[:32]


def _stamp(path: Path, spec: str, join_m: float) -> str:
    state = path.stat()
    return _digest(str(path.resolve()), spec, join_m, state.st_size, state.st_mtime_ns)


def _read_json(path: Path) -> dict[str, Any] | None:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _read(folder: Path) -> Network | None:
    """A network from its folder; None when it is not there, or not whole."""
    meta = _read_json(folder / "network.json")
    if meta is None:
        return None
    try:
        arrays = {name: np.load(folder / f"{name}.npy", mmap_mode="r") for name in ARRAYS}
    except (OSError, ValueError):
        log.info("the kept network %s is not whole and is made again", folder)
        return None
    if any(list(arrays[name].shape) != meta["shapes"].get(name) for name in ARRAYS):
        return None
    return Network(names=tuple(meta["names"]), notes=tuple(meta["notes"]), source=meta["source"], **arrays)


def _write(folder: Path, key: str, network: Network) -> None:
    """Write beside and rename, so that nobody reads half a network; a full disk is no error."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{key}-", dir=folder))
    except OSError as error:
        log.info("the network cannot be kept in %s: %s", folder, error.strerror)
        return
    try:
        for name in ARRAYS:
            np.save(beside / f"{name}.npy", np.ascontiguousarray(getattr(network, name)))
        meta = {
            "names": network.names,
            "notes": network.notes,
            "source": dict(network.source),
            "shapes": {name: list(getattr(network, name).shape) for name in ARRAYS},
        }
        (beside / "network.json").write_text(json.dumps(meta), encoding="utf-8")
        shutil.rmtree(folder / key, ignore_errors=True)
        beside.rename(folder / key)
    except OSError as error:
        log.info("the network cannot be kept in %s: %s", folder, error.strerror)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
