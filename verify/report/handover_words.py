"""What stands on every handover: what to check off, what to fill in, what a clone never brings."""

from __future__ import annotations

CHECKLIST = (
    "This report was read, and was saved on neither of the two drives.",
    "The new drive was checked before its first start.",
    "The new drive started alone, with the old drive taken off.",
    "The recovery environment of the new drive was started once.",
    "Files of the customer, chosen by the customer, were opened on the new drive.",
    "The recovery key of every encrypted volume is at hand, and so are licences and activations.",
    "What matters is also somewhere else: a clone is not a backup.",
    "The serial number of the drive to be wiped was read again, and is the old drive's.",
    "The old drive is kept as it is until (date): ____________________",
)

DEPTHS = {
    "layout": "tables, and names, sizes and times of all files; no contents but what starts it",
    "sample": "tables, names, sizes and times of all files, and the contents of a drawn sample",
    "full": "tables, names, sizes and times of all files, and all contents",
}
"""What was read of a drive, by the depth of its capture."""

ONLY_NOTES = "Nothing was found. The notes among the findings are good to know."
NOTHING_FOUND = "Nothing was found."

NEVER_CLONED = (
    "Not looked for, and often not brought over by a clone of used space: earlier versions of files"
    " in snapshots (shadow copies, restore points), and deleted files that could still be recovered"
    " on the old drive. With the old drive wiped, they are gone."
)

SIGNATURES = ("Technician", "Customer")
SIGNATURE_FIELDS = ("name", "date", "signature")

WIPE_INTRODUCTION = (
    "To be filled in when the old drive is wiped, not before. Compare the model and the serial"
    " number with the label on the drive in your hand."
)

# SPEC: NIST SP 800-88r1, appendix G, "Sample Certificate of Sanitization Form". Revision 2 of
# September 2025 superseded it; its own text was not read.
WIPE_FIELDS = (
    ("Manufacturer", ""),
    ("Model", ""),
    ("Serial number, read again", ""),
    ("Property number", ""),
    ("Media type", "hard disk, flash, hybrid, other"),
    ("Source", "person or machine it comes from"),
    ("Classification of the data before", ""),
    ("Classification of the data after", ""),
    ("Kind of sanitisation", "clear, purge or destroy"),
    ("Technique", "for example overwriting, block erase, cryptographic erase"),
    ("Tool and its version", ""),
    ("How it was verified", "all of it, a sample, not verified"),
    ("Done by: name and title", ""),
    ("Date", ""),
    ("Place", ""),
    ("Signature", ""),
)
