"""The demo's drives, unpacked once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from verify.cli.demo_images import DEMO, unpack

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def drives(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo's drives by name: `old`, `sound`, `faulty`, `busy` and `snapshot`."""
    folder = tmp_path_factory.mktemp("drives")
    return {name: unpack(name, folder) for name in DEMO}


@pytest.fixture(scope="session")
def manifest(drives: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A manifest of the old drive, drawn with a key of its own."""
    from verify.cli.app import run  # noqa: PLC0415 - after the drives are there

    file = tmp_path_factory.mktemp("manifests") / "old.manifest"
    assert run(["capture", str(drives["old"]), "-o", str(file), "--seed", "0badcafe"]) == 0
    return file
