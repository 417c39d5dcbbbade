"""Every rule there is, written out: what ran follows from the version alone."""

from __future__ import annotations

from verify.rules.contents import (
    file_attributes,
    file_content,
    file_count,
    file_expected_change,
    file_extra,
    file_links,
    file_missing,
    file_security,
    file_size,
    file_times,
    raw_content,
)
from verify.rules.drive import (
    drive_hidden_areas,
    drive_in_use,
    drive_same,
    drive_set,
    drive_unreadable,
    sector_size,
    source_used_since,
    target_used_since,
)
from verify.rules.table import disk_identity, table_intact, table_scheme

RULES = (
    drive_same.RULE,
    drive_in_use.RULE,
    sector_size.RULE,
    drive_unreadable.RULE,
    drive_set.RULE,
    drive_hidden_areas.RULE,
    source_used_since.RULE,
    target_used_since.RULE,
    table_scheme.RULE,
    table_intact.RULE,
    disk_identity.RULE,
    file_times.RULE,
    file_security.RULE,
    file_links.RULE,
    file_attributes.RULE,
    file_missing.RULE,
    file_extra.RULE,
    file_size.RULE,
    file_content.RULE,
    file_count.RULE,
    raw_content.RULE,
    file_expected_change.RULE,
)
