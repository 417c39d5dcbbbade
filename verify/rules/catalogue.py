"""Every rule there is, written out: what ran follows from the version alone."""

from __future__ import annotations

from verify.rules.alignment import (
    alignment_cluster,
    alignment_physical,
    alignment_start,
)
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
from verify.rules.filesystem import (
    boot_sector_backup,
    filesystem_dirty,
    filesystem_hibernated,
    filesystem_identity,
    filesystem_kind,
    filesystem_locked,
    filesystem_log,
    filesystem_span,
    hidden_sectors,
)
from verify.rules.partition import (
    partition_attributes,
    partition_bounds,
    partition_extra,
    partition_guid,
    partition_missing,
    partition_order,
    partition_size,
    partition_type,
)
from verify.rules.space import (
    free_space,
    free_space_boot,
    free_space_recovery,
    spare_area,
)
from verify.rules.table import (
    disk_identity,
    table_intact,
    table_scheme,
)

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
    partition_missing.RULE,
    partition_extra.RULE,
    partition_order.RULE,
    partition_size.RULE,
    partition_type.RULE,
    partition_guid.RULE,
    partition_attributes.RULE,
    partition_bounds.RULE,
    filesystem_kind.RULE,
    filesystem_identity.RULE,
    filesystem_span.RULE,
    filesystem_dirty.RULE,
    filesystem_log.RULE,
    filesystem_hibernated.RULE,
    boot_sector_backup.RULE,
    hidden_sectors.RULE,
    filesystem_locked.RULE,
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
    free_space.RULE,
    free_space_recovery.RULE,
    free_space_boot.RULE,
    spare_area.RULE,
    alignment_start.RULE,
    alignment_physical.RULE,
    alignment_cluster.RULE,
)
"""In the order of the design's catalogue: area by area."""
