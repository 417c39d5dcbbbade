"""What every document about a manifest is made of, and what a pair of manifests is called."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

Depth = Literal["layout", "sample", "full"]

SOURCE_NAME = "source.manifest.jsonl.gz"
TARGET_NAME = "target.manifest.jsonl.gz"


class Model(BaseModel):
    """Frozen; fields of a later minor version are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore")
