"""Words of ours that stand in many sentences; a German one adds the ending to `alt` and `neu`."""

from __future__ import annotations

from verify.text.message import say

OLD = say("old")
NEW = say("new")
