"""Sentences that stand in every report: what a level means, what to do next, what to beware of."""

from __future__ import annotations

from verify.rules.rule import Level

MARKS = {"stop": "X", "review": "?", "note": "-", "sound": "OK"}
"""Each level and verdict by a sign of its own, beside its word."""

LEVEL_TITLES = {
    Level.STOP: "not proven to be on the new drive, or it would not start",
    Level.REVIEW: "a person must decide",
    Level.NOTE: "good to know",
}

NEXT_STEPS = {
    "sound": (
        "Put the new drive into the machine alone and start it.",
        "Wipe the old drive only after that, and only if what matters is also somewhere else.",
    ),
    "review": (
        "Keep the old drive as it is. Read what stands under REVIEW and under NOT EXAMINED.",
        "Put right what can be put right and check again; what remains is for a person to decide.",
    ),
    "stop": (
        "Keep the old drive as it is, and do not hand the new one over.",
        "Follow the advice under STOP (repair the new drive, or clone again), then check again.",
    ),
}

SAME_IDENTITY = (
    "Both drives carry the same identity. A machine that starts with both attached may start from"
    " the wrong one, or change the identity of one of them."
)

CAUTIONS = (
    "Never attach both drives to a machine while it starts.",
    "Power down and discharge before opening a machine.",
    "This verdict is evidence, not permission: it covers what was examined, and nothing else.",
)
